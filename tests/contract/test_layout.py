"""The contract of a Layout and its Keeper, over every kind of place: the newest copy changes, and no kept version does.

Each change is tried also where a run before it, or this one before its connection broke, had done half of it.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import Damaged, FarTrouble, NotOffered, PlaceError, Refused
from otherroof.copying.send.stream import FileStream, ReadAhead, StreamRequest
from otherroof.far.place import run_script
from otherroof.far.requests import Script, T
from otherroof.far_copy.listing_key import ListingKey
from otherroof.far_copy.ports import ArrivedPart, ChangeState, ContentLocation, FileProperties, Keeper
from otherroof.far_copy.state import CopyState
from otherroof.layouts.open.keeper import HomeIdentity, OpenKeeper
from otherroof.layouts.open.writer import OpenWriter
from support.places import Standing as StandingPlace
from support.trees import Tree, blocks_of, line_of

RUN, NEXT = "2031-04-05T013000Z-0001", "2031-04-06T013000Z-0002"
KEY = ListingKey(bytes(range(32)))
OLD, NEW = b"what was there", b"what comes now, a little longer"
NAMES = (b"a", b"deep/down/a", b"\xff\n/\xfe", b"n" * 255)


class Far:
    """A job's far folder, driven by a layout, and seen from this machine."""

    def __init__(self, base: StandingPlace, name: str, scratch: Path) -> None:
        self.base, self.name = base, name
        self.here = base.here / name
        self.scratch = scratch
        (self.here / "latest").mkdir(parents=True)
        (self.here / "incoming").mkdir()
        self.layout = OpenWriter(base.place, name, RUN)

    def do(self, script: Script[T]) -> T:
        return run_script(self.base.place, script)

    def keeper(self, key: ListingKey = KEY) -> OpenKeeper:
        return OpenKeeper(self.base.place, self.name, HomeIdentity("larch", key, str(self.scratch)))

    def path(self, where: str, name: bytes) -> Path:
        return self.here / where / os.fsdecode(name)

    def has(self, where: str, name: bytes, content: bytes | None = OLD) -> Path:
        """Let something stand there: a file, or a folder where `content` is None."""
        path = self.path(where, name)
        path.parent.mkdir(parents=True, exist_ok=True)
        if content is None:
            path.mkdir()
        else:
            path.write_bytes(content)
            os.utime(path, (1, 1))
        return path

    def latest(self, name: bytes) -> bytes | None:
        return self._read(self.path("latest", name))

    def earlier(self, name: bytes, run: str = RUN) -> bytes | None:
        return self._read(self.path(f"earlier/{run}", name))

    def _read(self, path: Path) -> bytes | None:
        return path.read_bytes() if path.is_file() else None

    @property
    def incoming(self) -> list[str]:
        return sorted(path.name for path in (self.here / "incoming").iterdir())


@pytest.fixture
def far(base: StandingPlace, request: pytest.FixtureRequest, tmp_path: Path) -> Far:
    return Far(base, f"j{abs(hash(request.node.nodeid)):x}", tmp_path)


def shape(content: bytes, mtime: int = 1_234_567_890) -> FileProperties:
    return FileProperties(len(content), 0o640, mtime)


# -- a file comes --


@pytest.mark.parametrize("name", NAMES, ids=repr)
def test_new_file_stands_whole_with_rights_and_time(far: Far, name: bytes) -> None:
    far.do(far.layout.put(name, NEW, shape(NEW), had=False))
    found = far.path("latest", name).stat()
    assert far.latest(name) == NEW
    assert (found.st_mode & 0o777, int(found.st_mtime)) == (0o640, 1_234_567_890)
    assert not (far.here / "earlier").exists()
    assert far.incoming == []


@pytest.mark.parametrize("name", NAMES, ids=repr)
def test_what_it_replaces_stands_aside(far: Far, name: bytes) -> None:
    """Invariant 2."""
    far.has("latest", name)
    far.do(far.layout.put(name, NEW, shape(NEW), had=True))
    assert (far.latest(name), far.earlier(name)) == (NEW, OLD)


def test_large_content_goes_in_several_writes(far: Far) -> None:
    content = os.urandom(900_000)
    far.do(far.layout.put(b"a", content, shape(content), had=False))
    assert far.latest(b"a") == content


def test_what_nobody_knew_of_is_moved_aside_too(far: Far) -> None:
    far.has("latest", b"a")
    far.has("latest", b"f/inside")
    far.do(far.layout.put(b"a", NEW, shape(NEW), had=False))
    far.do(far.layout.put(b"f", NEW, shape(NEW), had=False))
    assert (far.latest(b"a"), far.earlier(b"a")) == (NEW, OLD)
    assert (far.latest(b"f"), far.earlier(b"f/inside")) == (NEW, OLD)


@pytest.mark.parametrize("had", [True, False])
def test_where_this_run_put_something_before_only_the_first_is_kept(far: Far, had: bool) -> None:
    """A broken connection can leave the change done and not known: it is then made once more."""
    far.has("latest", b"a", b"half way")
    far.has(f"earlier/{RUN}", b"a")
    far.do(far.layout.put(b"a", NEW, shape(NEW), had=had))
    assert (far.latest(b"a"), far.earlier(b"a")) == (NEW, OLD)


def test_where_a_folder_was_moved_aside_before_a_file_still_comes(far: Far) -> None:
    far.has(f"earlier/{RUN}", b"a/inside")
    far.has("latest", b"a/later", b"litter")
    far.do(far.layout.put(b"a", NEW, shape(NEW), had=False))
    assert (far.latest(b"a"), far.earlier(b"a/inside"), far.earlier(b"a/later")) == (NEW, OLD, b"litter")


def test_litter_of_a_cut_run_under_the_name_it_arrives_by_is_no_hindrance(far: Far) -> None:
    part = far.base.here / os.fsdecode(far.layout.paths.part(b"a"))
    kept = far.has(f"earlier/{NEXT}", b"kept")
    part.hardlink_to(kept)  # the worst: it shares its content with what a version needs
    far.do(far.layout.put(b"a", NEW, shape(NEW), had=False))
    assert (far.latest(b"a"), kept.read_bytes()) == (NEW, OLD)


# -- a file goes --


@pytest.mark.parametrize("name", NAMES, ids=repr)
def test_what_goes_stands_aside(far: Far, name: bytes) -> None:
    far.has("latest", name)
    far.do(far.layout.aside(name))
    assert (far.latest(name), far.earlier(name)) == (None, OLD)


def test_what_is_gone_already_is_no_trouble(far: Far) -> None:
    far.do(far.layout.aside(b"a"))
    far.do(far.layout.drop_folder(b"f"))


def test_folder_is_dropped_only_when_it_is_empty(far: Far) -> None:
    far.has("latest", b"f", None)
    far.has("latest", b"g/inside")
    far.do(far.layout.drop_folder(b"f"))
    far.do(far.layout.drop_folder(b"g"))
    assert not far.path("latest", b"f").exists()
    assert far.latest(b"g/inside") == OLD


def test_folders_are_made_and_what_stands_in_the_way_is_moved_aside(far: Far) -> None:
    far.has("latest", b"there", None)
    far.has("latest", b"file")
    far.do(far.layout.make_folders([b"new", b"new/below", b"there", b"file", b"file/below"]))
    assert all(far.path("latest", name).is_dir() for name in (b"new/below", b"there", b"file/below"))
    assert far.earlier(b"file") == OLD


# -- content that is there --


def wanted(far: Far) -> bool:
    """Whether this place can make a file from another one."""
    return far.layout.can_make_from_far


@pytest.mark.parametrize("had", [True, False])
def test_file_is_made_from_another_that_stays(far: Far, had: bool) -> None:
    far.has("latest", b"b", NEW)
    if had:
        far.has("latest", b"deep/a")
    make = far.layout.make_from(b"deep/a", ContentLocation(b"b"), shape(NEW), had=had)
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
    far.do(far.layout.make_from(b"a", where, shape(NEW), had=False))
    assert far.latest(b"a") == NEW


def test_what_was_made_shares_nothing_that_is_written_to_later(far: Far) -> None:
    """Invariant 2: a second name and its file part when either of them changes."""
    if not wanted(far):
        return
    far.has("latest", b"b", OLD)
    far.do(far.layout.make_from(b"a", ContentLocation(b"b"), shape(OLD), had=False))
    far.do(far.layout.put(b"a", NEW, shape(NEW), had=True))
    assert (far.latest(b"b"), far.latest(b"a"), far.earlier(b"a")) == (OLD, NEW, OLD)


@pytest.mark.parametrize("size", ["gone", "shorter", "longer"])
def test_content_that_is_not_what_it_should_be_is_refused_and_the_old_stays(far: Far, size: str) -> None:
    if not wanted(far):
        return
    if size != "gone":
        far.has("latest", b"b", NEW[:-1] if size == "shorter" else NEW + b"!")
    far.has("latest", b"a")
    with pytest.raises(PlaceError):
        far.do(far.layout.make_from(b"a", ContentLocation(b"b"), shape(NEW), had=True))
    assert (far.latest(b"a"), far.earlier(b"a")) == (OLD, None)


def digest(content: bytes) -> bytes:
    return hashlib.blake2b(content, digest_size=32).digest()


def test_content_is_adopted_only_when_every_byte_is_right(far: Far) -> None:
    """Invariant 3."""
    far.has("latest", b"a", NEW)
    assert far.do(far.layout.adopt(b"a", shape(NEW), digest(NEW)))
    assert not far.do(far.layout.adopt(b"a", shape(NEW), digest(NEW[::-1])))
    assert not far.do(far.layout.adopt(b"a", shape(NEW + b"!"), digest(NEW + b"!")))
    assert not far.do(far.layout.adopt(b"none", shape(NEW), digest(NEW)))
    far.has("latest", b"f", None)
    assert not far.do(far.layout.adopt(b"f", shape(NEW), digest(NEW)))


# -- large files --

BIG = os.urandom(2_000_000)


@pytest.fixture
def reader(tmp_path: Path) -> Iterator[ReadAhead]:
    (tmp_path / "home").mkdir()
    (tmp_path / "home/big").write_bytes(BIG)
    made = ReadAhead(bytes(tmp_path / "home"), SystemClock())
    yield made
    made.close()


def stream(far: Far, reader: ReadAhead, held: ArrivedPart | None = None) -> FileStream:
    offers = far.base.place.offers
    made = FileStream(StreamRequest(b"big", bytes(32), offers.max_write, offers.sync), SystemClock(), held)
    reader.begin(made)
    return made


@pytest.mark.parametrize("had", [True, False])
def test_large_file_arrives_aside_and_takes_its_place_at_the_end(far: Far, reader: ReadAhead, had: bool) -> None:
    if had:
        far.has("latest", b"x/big")
    assert far.do(far.layout.prepare(b"x/big", None)) == ArrivedPart()
    far.do(far.layout.upload(b"x/big", stream(far, reader), None))
    assert far.latest(b"x/big") == (OLD if had else None)
    far.do(far.layout.finish(b"x/big", shape(BIG), had=had))
    assert (far.latest(b"x/big"), far.earlier(b"x/big")) == (BIG, OLD if had else None)
    assert far.incoming == []


def test_large_file_that_came_short_takes_no_place(far: Far, reader: ReadAhead) -> None:
    far.has("latest", b"big")
    far.do(far.layout.prepare(b"big", None))
    far.do(far.layout.upload(b"big", stream(far, reader), None))
    with pytest.raises(Refused, match="arrived with 2000000 bytes instead of 2000001"):
        far.do(far.layout.finish(b"big", shape(BIG + b"!"), had=True))
    assert (far.latest(b"big"), far.earlier(b"big")) == (OLD, None)


def test_half_of_a_large_file_is_told_and_gone_on_with(far: Far, reader: ReadAhead) -> None:
    part = far.base.here / os.fsdecode(far.layout.paths.part(b"big"))
    part.write_bytes(BIG[:1_300_000])
    held = far.do(far.layout.prepare(b"big", 1_000_000))
    assert (held.upto, held.tail) == (1_000_000, BIG[1_000_000:1_300_000])
    going = stream(far, reader, held)
    far.do(far.layout.upload(b"big", going, None))
    assert going.sent <= len(BIG) - 1_300_000 + 2 * far.base.place.offers.max_write  # pieces across the borders
    far.do(far.layout.finish(b"big", shape(BIG), had=False))
    assert far.latest(b"big") == BIG


@pytest.mark.parametrize("there", [None, b"short"])
def test_part_that_is_gone_or_shorter_than_it_was_is_begun_anew(far: Far, there: bytes | None) -> None:
    part = far.base.here / os.fsdecode(far.layout.paths.part(b"big"))
    if there is not None:
        part.write_bytes(there)
    assert far.do(far.layout.prepare(b"big", 1000)) == ArrivedPart()
    assert part.read_bytes() == b""


def test_part_is_forgotten(far: Far) -> None:
    far.do(far.layout.prepare(b"big", None))
    assert len(far.incoming) == 1
    far.do(far.layout.forget_part(b"big"))
    far.do(far.layout.forget_part(b"big"))
    assert far.incoming == []


def test_older_version_of_another_size_is_not_copied_from(far: Far, reader: ReadAhead) -> None:
    far.has("latest", b"big")
    far.do(far.layout.prepare(b"big", None))
    with pytest.raises(PlaceError):
        far.do(far.layout.upload(b"big", stream(far, reader), len(OLD) + 1))


# -- symbolic links --


@pytest.mark.parametrize("had", [True, False])
@pytest.mark.parametrize("target", [b"a", b"../../outside", b"/etc/passwd", b"\xff\n"])
def test_link_is_made_and_an_older_one_stands_aside(far: Far, target: bytes, had: bool) -> None:
    path = far.path("latest", b"deep/link")
    if had:
        path.parent.mkdir()
        path.symlink_to("old")
    far.do(far.layout.symlink(b"deep/link", target, had))
    assert os.readlink(bytes(path)) == target
    assert far.path(f"earlier/{RUN}", b"deep/link").is_symlink() == had


def test_link_takes_the_place_of_what_nobody_knew_of(far: Far) -> None:
    far.has("latest", b"a")
    far.do(far.layout.symlink(b"a", b"x", had=False))
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
    assert far.do(far.layout.standing(b"a", shape(NEW) if wants else None, had)) is found


def test_one_file_under_both_names_is_not_the_new_one(far: Far) -> None:
    """A server that renames by linking and unlinking was killed between the two, and the sizes are alike."""
    path = far.has("latest", b"a")
    (far.here / "earlier" / RUN).mkdir(parents=True)
    far.path(f"earlier/{RUN}", b"a").hardlink_to(path)
    same_size = OLD[::-1]
    assert far.do(far.layout.standing(b"a", shape(same_size), had=True)) is ChangeState.OLD_GONE
    far.do(far.layout.put(b"a", same_size, shape(same_size), had=False))
    assert (far.latest(b"a"), far.earlier(b"a")) == (same_size, OLD)


# -- the copy as a whole --

TREE: Tree = {b"a": (1, 1, 2, 3, 0o100644), b"b": (2, 0, 2, 3, 0o40755), b"b/\xff": (3, 2, 2, 3, 0o100644)}


def commit(keeper: Keeper, run: str, *, same_as: str = "") -> None:
    keeper.begin(run, keeper.view())
    facts = CopyState(run, keeper.home_id, files=2, size=3, whole_run=same_as or run)
    keeper.commit(facts, () if same_as else blocks_of(TREE), "2031-04-05T01:30:00Z")


def test_nobody_was_there_yet(far: Far) -> None:
    (far.here / "latest").rmdir()
    (far.here / "incoming").rmdir()
    far.here.rmdir()
    view = far.keeper().view()
    assert (view.mark, view.runs, view.earlier, view.under_way, view.newest, view.cut) == ("", [], [], [], "", [])


def test_run_counts_from_its_commit_on_and_not_before(far: Far) -> None:
    """Invariant 1."""
    keeper = far.keeper()
    keeper.begin(RUN, keeper.view())
    view = far.keeper().view()
    assert (view.mark, view.runs, view.cut) == (keeper.home_id, [], [RUN])
    commit(keeper, RUN)
    view = far.keeper().view()
    assert (view.runs, view.newest, view.cut) == ([RUN], RUN, [])
    assert list(keeper.lines(RUN)) == [line_of(path, TREE[path]) for path in sorted(TREE)]
    keeper.tidy(view, RUN)
    assert far.incoming == []


def test_run_without_changes_points_to_the_lines_of_another(far: Far) -> None:
    keeper = far.keeper()
    commit(keeper, RUN)
    commit(keeper, NEXT, same_as=RUN)
    assert list(keeper.lines(NEXT)) == list(keeper.lines(RUN))
    (far.here / "runs" / f"{RUN}.jsonl.gz").unlink()
    with pytest.raises(Damaged, match=RUN):
        list(keeper.lines(NEXT))


def test_begun_twice_and_committed_twice_is_no_trouble(far: Far) -> None:
    keeper = far.keeper()
    for _ in range(2):
        keeper.begin(RUN, keeper.view())
    commit(keeper, RUN)
    keeper.begin(NEXT, replace(keeper.view(), ready=False))
    assert keeper.view().cut == [NEXT]


def test_half_written_listing_of_a_cut_run_is_no_hindrance(far: Far) -> None:
    keeper = far.keeper()
    keeper.begin(RUN, keeper.view())
    far.has("incoming", f"{RUN}.jsonl.gz".encode(), b"half")
    commit(keeper, RUN)
    assert len(list(keeper.lines(RUN))) == 3


def test_note_for_people_names_home_and_job_and_how_to_get_files_back(far: Far) -> None:
    keeper = far.keeper()
    keeper.begin(RUN, keeper.view())
    note = (far.here / "READ-ME-FIRST.txt").read_text()
    for word in (far.name, "larch", "latest/", "earlier/", "zcat", "b2sum -l 256", f"otherroof restore {far.name}"):
        assert word in note


NOTES = {
    "home mark: 0123456789abcdef\n": "another home's folder",
    "no mark at all": "not say whose",
    "": "not say whose",
}


@pytest.mark.parametrize(("note", "why"), NOTES.items())
def test_folder_with_anothers_mark_or_none_is_refused(far: Far, note: str, why: str) -> None:
    """Invariant 5."""
    (far.here / "READ-ME-FIRST.txt").write_text(note)
    with pytest.raises(FarTrouble, match=why):
        far.keeper().view()


def test_what_a_run_moved_aside_is_walked_whole(far: Far) -> None:
    for name in NAMES:
        far.has(f"earlier/{RUN}", name)
    far.path(f"earlier/{RUN}", b"link").symlink_to("x")
    far.has(f"earlier/{RUN}", b"empty", None)
    assert sorted(far.keeper().moved_aside(RUN)) == sorted((*NAMES, b"link"))
    assert list(far.keeper().moved_aside(NEXT)) == []


def test_what_the_newest_copy_holds_is_read_back(far: Far) -> None:
    far.has("latest", b"a", BIG)
    far.has("latest", b"f", None)
    far.path("latest", b"link").symlink_to("a")
    keeper = far.keeper()
    assert keeper.held_now(b"a") == digest(BIG)
    assert [keeper.held_now(name) for name in (b"f", b"link", b"none")] == [None, None, None]


def test_tidying_takes_what_was_half_sent_and_nothing_else(far: Far) -> None:
    keeper = far.keeper()
    commit(keeper, RUN)
    far.has("incoming", b"0123456789abcdef.part")
    far.has("incoming", b"0123456789abcdef.made")
    far.has("latest", b"a")
    view = keeper.view()
    far.has("incoming", b"later.part")  # it came after this view, so it may be somebody's
    keeper.tidy(view, RUN)
    assert (far.incoming, far.latest(b"a")) == (["later.part"], OLD)
    assert keeper.view().runs == [RUN]
