"""A far box's spinning disk, emulated: a file system on a loop device over a file that takes its time, as root.

    with SlowDisk(folder, "btrfs", at=sshd.base_path, record=True) as disk:
        ...                                    # the disk is mounted there, and slow
        moment = disk.moment()                 # power goes now …
        disk.unmount()
        image = disk.power_cut(moment, dice, folder / "after.img")   # … and this is what the platter holds
        with mounted_image(image, "btrfs", path):
            ...

Each move of the head and each flush takes 8 ms, and 120 MB pass in a second, as an external USB disk does; `take`
changes that at any time. The drive has a cache: what was written since the last flush may be on the platter, wholly,
partly or not at all, in any order.
"""

from __future__ import annotations

import contextlib
import errno
import mmap
import os
import random
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

from support import slow_disk_process as process
from support.commits import COMMIT_S
from support.lab.commands import LabFault, call
from support.lab.need import require_programs
from support.lab.ownership import Estate

SECTOR = 4096  # bytes that a disk writes whole or not at all; today's disks have such, also if they tell of 512
MB = 1 << 20
WAIT_S = 60.0
MAKE = {
    "ext4": ["mkfs.ext4", "-q", "-F", "-E", "nodiscard,lazy_itable_init=0,lazy_journal_init=0"],
    "xfs": ["mkfs.xfs", "-q", "-f", "-K"],
    "btrfs": ["mkfs.btrfs", "-q", "-f", "-K"],
}
SIZES = {"ext4": 256 * MB, "xfs": 320 * MB, "btrfs": 320 * MB}  # about the smallest that is like a real one
# The file takes no discards.
OPTIONS = {"ext4": "noatime", "xfs": "noatime,nouuid", "btrfs": f"noatime,nodiscard,commit={COMMIT_S}"}
DISK_SYSTEMS = tuple(MAKE)


@dataclass(frozen=True)
class DiskTimes:
    """What a request costs: seconds for each move of the head and for each flush, and bytes a second (0: at once)."""

    move_s: float = 0.008
    flush_s: float = 0.008
    rate: float = 120e6


AT_ONCE = DiskTimes(0.0, 0.0, 0.0)


class DiskCounts(NamedTuple):
    """What reached the disk since it was made: moves of its head, flushes, bytes written and read."""

    moves: int
    flushes: int
    written: int
    read: int


def require_slow_disk(system: str = "ext4") -> None:
    """Skip the test that calls this, with the reason, if such a disk cannot be emulated here; with CI=true fail it."""
    require_programs("mount", "losetup", MAKE[system][0], root=True)


class SlowDisk:
    """A disk with the file system `system`, mounted `at` on entry (else below `where`); all of it goes on exit.

    `where` is a folder on a quick disk that takes what is written. `record` keeps a log of every write and flush in
    it, from which `power_cut` makes images; it grows with each byte that is written. `begin`: an image to begin with.
    """

    def __init__(
        self,
        where: Path,
        system: str = "ext4",
        *,
        at: str = "",
        size: int = 0,
        times: DiskTimes | None = None,
        record: bool = False,
        begin: Path | None = None,
    ) -> None:
        self.system = system
        self._begin = begin
        self.path = Path(at) if at else where / "mounted"
        self._folder = where / "slow-disk"
        self._record = record
        self._size = size or SIZES[system]
        self._times = times or DiskTimes()
        self._estate = Estate()
        self._mounted = False

    def __enter__(self) -> SlowDisk:
        try:
            self._make()
            self.mount()
        except BaseException:
            self._estate.release()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        self.take(AT_ONCE)
        if self._mounted:
            with contextlib.suppress(LabFault):  # somebody still looks into it: the estate lets go of it lazily
                self.unmount()
        self._knobs.close()
        self._estate.release()

    def take(self, times: DiskTimes) -> None:
        """From now on the disk takes these times."""
        process.KNOBS.pack_into(self._knobs, 0, times.move_s, times.flush_s, times.rate, *self.counts())

    def counts(self) -> DiskCounts:
        """What reached the disk until now."""
        return DiskCounts(*process.COUNTS.unpack_from(self._knobs, process.COUNTS_AT))

    def mount(self) -> None:
        """Mount it (again), through a loop device that goes when it is unmounted."""
        self.path.mkdir(parents=True, exist_ok=True)
        self._estate.note("mount", path=str(self.path))
        # Without the page cache in between: else what the kernel holds of the file would be a second disk's cache.
        _mount_over_loop(self._folder / "door", self.system, self.path, "--direct-io=on")
        self._mounted = True

    def unmount(self) -> None:
        """Unmount it. Raises LabFault if somebody still uses it."""
        _unmount(self.path)
        self._mounted = False

    def moment(self) -> int:
        """This very moment, for `power_cut`."""
        assert self._record, "nothing is recorded"
        return (self._folder / "log").stat().st_size

    def power_cut(self, moment: int, dice: random.Random, into: Path) -> Path:
        """Make the file `into` what the platter holds if the power goes at `moment`: an image to be mounted.

        All that was written before the last flush that had ended is there; of what came later, some sectors are, as the
        dice fall: none, all, some, or those up to some write and a few more.
        """
        after_flush: list[tuple[int, bytes]] = []
        into.unlink(missing_ok=True)  # an older image of that name may still be held by its loop device
        _copy_sparse(self._folder / "begin.img", into)
        with into.open("r+b") as image:
            for kind, offset, data in _log_until(self._folder / "log", moment):
                if kind == process.WRITTEN:
                    after_flush.append((offset, data))
                else:
                    _write(image.fileno(), after_flush)
                    after_flush.clear()
            _write(image.fileno(), _survivors(after_flush, dice))
        return into

    def _make(self) -> None:
        self._estate.note("folder", path=str(self._folder))
        self._folder.mkdir(parents=True)
        disk = self._folder / "disk.img"
        if self._begin is not None:
            _copy_sparse(self._begin, disk)
        else:
            with disk.open("wb") as file:
                file.truncate(self._size)
            call([*MAKE[self.system], str(disk)], wait_s=WAIT_S)
        if self._record:
            _copy_sparse(disk, self._folder / "begin.img")
        knobs = self._folder / "knobs"
        knobs.write_bytes(process.KNOBS.pack(self._times.move_s, self._times.flush_s, self._times.rate, 0, 0, 0, 0))
        with knobs.open("r+b") as file:
            self._knobs = mmap.mmap(file.fileno(), process.KNOBS.size)
        door = self._folder / "door"
        door.touch()
        self._estate.note("mount", path=str(door))
        argv = [sys.executable, "-I", "-S", process.__file__, str(self._folder), "record" if self._record else "no"]
        server = self._estate.spawn(argv, stdout=subprocess.PIPE)
        assert server.stdout is not None
        if server.stdout.readline() != b"mounted\n":
            raise LabFault("the slow disk could not be mounted over FUSE: see above")


@contextlib.contextmanager
def mounted_image(image: Path, system: str, at: Path) -> Iterator[Path]:
    """The image of a disk, mounted at `at` through a loop device of its own, as a machine does that starts again."""
    with Estate() as estate:
        estate.note("mount", path=str(at))
        _mount_over_loop(image, system, at)
        try:
            yield at
        finally:
            _unmount(at)


def _mount_over_loop(file: Path, system: str, at: Path, *more: str) -> None:
    at.mkdir(parents=True, exist_ok=True)
    loop = _loop_over(file, *more)
    try:
        if system == "btrfs":
            # The kernel remembers file systems by their number, and would refuse an older image of one it has seen.
            call(["btrfs", "device", "scan", "--forget"], may_fail=True)
        call(["mount", "-t", system, "-o", OPTIONS[system], loop, str(at)], wait_s=WAIT_S)
    finally:
        call(["losetup", "--detach", loop], may_fail=True)  # it goes as soon as it is mounted nowhere


def _loop_over(file: Path, *more: str) -> str:
    for _ in range(20):
        try:
            return call(["losetup", "--find", "--show", *more, str(file)]).strip()
        except LabFault as problem:
            if "busy" not in str(problem):
                raise
        time.sleep(0.1)  # another process took the same free device
    raise LabFault("no loop device is free")


def _unmount(path: Path) -> None:
    """Raises LabFault if it is still in use after a while."""
    for _ in range(50):
        if "busy" not in (told := _try_to_unmount(path)):
            break
        time.sleep(0.1)
    if told:
        raise LabFault(told)


def _try_to_unmount(path: Path) -> str:
    try:
        call(["umount", str(path)], wait_s=WAIT_S)
    except LabFault as problem:
        return str(problem)
    return ""


def _log_until(log: Path, moment: int) -> Iterator[tuple[int, int, bytes]]:
    with log.open("rb") as file:
        while file.tell() + process.RECORD.size <= moment:
            kind, offset, length = process.RECORD.unpack(file.read(process.RECORD.size))
            if file.tell() + length > moment:
                return
            yield kind, offset, file.read(length)


def _survivors(written: list[tuple[int, bytes]], dice: random.Random) -> list[tuple[int, bytes]]:
    """Those sectors of unflushed writes that reached the platter."""
    sectors = [piece for offset, data in written for piece in _sectors(offset, data)]
    upto = dice.choice((0, 0, dice.randint(0, len(sectors))))
    share = dice.choice((0.0, 1.0, dice.random(), dice.random() ** 3))
    return sectors[:upto] + [piece for piece in sectors[upto:] if dice.random() < share]


def _sectors(offset: int, data: bytes) -> Iterator[tuple[int, bytes]]:
    start = 0
    while start < len(data):
        end = min(len(data), start + SECTOR - (offset + start) % SECTOR)
        yield offset + start, data[start:end]
        start = end


def _write(image: int, pieces: list[tuple[int, bytes]]) -> None:
    for offset, data in pieces:
        os.pwrite(image, data, offset)


def _copy_sparse(source: Path, target: Path) -> None:
    with source.open("rb") as old, target.open("wb") as new:
        size = os.fstat(old.fileno()).st_size
        new.truncate(size)
        at = 0
        while at < size:
            try:
                at = os.lseek(old.fileno(), at, os.SEEK_DATA)
            except OSError as problem:
                if problem.errno == errno.ENXIO:  # only a hole follows
                    return
                raise
            end = os.lseek(old.fileno(), at, os.SEEK_HOLE)
            while at < end:
                at += os.pwrite(new.fileno(), os.pread(old.fileno(), min(MB, end - at), at), at)
