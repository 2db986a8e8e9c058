"""The smaller parts of a drill, each by itself: the comparison, and the part of a version that comes back."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from otherroof.base.clock import SteppedClock, SystemClock
from otherroof.copying.home.read import SourceFolder, new_digest
from otherroof.far_copy.entry import Entry
from otherroof.restore.drilling.choice import room_of
from otherroof.restore.drilling.compare import compare_restored
from otherroof.restore.drilling.part import Pace, TimedReader

OLD_NS = 1_900_000_000 * 10**9


def entry(path: bytes, content: bytes = b"copied") -> Entry:
    digest = new_digest()
    digest.update(content)
    return Entry(path, "file", len(content), OLD_NS, 0o644, 0, 0, digest=digest.digest())


def put(folder: Path, name: str, content: bytes, mtime_ns: int = OLD_NS) -> None:
    folder.mkdir(exist_ok=True)
    (folder / name).write_bytes(content)
    os.utime(folder / name, ns=(mtime_ns, mtime_ns))


def test_what_came_back_is_held_against_the_listing_and_what_is_at_home(tmp_path: Path) -> None:
    back, home = tmp_path / "back", tmp_path / "home"
    for name in ("same", "decayed", "edited", "gone"):
        put(back, name, b"copied")
    put(back, "wrong", b"damage")
    put(back, "short", b"copie")
    put(home, "same", b"copied")
    put(home, "decayed", b"rotten")
    put(home, "edited", b"edited", OLD_NS + 10**9)
    os.symlink("elsewhere", back / "link")
    os.symlink("there", back / "good link")
    entries = [entry(name) for name in (b"same", b"decayed", b"edited", b"gone", b"wrong", b"short", b"not drawn")]
    entries += [Entry(name, "link", 0, OLD_NS, 0o777, 0, 0, target=b"there") for name in (b"link", b"good link")]
    with (
        closing(SourceFolder(os.fsencode(back), SystemClock())) as restored,
        closing(SourceFolder(os.fsencode(home), SystemClock())) as source,
    ):
        found = compare_restored(entries, restored, source, lambda: None)
    assert sorted((one.path, one.why.split(", ", 1)[1]) for one in found.wrong) == [
        ("link", "but is not the link that the listing names"),
        ("short", "but has another size on this disk than the listing says"),
        ("wrong", "but has other content on this disk"),
    ]
    assert [one.path for one in found.odd] == ["decayed"]
    assert (found.same_at_home, found.changed_at_home, found.gone_at_home) == (1, 1, 1)


def test_a_file_takes_whole_blocks_and_one_more_for_its_name() -> None:
    assert [room_of(entry(b"a", bytes(size))) for size in (0, 1, 4096, 4097)] == [4096, 8192, 8192, 12288]


class Whole(SimpleNamespace):
    """A version of which any range comes in two pieces."""

    def entries(self) -> Iterator[Entry]:
        folders = [Entry(path, "folder", 0, OLD_NS, 0o755, 0, 0) for path in (b"a", b"a/b", b"z")]
        return iter(sorted([*folders, entry(b"a/b/f"), entry(b"g", b"x")], key=lambda one: one.path))

    def read_range(self, _entry: Entry, _offset: int, length: int, sink: Any) -> Iterator[None]:
        sink.take(b"x" * (length - 1))
        sink.take(b"x")
        return
        yield


def timed(pace: Pace, chosen: list[Entry]) -> TimedReader:
    return TimedReader(Whole(place=None, header=None, unlisted={}), pace, chosen)  # type: ignore[arg-type]


def test_a_part_has_the_folders_above_it_and_small_files_first() -> None:
    clock = SteppedClock(datetime(2031, 4, 5, tzinfo=UTC))
    part = timed(Pace(clock), [entry(b"a/b/f"), entry(b"g", b"x")])
    assert [one.path for one in part.entries()] == [b"a", b"a/b", b"g", b"a/b/f"]


def test_ranges_of_one_file_count_as_one_file_with_all_their_bytes() -> None:
    pace = Pace(SteppedClock(datetime(2031, 4, 5, tzinfo=UTC)))
    reader = timed(pace, [])
    for path, length in ((b"film", 10), (b"film", 5), (b"other", 3)):
        for _ in reader.read_range(entry(path), 0, length, SimpleNamespace(take=lambda _data: None)):
            pass
    (piece,) = pace.pieces()
    assert (piece.files, piece.size) == (2, 18)
