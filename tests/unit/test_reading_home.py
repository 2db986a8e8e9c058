"""What is read at home while others write there: a link, a pipe or a change in the wrong moment leads nowhere else."""

from __future__ import annotations

import json
import os
import tracemalloc
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import Damaged, HomeTrouble, WrongSettings
from otherroof.copying.home import read
from otherroof.copying.home.chunk_lists import ChunkStore
from otherroof.copying.home.chunks import ChunkList
from otherroof.copying.home.read import ChangedWhileRead, SourceFolder, Unreadable, holes, stat_numbers
from otherroof.copying.home.scan import Scan, ScanNotes
from otherroof.far_copy.entry import MOST_ATTRIBUTES, attributes_that_fit, is_safe, parse_line
from otherroof.far_copy.keeper import remove_scratch_of
from otherroof.far_copy.listing import Header, check_listing, entries, gzip_member, header_in, write_listing
from otherroof.far_copy.listing_key import ListingKey, read_key, read_or_make_key
from otherroof.far_copy.numbers import CTIME, HARD, MODE, SIZE

KEY = ListingKey(bytes(range(32)))
RUN = "2031-04-05T013000Z-0001"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "home"
    made.mkdir()
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside/secret").write_bytes(b"not of this folder")
    return made


@pytest.fixture
def source(folder: Path) -> Iterator[SourceFolder]:
    with closing(SourceFolder(os.fsencode(folder), SystemClock())) as made:
        yield made


# -- what stands in the place of a file --


@pytest.mark.parametrize("deed", ["open", "read_small", "digest", "head", "describe_file"])
@pytest.mark.parametrize("kind", ["a link", "a folder that is a link"])
def test_a_link_in_a_files_place_is_not_followed(folder: Path, source: SourceFolder, deed: str, kind: str) -> None:
    """Invariant 7, in spirit: what lies elsewhere was not meant to be copied."""
    if kind == "a link":
        (folder / "secret").symlink_to("../outside/secret")
        path = b"secret"
    else:
        (folder / "f").symlink_to("../outside")
        path = b"f/secret"
    more: dict[str, tuple[Any, ...]] = {"read_small": (1000,), "head": (10,)}
    with pytest.raises(Unreadable):
        getattr(source, deed)(path, *more.get(deed, ()))


def test_a_pipe_in_a_files_place_stops_nothing(folder: Path, source: SourceFolder) -> None:
    os.mkfifo(folder / "pipe")
    os.close(source.open(b"pipe"))
    with pytest.raises(Unreadable, match="no file"):
        source.describe_file(b"pipe")


def test_the_scan_goes_into_no_link(folder: Path) -> None:
    (folder / "f").symlink_to("../outside")
    (folder / "g").mkdir()
    (folder / "g/a").write_bytes(b"")
    real = os.open

    def race(path: Any, flags: int, *more: Any, **named: Any) -> int:
        if path == b"g":  # between the look at `g` and the step into it
            os.rename(folder / "g", folder / "h")
            os.symlink("../outside", folder / "g")
        return real(path, flags, *more, **named)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("otherroof.copying.home.scan.os.open", race)
        names = [name for batch in Scan(os.fsencode(folder)) for name in batch.names]
    assert b"secret" not in names


@pytest.mark.parametrize(
    ("blind", "path", "is_blind"),
    [
        ({b"f"}, b"f", True),
        ({b"f"}, b"f/a/b", True),
        ({b"f"}, b"fa", False),
        ({b"f/a"}, b"f", False),
        (set(), b"f", False),
    ],
)
def test_what_could_not_be_read_is_blind_with_all_below_it(blind: set[bytes], path: bytes, is_blind: bool) -> None:
    assert ScanNotes(blind=blind).is_blind(path) is is_blind


# -- a file that changes meanwhile --


def written_meanwhile(monkeypatch: pytest.MonkeyPatch, path: Path, change: Callable[[], None]) -> None:
    """After each first read of a file, `change` is made to it."""
    real = os.read

    def with_change(handle: int, size: int) -> bytes:
        data = real(handle, size)
        change()
        return data

    monkeypatch.setattr(read.os, "read", with_change)
    monkeypatch.setattr(read, "READ_PAUSE_S", 0.0)


@pytest.mark.parametrize("deed", ["read_small", "digest"])
def test_what_never_stands_still_is_not_taken(
    folder: Path, source: SourceFolder, monkeypatch: pytest.MonkeyPatch, deed: str
) -> None:
    path = folder / "log"
    path.write_bytes(b"0123456789")
    times = iter(range(1, 100))

    def touch() -> None:
        path.write_bytes(b"9876543210")  # as long as before
        os.utime(path, ns=(next(times) * 10**9,) * 2)

    written_meanwhile(monkeypatch, path, touch)
    with pytest.raises(ChangedWhileRead):
        source.read_small(b"log", 1000) if deed == "read_small" else source.digest(b"log")


def test_five_numbers_of_a_file_tell_every_change_and_a_second_name(folder: Path) -> None:
    path = folder / "a"
    path.write_bytes(b"abc")
    found = os.stat(path)
    one = stat_numbers(found)
    assert (one[SIZE], one[CTIME], one[MODE]) == (3, found.st_ctime_ns, found.st_mode)
    (folder / "b").hardlink_to(path)
    assert stat_numbers(os.stat(path))[MODE] == found.st_mode | HARD
    assert stat_numbers(os.stat(folder))[SIZE] == 0
    assert not stat_numbers(os.stat(folder))[MODE] & HARD


# -- holes --


def test_holes_end_with_the_file_and_reading_begins_at_its_beginning(folder: Path, source: SourceFolder) -> None:
    block = 65536
    with open(folder / "sparse", "wb") as file:
        file.write(b"x" * block)
        file.truncate(3 * block)
    handle = source.open(b"sparse")
    try:
        assert holes(handle, 3 * block) == ((block, 2 * block),)
        assert holes(handle, 2 * block) == ((block, block),), "as long as it was when it was looked at"
        assert os.read(handle, 3) == b"xxx"
    finally:
        os.close(handle)
    assert source.describe_file(b"sparse")[0].holes == ((block, 2 * block),)


def test_a_hole_ends_where_the_file_did_when_it_was_looked_at(folder: Path, source: SourceFolder) -> None:
    """It has grown since, with content behind the hole."""
    block = 65536
    with open(folder / "sparse", "wb") as file:
        file.write(b"x" * block)
        file.seek(3 * block)
        file.write(b"x" * block)
    handle = source.open(b"sparse")
    try:
        assert holes(handle, 4 * block) == ((block, 2 * block),)
        assert holes(handle, 2 * block) == ((block, block),)
    finally:
        os.close(handle)


# -- chunk lists --


def test_a_chunk_list_is_of_one_content_and_moves_with_its_file(tmp_path: Path) -> None:
    lists = {name: ChunkList(1024) for name in ("one", "other")}
    for number, chunks in enumerate(lists.values(), 1):
        chunks.add(number, bytes([number]) * 16)
    with (
        closing(ChunkStore(str(tmp_path / "chunks.db"))) as store,
        closing(ChunkStore(str(tmp_path / "2.db"))) as second,
    ):
        assert len(store.key) == 32
        assert store.key not in (bytes(32), second.key)
        store.put(b"a", b"one", lists["one"])
        store.put(b"b", b"other", lists["other"])
        assert store.get(b"a", b"other") is None
        store.moved(b"a", b"b")
        assert store.get(b"a", b"one") is None
        found = store.get(b"b", b"one")
        assert found is not None
        assert list(found) == list(lists["one"])
        store._db.execute("UPDATE chunks SET list = list || x'00'")
        assert store.get(b"b", b"one") is None, "damaged"


# -- what a listing's line may be --


@pytest.mark.parametrize("path", [b"", b"..", b".", b"a/../b", b"/a", b"a//b", b"a/", b"a\0b", b"./a"])
def test_a_path_that_leads_out_or_elsewhere_is_none(path: bytes) -> None:
    """Invariant 5."""
    assert not is_safe(path)
    assert is_safe(b"..a/b..")


def line(**more: Any) -> bytes:
    usual = {
        "path": "a",
        "kind": "file",
        "size": 1,
        "mtime_ns": 1,
        "mode": "0644",
        "uid": 1,
        "gid": 1,
        "user": "",
        "group": "",
    }
    return json.dumps(usual | more).encode()


@pytest.mark.parametrize("more", [{"kind": "pipe"}, {"size": -1}, {"path": "../a"}, {"path64": "!!!!", "path": None}])
def test_a_line_that_cannot_be_is_damage(more: dict[str, Any]) -> None:
    given = line(**more) if more.get("path", "") is not None else line(**more).replace(b'"path": null, ', b"")
    with pytest.raises(Damaged):
        parse_line(given)
    assert parse_line(line(mode="0106755")).mode == 0o6755, "kinds are no rights"


def test_attributes_beyond_a_line_are_left_out_by_their_sum() -> None:
    half = MOST_ATTRIBUTES // 2
    kept, left_out = attributes_that_fit(["user.a", "user.b", "user.c"], lambda _: bytes(half - 10))
    assert (list(kept), left_out) == (["user.a", "user.b"], ("user.c",))
    assert MOST_ATTRIBUTES == 128 * 1024


@pytest.mark.parametrize(
    "more", [{"holes": ((5, 6),)}, {"left_out": ("user.large",)}, {"first": b"b"}, {"xattrs": {"user.a": b"\0"}}]
)
def test_what_an_entry_holds_is_in_its_line(more: dict[str, Any]) -> None:
    entry = parse_line(line())
    for name, value in more.items():
        setattr(entry, name, value)
    assert parse_line(entry.line().encode()) == entry


# -- listings --


class Part:
    """Some lines as a listing stores them."""

    def __init__(self, *lines: bytes) -> None:
        self.count, self._text = len(lines), b"".join(one + b"\n" for one in lines)
        self.lines = gzip_member(self._text)

    def text(self) -> bytes:
        return self._text


def listing(path: Path, *lines: bytes, job: str = "photos", run: str = RUN, **more: Any) -> str:
    header = Header(job, run, "larch", KEY.home_id, "2031-04-05T01:30:00Z", "open", len(lines), 1, **more)
    write_listing(str(path), header, [Part(*lines)], KEY)
    return str(path)


def test_a_listing_is_of_its_job_and_run_and_of_a_format_that_is_known(tmp_path: Path) -> None:
    good = listing(tmp_path / "good", line(), line(path="b"))
    assert [entry.path for entry in entries(good, "x")] == [b"a", b"b"], "the first and the last too"
    check_listing(good, KEY, "photos", RUN)
    for wrong in ({"job": "papers"}, {"run": RUN.replace("0001", "0002")}):
        with pytest.raises(Damaged, match="belongs to"):
            check_listing(listing(tmp_path / "wrong", line(), **wrong), KEY, "photos", RUN)
    with pytest.raises(Damaged, match="newer"):
        check_listing(listing(tmp_path / "new", line(), format=99), KEY, "photos", RUN)
    with pytest.raises(Damaged, match="changed"):
        check_listing(good, ListingKey(bytes(32)), "photos", RUN)


def test_every_line_is_under_the_digest(tmp_path: Path) -> None:
    class Swapped(Part):
        def text(self) -> bytes:
            return Part(line(), line(path="b")).text()

    header = Header("photos", RUN, "larch", KEY.home_id, "2031-04-05T01:30:00Z", "open", 2, 1)
    path = str(tmp_path / "listing")
    write_listing(path, header, [Swapped(line(), line(path="c"))], KEY)
    with pytest.raises(Damaged, match="changed"):
        check_listing(path, KEY, "photos", RUN)


def test_a_listing_is_on_this_disk_before_it_is_sent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced: list[int] = []
    monkeypatch.setattr("otherroof.far_copy.listing.os.fsync", lambda handle: synced.append(os.fstat(handle).st_size))
    path = listing(tmp_path / "listing", line())
    assert synced == [os.path.getsize(path)]


def test_a_header_that_unpacks_without_end_is_bounded() -> None:
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    bomb = packer.compress(bytes(64 * 1024 * 1024)) + packer.flush()
    tracemalloc.start()
    with pytest.raises(Damaged):
        header_in(bomb, "x")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 16 * 1024 * 1024


def test_what_packs_too_well_for_its_readers_is_stored_as_it_is() -> None:
    zeros = bytes(100_000)
    assert len(gzip_member(zeros)) > len(zeros) / 200
    assert len(gzip_member(b"ordinary words " * 100)) < 500


# -- the listing key --


def test_a_key_that_stands_is_never_made_anew_and_a_new_one_is_drawn(tmp_path: Path) -> None:
    key, made = read_or_make_key(str(tmp_path / "keys/listing"))
    again, made_again = read_or_make_key(str(tmp_path / "keys/listing"))
    other, _ = read_or_make_key(str(tmp_path / "keys/other"))
    assert (made, made_again, key.secret) == (True, False, again.secret)
    assert len(key.secret) == 32
    assert key.secret not in (bytes(32), other.secret)


@pytest.mark.parametrize(("mode", "text"), [(0o644, "00" * 32), (0o600, "00" * 31), (0o600, ""), (0o600, "no hex")])
def test_a_key_that_others_can_read_or_of_another_length_is_refused(tmp_path: Path, mode: int, text: str) -> None:
    path = tmp_path / "listing"
    path.write_text(text)
    path.chmod(mode)
    with pytest.raises((WrongSettings, HomeTrouble)):
        read_key(str(path))


def test_only_this_jobs_scratch_is_swept(tmp_path: Path) -> None:
    mine = ["photos.0123abcd.listing", "photos.0123abcd.outgoing", "photos.0123abcd.listing.aside.db"]
    others = ["photos.old.0123abcd.listing", "photos2.0123abcd.listing", "photos.0123abcd.db", "photos.xyz.listing"]
    for name in (*mine, *others):
        (tmp_path / name).write_bytes(b"")
    remove_scratch_of("photos", str(tmp_path))
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(others)


def test_no_word_about_a_listing_key_has_its_bytes() -> None:
    """Invariant 7: whatever is logged or shown in an error."""
    secret = b"k" * 32
    said = f"{ListingKey(secret)!r} {ListingKey(secret)}"
    assert secret.decode() not in said
    assert secret.hex() not in said


def test_a_name_that_is_no_base64_is_damage_and_no_other_name() -> None:
    line = b'{"path64":"YQ=%s","kind":"file","size":0,"mtime_ns":1,"mode":"0644","uid":0,"gid":0,"user":"","group":""'
    line += b',"digest":"' + b"0" * 64 + b'"}'
    assert parse_line(line.replace(b"%s", b"=")).path == b"a"
    with pytest.raises(Damaged):
        parse_line(line.replace(b"%s", b"=!"))
