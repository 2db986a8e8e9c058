"""The notes on large files of which a part is safe at the far end, so that a later run goes on with them.

A part belongs to one very state of its file: inode, size and times. Knows the notes' file, nothing else.
"""

from __future__ import annotations

from otherroof.base.sqlite_file import seal_of, translating_sqlite
from otherroof.copying.compare.plan_file import PlanFile
from otherroof.far_copy.numbers import Numbers


class HalfSentFiles:
    """How much of which file has arrived. Raises HomeTrouble if the notes cannot be used."""

    def __init__(self, file: PlanFile) -> None:
        self._file = file

    def note(self, path: bytes, numbers: Numbers, upto: int) -> None:
        """Note that the first `upto` bytes of this file, in its present state, are safe at the far end."""
        self._file.do(
            "INSERT OR REPLACE INTO part (path, ino, size, mtime, ctime, upto, seal) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (path, *numbers[:4], upto, seal_of(path, *numbers[:4], upto)),
        )

    def safe_bytes(self, path: bytes, numbers: Numbers) -> int | None:
        """How many bytes of this very file are safe at the far end; None if no part of it is known."""
        row = self._file.one("SELECT ino, size, mtime, ctime, upto FROM part WHERE path=?", (path,))
        return int(row[4]) if row is not None and row[:4] == numbers[:4] else None

    def all(self) -> list[tuple[bytes, Numbers, int]]:
        """All half-sent files."""
        with translating_sqlite(self._file.path):
            rows = self._file.db.execute("SELECT path, ino, size, mtime, ctime, upto FROM part").fetchall()
        return [(path, (ino, size, mtime, ctime, 0), upto) for path, ino, size, mtime, ctime, upto in rows]

    def forget(self, path: bytes) -> None:
        """The file stands whole, or is not wanted any more."""
        self._file.do("DELETE FROM part WHERE path=?", (path,))
