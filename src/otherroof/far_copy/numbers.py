"""The five numbers that are kept of every entry at home, and what kind of entry they tell of.

They come from one `lstat` and are compared as they are; what else belongs to an entry is read only when it is sent.
"""

from __future__ import annotations

import stat
from array import array

from otherroof.far_copy.entry import EntryKind

Numbers = tuple[int, int, int, int, int]  # inode, size in bytes, mtime in ns, ctime in ns, mode with the HARD bit
COLUMNS = 5
INODE, SIZE, MTIME, CTIME, MODE = range(COLUMNS)  # indexes into Numbers
HARD = 1 << 20  # set in the mode of a file that has more than one name
LARGEST = (1 << 63) - 1  # inode numbers above it exist on some file systems, and dates after 2262

# The kinds of entry that a copy holds, as the four upper bits of a mode say it (inode(7)), and as a listing names them.
FILE, FOLDER, LINK = stat.S_IFREG >> 12, stat.S_IFDIR >> 12, stat.S_IFLNK >> 12
KINDS: dict[int, EntryKind] = {FILE: "file", FOLDER: "folder", LINK: "link"}
CODES = {kind: code for code, kind in KINDS.items()}


def kind_of(numbers: Numbers | None) -> int:
    """FILE, FOLDER or LINK; 0 if there is nothing."""
    return 0 if numbers is None else stat.S_IFMT(numbers[MODE]) >> 12


def probably_same_content(found: Numbers, known: Numbers) -> bool:
    """Whether a file has kept its size and time of change, so that it is probably only renamed or re-owned."""
    return found[SIZE] == known[SIZE] and found[MTIME] == known[MTIME]


def join_path(folder: bytes, name: bytes) -> bytes:
    """A path out of a folder and a name; the top folder is empty."""
    return folder + b"/" + name if folder else name


def clamp_ns(ns: int) -> int:
    """A time as 64 bits hold it: one before 1677 or after 2262 is taken for the nearest that fits.

    Only for comparing; the entry keeps what the file system says.
    """
    if -LARGEST <= ns <= LARGEST:  # asked for every file, several times
        return ns
    return LARGEST if ns > 0 else -LARGEST


def pack_batch(names: list[bytes], numbers: list[int]) -> bytes:
    """Numbers, then names with NUL between."""
    # Eight bytes a number, and no name can have a NUL: the whole batch is one byte string, cheap to compare and to
    # keep.
    return array("q", numbers).tobytes() + b"\0".join(names)


def unpack_batch(data: bytes, count: int) -> tuple[list[bytes], array[int]]:
    """The names and numbers that `pack_batch` put together."""
    size = count * COLUMNS * 8
    numbers = array("q")
    numbers.frombytes(data[:size])
    return data[size:].split(b"\0"), numbers
