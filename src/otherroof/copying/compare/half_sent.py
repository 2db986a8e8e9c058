"""The notes on large files of which a part is safe at the far end, so that a later run goes on with them.

A part belongs to one very state of its file: inode, size, times, and the content that was read. Knows the notes' file,
nothing else.
"""

from __future__ import annotations

from typing import NamedTuple

from otherroof.base.sqlite_file import seal_of, translating_sqlite
from otherroof.copying.compare.plan_file import PlanFile
from otherroof.far_copy.numbers import Numbers


class SafePart(NamedTuple):
    """The first `upto` bytes of a file are safe at the far end; `digest` is theirs, as they were read (BLAKE2b)."""

    upto: int
    digest: bytes


NOTHING_SAFE = SafePart(0, b"")


class HalfSentFiles:
    """How much of which file has arrived. Raises HomeTrouble if the notes cannot be used."""

    def __init__(self, file: PlanFile) -> None:
        self._file = file
        # The states in which this run opened files. One that changed since the scan has another than its plan says,
        # and each broken connection would begin it anew.
        self._opened: dict[bytes, Numbers] = {}

    def note(self, path: bytes, numbers: Numbers, part: SafePart) -> None:
        """Note that this part of the file is safe at the far end, in the state in which this run opens it; until it is
        open, that of the scan."""
        self._opened[path] = numbers
        self._write(path, numbers, part)

    def take_over(self, path: bytes, numbers: Numbers, part: SafePart) -> None:
        """Note what an earlier run has left."""
        self._write(path, numbers, part)

    def _write(self, path: bytes, numbers: Numbers, part: SafePart) -> None:
        row = (path, *numbers[:4], *part)
        self._file.do(
            "INSERT OR REPLACE INTO part (path, ino, size, mtime, ctime, upto, digest, seal)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (*row, seal_of(*row)),
        )

    def known(self, path: bytes, numbers: Numbers) -> tuple[Numbers, SafePart] | None:
        """What of a file is safe at the far end, and of which state of it: the one that was scanned, which has these
        numbers, or the one in which this run opened it. None if no part of it is known."""
        row = self._file.one("SELECT ino, size, mtime, ctime, upto, digest FROM part WHERE path=?", (path,))
        numbers = self._opened.get(path, numbers)
        return (numbers, SafePart(*row[4:])) if row is not None and row[:4] == numbers[:4] else None

    def all(self) -> list[tuple[bytes, Numbers, SafePart]]:
        """All half-sent files."""
        with translating_sqlite(self._file.path):
            rows = self._file.db.execute("SELECT path, ino, size, mtime, ctime, upto, digest FROM part").fetchall()
        return [(path, (ino, size, mtime, ctime, 0), SafePart(*part)) for path, ino, size, mtime, ctime, *part in rows]

    def forget(self, path: bytes) -> None:
        """The file stands whole, or nothing of it is to be believed."""
        self._opened.pop(path, None)
        self._file.do("DELETE FROM part WHERE path=?", (path,))
