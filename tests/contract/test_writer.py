"""The contract of a Writer, over every layout and kind of place: the newest copy changes, and no kept version does.

Each change is tried also where a run before it, or this one before its connection broke, had done half of it.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import NotOffered, PlaceError, Refused
from otherroof.copying.compare.half_sent import SafePart
from otherroof.copying.home.read import stat_numbers
from otherroof.copying.send.stream import FileStream, ReadAhead, StreamRequest
from otherroof.far_copy.writer import ArrivedPart, ChangeState, ContentLocation, FileProperties
from support.far_history import digest
from support.far_layouts import NAMES, NEW, NEXT, OLD, RUN, Far, finish, put


def shape(content: bytes, mtime: int = 1_234_567_890) -> FileProperties:
    return FileProperties(len(content), 0o640, mtime)


# -- a file comes --


@pytest.mark.parametrize("name", NAMES, ids=repr)
def test_new_file_stands_whole_with_rights_and_time(far: Far, name: bytes) -> None:
    far.do(put(far.writer, name, NEW, shape(NEW), had=False))
    found = far.path("latest", name).stat()
    assert far.latest(name) == NEW
    assert (found.st_mode & 0o777, int(found.st_mtime)) == (0o640, 1_234_567_890)
    assert not (far.here / "earlier").exists()
    assert far.incoming == []


@pytest.mark.parametrize("name", NAMES, ids=repr)
def test_what_it_replaces_stands_aside(far: Far, name: bytes) -> None:
    """Invariant 2."""
    far.has("latest", name)
    far.do(put(far.writer, name, NEW, shape(NEW), had=True))
    assert (far.latest(name), far.earlier(name)) == (NEW, OLD)


def test_large_content_goes_in_several_writes(far: Far) -> None:
    content = os.urandom(900_000)
    far.do(put(far.writer, b"a", content, shape(content), had=False))
    assert far.latest(b"a") == content


def test_what_nobody_knew_of_is_moved_aside_too(far: Far) -> None:
    far.has("latest", b"a")
    far.has("latest", b"f/inside")
    far.do(put(far.writer, b"a", NEW, shape(NEW), had=False))
    far.do(put(far.writer, b"f", NEW, shape(NEW), had=False))
    assert (far.latest(b"a"), far.earlier(b"a")) == (NEW, OLD)
    assert (far.latest(b"f"), far.earlier(b"f/inside")) == (NEW, OLD)


@pytest.mark.parametrize("had", [True, False])
def test_where_this_run_put_something_before_only_the_first_is_kept(far: Far, had: bool) -> None:
    """A broken connection can leave the change done and not known: it is then made once more."""
    far.has("latest", b"a", b"half way")
    far.has(f"earlier/{RUN}", b"a")
    far.do(put(far.writer, b"a", NEW, shape(NEW), had=had))
    assert (far.latest(b"a"), far.earlier(b"a")) == (NEW, OLD)


@pytest.mark.parametrize("had", [True, False])
def test_a_file_that_is_held_at_once_comes_as_any_other(far: Far, had: bool) -> None:
    """Invariant 2."""
    if had:
        far.has("latest", b"f/a")
    far.do(far.writer.put_durable(b"f/a", NEW, shape(NEW), had))
    found = far.path("latest", b"f/a").stat()
    assert (far.latest(b"f/a"), far.incoming) == (NEW, [])
    assert (found.st_mode & 0o777, int(found.st_mtime)) == (0o640, 1_234_567_890)
    assert (far.earlier(b"f/a") == OLD) if had else not (far.here / "earlier").exists()


def test_it_keeps_what_nobody_knew_of_and_what_was_kept_first(far: Far) -> None:
    far.has("latest", b"unknown")
    far.has("latest", b"twice", b"half way")
    far.has(f"earlier/{RUN}", b"twice")
    for name in (b"unknown", b"twice"):
        far.do(far.writer.put_durable(name, NEW, shape(NEW), False))
        assert (far.latest(name), far.earlier(name)) == (NEW, OLD)


def test_where_a_folder_was_moved_aside_before_a_file_still_comes(far: Far) -> None:
    far.has(f"earlier/{RUN}", b"a/inside")
    far.has("latest", b"a/later", b"litter")
    far.do(put(far.writer, b"a", NEW, shape(NEW), had=False))
    assert (far.latest(b"a"), far.earlier(b"a/inside"), far.earlier(b"a/later")) == (NEW, OLD, b"litter")


def test_what_came_below_a_folder_that_this_run_made_of_a_file_may_go(far: Far) -> None:
    """Half of a file may stand there after a power cut over there; it cannot stand aside, where the file is kept."""
    far.has(f"earlier/{RUN}", b"a")
    far.has("latest", b"a/inside", b"")
    far.has("latest", b"a/deep/inside", b"half")
    far.do(put(far.writer, b"a/inside", NEW, shape(NEW), had=False))
    far.do(put(far.writer, b"a/deep", NEW, shape(NEW), had=False))
    assert (far.latest(b"a/inside"), far.latest(b"a/deep"), far.earlier(b"a")) == (NEW, NEW, OLD)


def test_litter_of_a_cut_run_under_the_name_it_arrives_by_is_no_hindrance(far: Far) -> None:
    part = far.part(b"a")
    kept = far.has(f"earlier/{NEXT}", b"kept")
    part.hardlink_to(kept)  # the worst: it shares its content with what a version needs
    far.do(put(far.writer, b"a", NEW, shape(NEW), had=False))
    assert (far.latest(b"a"), kept.read_bytes()) == (NEW, OLD)


# -- a file goes --


@pytest.mark.parametrize("name", NAMES, ids=repr)
def test_what_goes_stands_aside(far: Far, name: bytes) -> None:
    far.has("latest", name)
    far.do(far.writer.aside(name))
    assert (far.latest(name), far.earlier(name)) == (None, OLD)


def test_a_link_goes_aside_also_if_it_leads_nowhere(far: Far) -> None:
    path = far.path("latest", b"link")
    path.symlink_to("nowhere")
    far.do(far.writer.aside(b"link"))
    assert not path.is_symlink()
    assert far.path(f"earlier/{RUN}", b"link").is_symlink()


def test_what_is_gone_already_is_no_trouble(far: Far) -> None:
    far.has("latest", b"other")
    far.do(far.writer.aside(b"a"))
    far.do(far.writer.drop_folder(b"f"))
    assert far.latest(b"other") == OLD
    assert not far.path(f"earlier/{RUN}", b"a").exists()


def test_folder_is_dropped_only_when_it_is_empty(far: Far) -> None:
    far.has("latest", b"f", None)
    far.has("latest", b"g/inside")
    far.do(far.writer.drop_folder(b"f"))
    far.do(far.writer.drop_folder(b"g"))
    assert not far.path("latest", b"f").exists()
    assert far.latest(b"g/inside") == OLD


def test_folders_are_made_and_what_stands_in_the_way_is_moved_aside(far: Far) -> None:
    far.has("latest", b"there", None)
    far.has("latest", b"file")
    far.do(far.writer.make_folders([b"new", b"new/below", b"there", b"file", b"file/below"]))
    assert all(far.path("latest", name).is_dir() for name in (b"new/below", b"there", b"file/below"))
    assert far.earlier(b"file") == OLD


# -- content that is there --


def wanted(far: Far) -> bool:
    """Whether this place can make a file from another one."""
    return far.writer.can_make_from_far


@pytest.mark.parametrize("had", [True, False])
def test_file_is_made_from_another_that_stays(far: Far, had: bool) -> None:
    far.has("latest", b"b", NEW)
    if had:
        far.has("latest", b"deep/a")
    make = far.writer.make_from(b"deep/a", ContentLocation(b"b"), shape(NEW), had=had)
    if not wanted(far):
        with pytest.raises(NotOffered):
            far.do(make)
        assert far.latest(b"deep/a") == (OLD if had else None)
        return
    far.do(make)
    assert (far.latest(b"deep/a"), far.latest(b"b")) == (NEW, NEW)
    assert far.earlier(b"deep/a") == (OLD if had else None)
    assert far.incoming == []


@pytest.mark.parametrize(
    "where", [ContentLocation(b"b", aside=True), ContentLocation(b"b", run=NEXT)], ids=["this run", "a cut run"]
)
def test_file_is_made_from_what_was_moved_aside(far: Far, where: ContentLocation) -> None:
    if not wanted(far):
        return
    far.has(f"earlier/{where.run or RUN}", b"b", NEW)
    far.do(far.writer.make_from(b"a", where, shape(NEW), had=False))
    assert far.latest(b"a") == NEW


def test_what_was_made_shares_nothing_that_is_written_to_later(far: Far) -> None:
    """Invariant 2: a second name and its file part when either of them changes."""
    if not wanted(far):
        return
    far.has("latest", b"b", OLD)
    far.do(far.writer.make_from(b"a", ContentLocation(b"b"), shape(OLD), had=False))
    far.do(put(far.writer, b"a", NEW, shape(NEW), had=True))
    assert (far.latest(b"b"), far.latest(b"a"), far.earlier(b"a")) == (OLD, NEW, OLD)


@pytest.mark.parametrize("size", ["gone", "shorter", "longer"])
def test_content_that_is_not_what_it_should_be_is_refused_and_the_old_stays(far: Far, size: str) -> None:
    if not wanted(far):
        return
    if size != "gone":
        far.has("latest", b"b", NEW[:-1] if size == "shorter" else NEW + b"!")
    far.has("latest", b"a")
    with pytest.raises(PlaceError):
        far.do(far.writer.make_from(b"a", ContentLocation(b"b"), shape(NEW), had=True))
    assert (far.latest(b"a"), far.earlier(b"a")) == (OLD, None)


def test_content_is_adopted_only_when_every_byte_is_right(far: Far) -> None:
    """Invariant 3."""
    far.has("latest", b"a", NEW)
    assert far.do(far.writer.adopt(b"a", shape(NEW), digest(NEW)))
    assert not far.do(far.writer.adopt(b"a", shape(NEW), digest(NEW[::-1])))
    assert not far.do(far.writer.adopt(b"a", shape(NEW + b"!"), digest(NEW + b"!")))
    assert not far.do(far.writer.adopt(b"none", shape(NEW), digest(NEW)))
    far.has("latest", b"f", None)
    assert not far.do(far.writer.adopt(b"f", shape(NEW), digest(NEW)))


# -- large files --

BIG = os.urandom(2_000_000)


@pytest.fixture
def reader(tmp_path: Path) -> Iterator[ReadAhead]:
    (tmp_path / "home").mkdir()
    (tmp_path / "home/big").write_bytes(BIG)
    made = ReadAhead(bytes(tmp_path / "home"), SystemClock())
    yield made
    made.close()


def part_of_big(upto: int) -> SafePart:
    return SafePart(upto, hashlib.blake2b(BIG[:upto], digest_size=32).digest())


def stream(far: Far, reader: ReadAhead, held: ArrivedPart | None = None) -> FileStream:
    offers = far.base.place.offers
    numbers = stat_numbers(os.stat(os.path.join(reader._source.root, b"big")))
    part = part_of_big(held.upto if held is not None else 0)
    request = StreamRequest(b"big", bytes(32), offers.max_write, offers.sync, part_of=numbers, part=part)
    made = FileStream(request, SystemClock(), held)
    reader.begin(made)
    return made


@pytest.mark.parametrize("had", [True, False])
def test_large_file_arrives_aside_and_takes_its_place_at_the_end(far: Far, reader: ReadAhead, had: bool) -> None:
    if had:
        far.has("latest", b"x/big")
    assert far.do(far.writer.prepare(b"x/big", None)) == ArrivedPart()
    far.do(far.writer.upload(b"x/big", stream(far, reader), None))
    assert far.latest(b"x/big") == (OLD if had else None)
    far.do(finish(far.writer, b"x/big", shape(BIG), had=had))
    assert (far.latest(b"x/big"), far.earlier(b"x/big")) == (BIG, OLD if had else None)
    assert far.incoming == []


def test_large_file_that_came_short_takes_no_place(far: Far, reader: ReadAhead) -> None:
    far.has("latest", b"big")
    far.do(far.writer.prepare(b"big", None))
    far.do(far.writer.upload(b"big", stream(far, reader), None))
    with pytest.raises(Refused, match="arrived with 2000000 bytes instead of 2000001"):
        far.do(finish(far.writer, b"big", shape(BIG + b"!"), had=True))
    assert (far.latest(b"big"), far.earlier(b"big")) == (OLD, None)


def test_half_of_a_large_file_is_told_and_gone_on_with(far: Far, reader: ReadAhead) -> None:
    part = far.part(b"big")
    part.write_bytes(BIG[:1_300_000])
    held = far.do(far.writer.prepare(b"big", 1_000_000))
    assert (held.upto, held.tail) == (1_000_000, BIG[1_000_000:1_300_000])
    going = stream(far, reader, held)
    far.do(far.writer.upload(b"big", going, None))
    assert going.sent <= len(BIG) - 1_300_000 + 2 * far.base.place.offers.max_write  # pieces across the borders
    far.do(finish(far.writer, b"big", shape(BIG), had=False))
    assert far.latest(b"big") == BIG


@pytest.mark.parametrize("there", [None, b"short"])
def test_part_that_is_gone_or_shorter_than_it_was_is_begun_anew(far: Far, there: bytes | None) -> None:
    part = far.part(b"big")
    if there is not None:
        part.write_bytes(there)
    assert far.do(far.writer.prepare(b"big", 1000)) == ArrivedPart()
    assert part.read_bytes() == b""


def test_part_is_forgotten(far: Far) -> None:
    far.do(far.writer.prepare(b"big", None))
    assert len(far.incoming) == 1
    far.do(far.writer.forget_part(b"big"))
    far.do(far.writer.forget_part(b"big"))
    assert far.incoming == []


def test_older_version_of_another_size_is_not_copied_from(far: Far, reader: ReadAhead) -> None:
    far.has("latest", b"big")
    far.do(far.writer.prepare(b"big", None))
    with pytest.raises(PlaceError):
        far.do(far.writer.upload(b"big", stream(far, reader), len(OLD) + 1))


# -- symbolic links --


@pytest.mark.parametrize("had", [True, False])
@pytest.mark.parametrize("target", [b"a", b"../../outside", b"/etc/passwd", b"\xff\n"])
def test_link_is_made_and_an_older_one_stands_aside(far: Far, target: bytes, had: bool) -> None:
    path = far.path("latest", b"deep/link")
    if had:
        path.parent.mkdir()
        path.symlink_to("old")
    far.do(far.writer.symlink(b"deep/link", target, had))
    assert os.readlink(bytes(path)) == target
    assert far.path(f"earlier/{RUN}", b"deep/link").is_symlink() == had


def test_link_takes_the_place_of_what_nobody_knew_of(far: Far) -> None:
    far.has("latest", b"a")
    far.do(far.writer.symlink(b"a", b"x", had=False))
    assert (os.readlink(far.path("latest", b"a")), far.earlier(b"a")) == ("x", OLD)


# -- what became of it --

IN_PLACE, GONE, BEFORE = ChangeState.IN_PLACE, ChangeState.OLD_GONE, ChangeState.AS_BEFORE


@pytest.mark.parametrize(
    ("latest", "aside", "had", "wants", "found"),
    [
        # it was to go
        (OLD, None, True, False, BEFORE),
        (None, OLD, True, False, IN_PLACE),
        (None, None, True, False, IN_PLACE),
        # a new one was to come in place of an old one
        (OLD, None, True, True, BEFORE),
        (None, OLD, True, True, GONE),
        (NEW, OLD, True, True, IN_PLACE),
        (NEW[:-1], OLD, True, True, GONE),
        (None, None, True, True, GONE),
        # a new one was to come where there was none
        (None, None, False, True, GONE),
        (NEW, None, False, True, IN_PLACE),
        (OLD, None, False, True, BEFORE),
    ],
)
def test_what_became_of_an_unfinished_change(
    far: Far, latest: bytes | None, aside: bytes | None, had: bool, wants: bool, found: ChangeState
) -> None:
    """Invariant 8. A new file has its new time; an old one an old time."""
    if latest is not None:
        path = far.has("latest", b"a", latest)
        os.utime(path, (2, 1 if latest is OLD else 1_234_567_890))
    if aside is not None:
        far.has(f"earlier/{RUN}", b"a", aside)
    assert far.do(far.writer.standing(b"a", shape(NEW) if wants else None, had)) is found


@pytest.mark.parametrize("end", [".part", ".made"])
@pytest.mark.parametrize(("had", "found"), [(False, BEFORE), (True, GONE)])
def test_what_still_lies_where_it_came_to_has_not_taken_its_place(
    far: Far, had: bool, found: ChangeState, end: str
) -> None:
    """An older state of a large file may have the same size, and the same time to the second."""
    os.utime(far.has("latest", b"a", NEW), (2, 1_234_567_890))
    if had:
        far.has(f"earlier/{RUN}", b"a", OLD)
    assert far.do(far.writer.standing(b"a", shape(NEW), had)) is ChangeState.IN_PLACE
    far.do(far.writer.prepare(b"a", None))
    (part,) = far.incoming
    assert part.endswith(".part")
    (far.here / "incoming" / part).rename(far.here / "incoming" / part.replace(".part", end))
    assert far.do(far.writer.standing(b"a", shape(NEW), had)) is found


def test_one_file_under_both_names_is_not_the_new_one(far: Far) -> None:
    """A server that renames by linking and unlinking was killed between the two, and the sizes are alike."""
    path = far.has("latest", b"a")
    (far.here / "earlier" / RUN).mkdir(parents=True)
    far.path(f"earlier/{RUN}", b"a").hardlink_to(path)
    same_size = OLD[::-1]
    assert far.do(far.writer.standing(b"a", shape(same_size), had=True)) is ChangeState.OLD_GONE
    far.do(put(far.writer, b"a", same_size, shape(same_size), had=False))
    assert (far.latest(b"a"), far.earlier(b"a")) == (same_size, OLD)
