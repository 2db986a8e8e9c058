"""Test data for benchmarks: made up, incompressible, on a memory disk where there is room, compared byte for byte.

Knows nothing of who copies it.
"""

from __future__ import annotations

import os
import random
from collections.abc import Iterator

MEMORY_DISK = "/dev/shm"
SPARE_BYTES = 2 << 30
PIECE = 4 << 20
SMALLEST, LARGEST = 2 << 10, 16 << 10
FILES_IN_A_FOLDER = 100


def bench_root(needed: int) -> tuple[str, str]:
    """A new folder's path that has room for `needed` bytes, and what kind of disk it is on.

    The memory disk where memory allows it with 2 GiB to spare, so that neither disk nor page cache distorts; else
    /var/tmp. The folder is not made here: its owner writes it down first.
    """
    name = f"otherroof-bench-{os.getpid()}"
    if os.path.isdir(MEMORY_DISK) and min(_available(), _free(MEMORY_DISK)) > needed + SPARE_BYTES:
        return os.path.join(MEMORY_DISK, name), "memory disk"
    return os.path.join("/var/tmp", name), "ordinary disk"


def make_large_file(folder: str, size: int) -> None:
    """One file of `size` random bytes."""
    os.makedirs(folder, exist_ok=True)
    with open(os.path.join(folder, "large.bin"), "wb") as file:
        for start in range(0, size, PIECE):
            file.write(os.urandom(min(PIECE, size - start)))


def make_small_files(folder: str, count: int, *, seed: int = 1) -> None:
    """`count` files of 2 to 16 KiB of random bytes, a hundred to a folder; the same sizes for the same seed."""
    dice = random.Random(seed)
    for number in range(count):
        if number % FILES_IN_A_FOLDER == 0:
            place = os.path.join(folder, f"album-{number // FILES_IN_A_FOLDER:03}")
            os.makedirs(place)
        with open(os.path.join(place, f"note-{number:05}.bin"), "wb") as file:
            file.write(os.urandom(dice.randint(SMALLEST, LARGEST)))


def files_below(folder: str) -> Iterator[str]:
    """Paths of all files below `folder`, relative to it."""
    for place, folders, names in os.walk(folder):
        folders.sort()
        for name in sorted(names):
            yield os.path.relpath(os.path.join(place, name), folder)


def size_of(folder: str) -> tuple[int, int]:
    """How many files lie below `folder`, and their bytes."""
    sizes = [os.path.getsize(os.path.join(folder, path)) for path in files_below(folder)]
    return len(sizes), sum(sizes)


def difference(source: str, copy: str) -> str:
    """What is wrong with `copy`, compared byte for byte with `source`; "" when nothing is."""
    wanted, found = list(files_below(source)), list(files_below(copy)) if os.path.isdir(copy) else []
    if wanted != found:
        missing = len(set(wanted) - set(found))
        return f"{missing} of {len(wanted)} files missing, {len(set(found) - set(wanted))} too many"
    for path in wanted:
        if not _same(os.path.join(source, path), os.path.join(copy, path)):
            return f"{path} differs"
    return ""


def _same(one: str, other: str) -> bool:
    with open(one, "rb") as left, open(other, "rb") as right:
        while True:
            pieces = left.read(PIECE), right.read(PIECE)
            if pieces[0] != pieces[1]:
                return False
            if not pieces[0]:
                return True


def _available() -> int:
    with open("/proc/meminfo", encoding="ascii") as file:
        for line in file:
            if line.startswith("MemAvailable:"):
                return int(line.split()[1]) * 1024
    return 0


def _free(path: str) -> int:
    found = os.statvfs(path)
    return found.f_bavail * found.f_frsize
