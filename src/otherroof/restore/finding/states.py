"""What a version holds at one path, and in which versions it stood there so. Values only.

Versions are told apart by a number that keeps the order of their runs. It must not know where states are kept.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from otherroof.base.errors import Damaged
from otherroof.far_copy.entry import LINE_ADVICE, Entry, EntryKind, parse_line, path_text
from otherroof.far_copy.listing import LARGEST
from otherroof.far_copy.run_ids import is_run_id

_PATH_FIRST = b'{"path":"'
_MARK_SIZE = 8  # bytes; two lines of one path that share a mark by chance come up once in 10^19


class FileState(NamedTuple):
    """What stands at `path`: size in bytes, mtime in nanoseconds since 1970 UTC, permission bits, BLAKE2b-256 of the
    content (a file's alone). `mark` tells any two states of one path apart, also if only an owner or attribute differs.

    A named tuple, because an answer may hold a million: a dataclass takes four times as long to make.
    """

    path: bytes
    kind: EntryKind
    size: int
    mtime_ns: int
    mode: int
    digest: bytes
    target: bytes
    mark: int

    def has_content_of(self, other: FileState) -> bool:
        """Whether both would be the same to somebody who opens them."""
        return (self.kind, self.size, self.digest, self.target) == (other.kind, other.size, other.digest, other.target)


@dataclass(frozen=True, slots=True)
class Span:
    """The state with this `mark` stands at `path` in every version from number `first` to number `last`."""

    path: bytes
    mark: int
    first: int
    last: int

    def has(self, version: int) -> bool:
        """Whether it stands there in this version."""
        return self.first <= version <= self.last


@dataclass(frozen=True, slots=True)
class MarkedLine:
    """A line of a listing with its path and mark; parsed only if it says something new."""

    path: bytes
    mark: int
    line: bytes

    def state(self) -> FileState:
        """What the line says. Raises Damaged if that cannot be."""
        entry = parse_line(self.line)
        if entry.size >= LARGEST or not -LARGEST <= entry.mtime_ns < LARGEST:
            raise Damaged(f"a listing holds an impossible entry: {path_text(entry.path)}", advice=LINE_ADVICE)
        return state_of(entry, self.mark)


@dataclass(frozen=True, slots=True)
class IndexedVersion:
    """A version whose listing was proved and taken in. `holds` is the number of the one that has its lines: its own,
    or that of the version before it if nothing had changed. `size` is in bytes."""

    run: str
    taken: datetime
    files: int
    size: int
    holds: int


def number_of(run: str) -> int:
    """A run's number: numbers have the order of the runs. Raises Damaged if this is no run's id."""
    if not is_run_id(run):
        raise Damaged(f"{run!r} is not a run's id", advice=LINE_ADVICE)
    # The time as digits, then the four hexadecimal ones: the order of text, in 64 bits.
    return int(run[:4] + run[5:7] + run[8:10] + run[11:17]) << 16 | int(run[19:], 16)


def state_of(entry: Entry, mark: int) -> FileState:
    """An entry as a state."""
    return FileState(entry.path, entry.kind, entry.size, entry.mtime_ns, entry.mode, entry.digest, entry.target, mark)


def marked(lines: Iterable[bytes]) -> Iterator[MarkedLine]:
    """Lines of a listing with path and mark. Raises Damaged if they are not in byte order of the path."""
    before = b""
    for line in lines:
        path = _path_in(line)
        if path <= before:
            raise Damaged(f"a listing is out of order at {path_text(path)}", advice=LINE_ADVICE)
        before = path
        digest = hashlib.blake2b(line, digest_size=_MARK_SIZE).digest()
        yield MarkedLine(path, int.from_bytes(digest, "little", signed=True), line)


def _path_in(line: bytes) -> bytes:
    # A million lines are read each time a version is taken in, and nearly all say what the one before said: so a path
    # is cut out of its line if it needs no decoding. A quote in a name has a backslash before it.
    if line.startswith(_PATH_FIRST):
        path = line[len(_PATH_FIRST) : line.find(b'"', len(_PATH_FIRST))]
        if path and b"\\" not in path:
            return path
    return parse_line(line).path
