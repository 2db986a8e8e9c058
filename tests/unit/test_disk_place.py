"""What a disk that is carried must never do: count as durable before it is, keep a handle, go by the wrong folder, take
part of a write or a read for the whole."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.errors import HomeTrouble, NotThere, OtherroofError, PlaceError, Refused
from otherroof.far import requests
from otherroof.far.local import disk_place
from otherroof.far.local import place as local_place
from otherroof.far.local.disk import LocalDisk, look_at_disk
from otherroof.far.local.disk_place import DiskPlace
from otherroof.far.local.place import DiskFailed
from otherroof.far.place import Meter, Task, run_script
from otherroof.far.requests import BytesSink, DataPiece, Mode, Script, SyncPiece
from support.open_files import open_below
from support.places import ask

NEW = Mode.WRITE | Mode.CREATE | Mode.ONLY_NEW


@pytest.fixture
def disk(tmp_path: Path) -> Path:
    (tmp_path / "disk").mkdir()
    return tmp_path / "disk"


@contextmanager
def opened(disk: Path, **other: Any) -> Iterator[DiskPlace]:
    """The folder as a place, on a disk with these properties."""
    found: LocalDisk = replace(look_at_disk(str(disk)), **other)
    place = DiskPlace(str(disk), found, Meter())
    try:
        yield place
    finally:
        place.close()


@pytest.fixture
def place(disk: Path) -> Iterator[DiskPlace]:
    with opened(disk) as made:
        yield made


def do(place: DiskPlace, op: requests.Op) -> Any:
    return run_script(place, ask(op))


class Syncs:
    """Counts what is asked of the kernel; `fails` with this error for as long as it is set."""

    def __init__(self) -> None:
        self.count = 0
        self.fails = 0

    def syncfs(self, _: int) -> int:
        self.count += 1
        return -1 if self.fails else 0


@pytest.fixture
def syncs(monkeypatch: pytest.MonkeyPatch) -> Syncs:
    made = Syncs()
    monkeypatch.setattr(disk_place, "_libc", made)
    monkeypatch.setattr(disk_place.ctypes, "get_errno", lambda: made.fails)
    return made


# -- durable --


def test_sync_that_failed_ends_the_work_and_the_next_one_is_made_again(
    disk: Path, place: DiskPlace, syncs: Syncs
) -> None:
    handle = do(place, requests.OpenFile(b"a", NEW))
    for count in (1, 2):
        syncs.fails = errno.EIO
        with pytest.raises(DiskFailed, match="the disk fails"):
            do(place, requests.Sync(handle))
        assert syncs.count == count
    syncs.fails = 0
    assert do(place, requests.Sync(handle))
    assert syncs.count == 3
    do(place, requests.CloseFile(handle))


CHANGES: dict[str, Callable[[int, int], requests.Op]] = {
    "new file": lambda one, two: requests.OpenFile(b"new", NEW),
    "emptied file": lambda one, two: requests.OpenFile(b"a", Mode.WRITE | Mode.EMPTY),
    "content": lambda one, two: requests.Write(one, 0, b"some"),
    "size, rights and time": lambda one, two: requests.SetProperties(one, mtime=1),
    "content from another file": lambda one, two: requests.CopyRange(two, 0, 4, one, 0),
    "name": lambda one, two: requests.Rename(b"a", b"c"),
    "second name": lambda one, two: requests.Link(b"a", b"c"),
    "link": lambda one, two: requests.MakeSymlink(b"a", b"c"),
    "folder": lambda one, two: requests.MakeFolder(b"c"),
    "folder that went": lambda one, two: requests.RemoveFolder(b"folder"),
    "file that went": lambda one, two: requests.Remove(b"b"),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES.keys())
def test_sync_after_any_change_asks_the_kernel_and_one_after_none_does_not(
    disk: Path, place: DiskPlace, syncs: Syncs, change: Callable[[int, int], requests.Op]
) -> None:
    for name in ("a", "b"):
        (disk / name).write_bytes(b"content")
    (disk / "folder").mkdir()
    one, two = (do(place, requests.OpenFile(name, Mode.READ | Mode.WRITE)) for name in (b"a", b"b"))
    do(place, requests.Sync(one))
    assert syncs.count == 1, "what an earlier process left is made durable too"
    do(place, requests.Read(one, 0, 3))
    do(place, requests.Stat(b"a"))
    do(place, requests.Sync(one))
    assert syncs.count == 1
    handle = do(place, change(one, two))
    do(place, requests.Sync(one))
    assert syncs.count == 2
    for opened_file in (one, two, *([handle] if isinstance(handle, int) else [])):
        do(place, requests.CloseFile(opened_file))


@pytest.mark.parametrize("system", ["fuseblk", "fuse", "fuse.exfat"])
def test_over_fuse_each_file_is_synced_by_itself(
    disk: Path, syncs: Syncs, system: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """There the kernel does nothing for the whole."""
    synced: list[int] = []
    monkeypatch.setattr(os, "fsync", synced.append)
    with opened(disk, system=system) as place:
        handle = do(place, requests.OpenFile(b"a", NEW))
        assert do(place, requests.Sync(handle))
        assert (synced, syncs.count) == ([handle], 0)
        do(place, requests.CloseFile(handle))


class Source:
    """Pieces for a stream, and which of them landed."""

    def __init__(self, *pieces: requests.Piece) -> None:
        self._left = list(pieces)
        self.safe: list[requests.Piece] = []
        self.not_taken: list[requests.Piece] = []

    def take(self, *, wait: bool) -> requests.Piece | None:
        return self._left.pop(0) if self._left else None

    def refused(self, piece: requests.Piece) -> None:
        self.not_taken.append(piece)

    def landed(self, piece: requests.Piece) -> None:
        self.safe.append(piece)


def test_pieces_of_a_stream_are_told_as_landed_and_synced_where_it_says_so(
    disk: Path, place: DiskPlace, syncs: Syncs
) -> None:
    pieces = (DataPiece(0, b"one"), SyncPiece(3), DataPiece(3, b"two"))
    source = Source(*pieces)
    handle = do(place, requests.OpenFile(b"a", NEW))
    run_script(place, ask(requests.WriteStream(handle, source)))  # type: ignore[arg-type]
    do(place, requests.CloseFile(handle))
    assert source.safe == list(pieces)
    assert syncs.count == 1
    assert (disk / "a").read_bytes() == b"onetwo"


def test_a_piece_that_is_refused_is_told(place: DiskPlace, syncs: Syncs) -> None:
    """A file whose sync was refused is not gone on with."""
    syncs.fails = errno.EIO
    source = Source(DataPiece(0, b"one"), SyncPiece(3), DataPiece(3, b"two"))
    handle = do(place, requests.OpenFile(b"a", NEW))
    with pytest.raises(DiskFailed):
        run_script(place, ask(requests.WriteStream(handle, source)))  # type: ignore[arg-type]
    assert (source.safe, source.not_taken) == ([DataPiece(0, b"one")], [SyncPiece(3)])
    do(place, requests.CloseFile(handle))


# -- handles --


def count_open() -> int:
    return len(os.listdir("/proc/self/fd"))


def test_everything_that_was_opened_is_closed_so_that_the_disk_can_be_unmounted(disk: Path) -> None:
    (disk / "a/b/c").mkdir(parents=True)
    (disk / "file").write_bytes(b"content")
    before = count_open()
    with opened(disk) as place:
        held = count_open()
        for path in (b"a/b/c", b"a", b"."):
            folder = do(place, requests.OpenFolder(path))
            assert do(place, requests.ReadFolder(folder)) is not None or path == b"a/b/c"
            do(place, requests.CloseFile(folder))
        for mode in (Mode.READ, Mode.WRITE):
            do(place, requests.CloseFile(do(place, requests.OpenFile(b"file", mode))))
        with pytest.raises(NotThere):
            do(place, requests.OpenFolder(b"a/none"))
        with pytest.raises(NotThere):
            do(place, requests.OpenFolder(b"file"))
        assert count_open() == held + 1, "the handle of the one folder that a path led through"
        assert open_below(disk) == []
    assert count_open() == before


def test_disk_that_is_refused_is_let_go(disk: Path) -> None:
    before = count_open()
    with pytest.raises(HomeTrouble), opened(disk, device=look_at_disk(str(disk)).device + 1):
        pass
    assert count_open() == before


def test_closing_a_folder_that_was_read_takes_nobody_elses_handle(disk: Path, place: DiskPlace) -> None:
    for name in ("a", "other"):
        (disk / name).mkdir()
    do(place, requests.MakeFolder(b"a/first"))
    do(place, requests.CloseFile(do(place, requests.OpenFolder(b"a"))))
    do(place, requests.MakeFolder(b"other/x"))
    do(place, requests.MakeFolder(b"a/second"))
    assert sorted(os.listdir(disk / "a")) == ["first", "second"]
    assert os.listdir(disk / "other") == ["x"]


def test_two_paths_of_one_request_lead_to_their_own_folders_also_when_no_more_are_held(
    disk: Path, place: DiskPlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(disk_place, "MOST_HELD", 2)
    for name in ("a", "b", "c"):
        (disk / name).mkdir()
    for path in (b"a/x", b"c/x"):
        do(place, requests.CloseFile(do(place, requests.OpenFile(path, NEW))))
    do(place, requests.Rename(b"a/x", b"b/y"))
    assert {name: os.listdir(disk / name) for name in "abc"} == {"a": [], "b": ["y"], "c": ["x"]}


def test_folder_that_got_another_name_is_not_written_into_by_its_old_one(disk: Path, place: DiskPlace) -> None:
    """A version that is set aside stays as it was."""
    do(place, requests.MakeFolder(b"latest"))
    do(place, requests.MakeFolder(b"latest/kept"))
    do(place, requests.Rename(b"latest", b"earlier"))
    do(place, requests.MakeFolder(b"latest"))
    do(place, requests.MakeFolder(b"latest/new"))
    assert (os.listdir(disk / "earlier"), os.listdir(disk / "latest")) == (["kept"], ["new"])
    do(place, requests.RemoveFolder(b"latest/new"))
    do(place, requests.RemoveFolder(b"latest"))
    do(place, requests.MakeFolder(b"latest"))
    do(place, requests.MakeFolder(b"latest/again"))
    assert os.listdir(disk / "latest") == ["again"]


# -- files --


def test_file_that_is_a_link_is_opened_for_nothing(disk: Path, tmp_path: Path, place: DiskPlace) -> None:
    (tmp_path / "theirs").write_bytes(b"theirs")
    (disk / "link").symlink_to(tmp_path / "theirs")
    for mode in (Mode.READ, Mode.WRITE, Mode.WRITE | Mode.CREATE | Mode.EMPTY):
        with pytest.raises(PlaceError):
            do(place, requests.OpenFile(b"link", mode))
    assert (tmp_path / "theirs").read_bytes() == b"theirs"


def test_file_that_is_opened_empty_keeps_nothing_of_what_it_was(disk: Path, place: DiskPlace) -> None:
    (disk / "a").write_bytes(b"longer than before")
    handle = do(place, requests.OpenFile(b"a", Mode.WRITE | Mode.EMPTY))
    do(place, requests.Write(handle, 0, b"short"))
    do(place, requests.CloseFile(handle))
    assert (disk / "a").read_bytes() == b"short"


def test_second_name_of_a_link_is_one_of_the_link_itself(disk: Path, tmp_path: Path, place: DiskPlace) -> None:
    (tmp_path / "theirs").write_bytes(b"theirs")
    (disk / "link").symlink_to(tmp_path / "theirs")
    do(place, requests.Link(b"link", b"second"))
    assert (disk / "second").is_symlink()
    assert (tmp_path / "theirs").stat().st_nlink == 1


def test_nothing_is_opened_in_a_way_that_waits(disk: Path, place: DiskPlace, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pipe that somebody laid there would hold a run for ever."""
    real, flags = os.open, list[int]()

    def noting(path: Any, how: int, *more: Any, **others: Any) -> int:
        flags.append(how)
        return real(path, how | os.O_NONBLOCK, *more, **others)

    os.mkfifo(disk / "pipe")
    monkeypatch.setattr(local_place.os, "open", noting)
    with pytest.raises(Refused):
        do(place, requests.OpenFile(b"pipe", Mode.WRITE))
    assert flags[-1] & os.O_NONBLOCK


def test_new_file_has_the_rights_that_were_asked_for_from_its_first_moment(disk: Path, place: DiskPlace) -> None:
    old = os.umask(0)
    try:
        for asked in (0o600, 0o640):
            do(place, requests.CloseFile(do(place, requests.OpenFile(b"%o" % asked, NEW, asked))))
            assert stat.S_IMODE((disk / f"{asked:o}").stat().st_mode) == asked
    finally:
        os.umask(old)


def in_small_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk takes and gives three bytes at a time."""
    write, read = os.pwrite, os.pread
    monkeypatch.setattr(os, "pwrite", lambda handle, data, at: write(handle, data[:3], at))
    monkeypatch.setattr(os, "pread", lambda handle, size, at: read(handle, min(size, 3), at))


def test_what_the_disk_takes_and_gives_in_parts_is_whole_in_the_end(
    disk: Path, place: DiskPlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = bytes(range(20))
    in_small_steps(monkeypatch)
    sink, shorter = BytesSink(), BytesSink()

    def script() -> Script[tuple[int, int]]:
        one = yield requests.OpenFile(b"a", NEW | Mode.READ)
        two = yield requests.OpenFile(b"b", NEW)
        yield requests.Write(one, 0, content)
        yield requests.CopyRange(one, 2, 10, two, 5)
        came = yield requests.ReadStream(one, 1, 10, sink)
        less = yield requests.ReadStream(one, 15, 50, shorter)
        yield (requests.CloseFile(one), requests.CloseFile(two))
        return came, less

    assert run_script(place, script()) == (10, 5)
    assert (disk / "a").read_bytes() == content
    assert (disk / "b").read_bytes() == bytes(5) + content[2:12]
    assert (sink.data, shorter.data) == (content[1:11], content[15:])


def test_stream_reads_no_more_than_was_asked_for(disk: Path, place: DiskPlace) -> None:
    (disk / "a").write_bytes(b"0123456789")
    sink = BytesSink()
    handle = do(place, requests.OpenFile(b"a", Mode.READ))
    assert run_script(place, ask(requests.ReadStream(handle, 2, 5, sink))) == 5
    do(place, requests.CloseFile(handle))
    assert sink.data == b"23456"


@pytest.mark.parametrize("number", [errno.EPERM, errno.EOPNOTSUPP], ids=["FAT", "others"])
def test_name_that_is_taken_is_not_given_away_on_a_disk_without_second_names(
    disk: Path, number: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    def no_link(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "link", no_link)
    with opened(disk, links=False) as place:
        assert not place.offers.link
        (disk / "old").write_bytes(b"old")
        (disk / "new").write_bytes(b"new")
        (disk / "dangling").symlink_to("nowhere")
        for taken in (b"new", b"dangling"):
            with pytest.raises(Refused, match="exists"):
                do(place, requests.Rename(b"old", taken))
        do(place, requests.Rename(b"old", b"free"))
    assert {path.name: path.is_symlink() or path.read_bytes() for path in disk.iterdir()} == {
        "free": b"old",
        "new": b"new",
        "dangling": True,
    }


def test_file_that_got_another_name_has_no_second_one(disk: Path, place: DiskPlace) -> None:
    (disk / "old").write_bytes(b"old")
    do(place, requests.Rename(b"old", b"new"))
    assert os.listdir(disk) == ["new"]
    assert (disk / "new").stat().st_nlink == 1


# -- folders --


def test_folder_of_more_names_than_come_at_once_is_seen_whole(
    disk: Path, place: DiskPlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(local_place, "NAMES_AT_ONCE", 3)
    for number in range(10):
        (disk / str(number)).touch()
    folder, found = do(place, requests.OpenFolder(b".")), list[bytes]()
    while (portion := do(place, requests.ReadFolder(folder))) is not None:
        found += [name for name, _ in portion]
    do(place, requests.CloseFile(folder))
    assert sorted(found) == [b"%d" % number for number in range(10)]


def test_entry_that_a_failing_disk_cannot_show_is_not_taken_for_gone(
    disk: Path, place: DiskPlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    (disk / "a").touch()
    folder = do(place, requests.OpenFolder(b"."))
    with monkeypatch.context() as patched:
        real = os.stat

        def failing(path: str | bytes, **more: Any) -> os.stat_result:
            if more.get("dir_fd") is None:
                return real(path, **more)
            raise OSError(errno.EIO, os.strerror(errno.EIO))

        patched.setattr(os, "stat", failing)
        with pytest.raises(Refused):
            do(place, requests.ReadFolder(folder))
    do(place, requests.CloseFile(folder))


# -- refusals --


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (errno.ENOSPC, "the disk is full ("),
        (errno.EDQUOT, "the disk is full ("),
        (errno.EIO, "the disk fails"),
        (errno.EROFS, "takes no more writes"),
        (errno.ENODEV, "gone or does not answer"),
    ],
)
def test_disk_that_is_full_or_gone_ends_all_work_whatever_was_asked(
    disk: Path, place: DiskPlace, number: int, said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(*_: object, **__: object) -> int:
        raise OSError(number, os.strerror(number))

    handle = do(place, requests.OpenFile(b"a", NEW))
    reached: list[str] = []

    def script() -> Script[None]:
        try:
            yield from ask(requests.Write(handle, 0, b"some"))
        except OtherroofError:
            reached.append("a matter of one file")
        reached.append("went on")

    monkeypatch.setattr(os, "pwrite", failing)
    with pytest.raises(DiskFailed) as caught:
        for _ in place.carry_out(Task(number, script()) for number in range(2)):
            reached.append("the next file")
    monkeypatch.undo()
    do(place, requests.CloseFile(handle))
    assert said in caught.value.what
    assert caught.value.where == str(disk)
    assert reached == []


def test_stop_is_heard_between_files(disk: Path, place: DiskPlace, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(local_place, "TICK_S", 0.0)
    ticks: list[int] = []
    work = (Task(number, ask(requests.MakeFolder(b"%d" % number))) for number in range(4))
    for result in place.carry_out(work, lambda: ticks.append(len(os.listdir(disk)))):
        assert result.error is None
    assert ticks == [1, 2, 3, 4]


def test_room_is_that_of_this_account_and_a_disk_that_is_shut_is_told(
    disk: Path, place: DiskPlace, monkeypatch: pytest.MonkeyPatch
) -> None:
    shut = os.statvfs_result((512, 4096, 1000, 500, 450, 90, 40, 30, os.ST_RDONLY, 255))
    monkeypatch.setattr(os, "statvfs", lambda _: shut)
    space = do(place, requests.GetSpace(b"."))
    assert space == requests.Space(1000 * 4096, 450 * 4096, 90, 30, read_only=True)
