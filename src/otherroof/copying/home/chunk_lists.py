"""Keeps the chunk lists of large files from one run to the next: a cache, one file a job, safe to delete.

Without it a changed large file is sent whole once more. A damaged one counts as absent: a wrong list would put the far
copy together wrongly.
"""

from __future__ import annotations

import os
import secrets
import sqlite3
from collections.abc import Callable
from typing import TypeVar

from otherroof.base.sqlite_file import DamagedDatabase, open_sqlite, seal_of, set_aside, translating_sqlite
from otherroof.copying.home.chunks import ChunkList

T = TypeVar("T")
KEY = 32  # bytes

SCHEMA_VERSION = 2
SCHEMA = """
CREATE TABLE secret (key BLOB NOT NULL);
CREATE TABLE chunks (path BLOB PRIMARY KEY, digest BLOB NOT NULL, list BLOB NOT NULL, seal INTEGER NOT NULL);
"""


class ChunkStore:
    """The chunk lists of one job's files by path, each with the digest of the content it describes.

    `remarks` tells that the file was damaged, if it was; then it was set aside, and all begins anew.
    """

    def __init__(self, path: str) -> None:
        self.path = path
        self.remarks: list[str] = []
        try:
            self._open()
        except DamagedDatabase as problem:
            self._begin_anew(problem)

    def _open(self) -> None:
        self._db = open_sqlite(self.path, SCHEMA, SCHEMA_VERSION)
        try:
            self.key = self._held_key()
        except BaseException:
            self._db.close()
            raise

    def _held_key(self) -> bytes:
        with translating_sqlite(self.path):
            row = self._db.execute("SELECT key FROM secret").fetchone()
            key = row[0] if row else secrets.token_bytes(KEY)
            if row is None:
                self._db.execute("INSERT INTO secret (key) VALUES (?)", (key,))
        if not isinstance(key, bytes) or len(key) != KEY:
            raise DamagedDatabase("is damaged", where=self.path)
        return key

    def _begin_anew(self, problem: DamagedDatabase) -> None:
        aside = os.path.basename(set_aside(self.path))
        self.remarks.append(
            f"{self.path} {problem.what}; it was set aside as {aside}; large files that change come whole"
        )
        self._open()

    def _ask(self, work: Callable[[sqlite3.Connection], T]) -> T:
        """What `work` answers, of an empty store if this one turns out to be damaged."""
        try:
            with translating_sqlite(self.path):
                return work(self._db)
        except DamagedDatabase as problem:
            self._db.close()
            self._begin_anew(problem)
            with translating_sqlite(self.path):
                return work(self._db)

    def get(self, path: bytes, digest: bytes) -> ChunkList | None:
        """The chunks of the file at `path`, if it is this content that they describe."""
        row = self._ask(
            lambda db: db.execute("SELECT list, seal FROM chunks WHERE path=? AND digest=?", (path, digest)).fetchone()
        )
        return ChunkList.unpack(row[0]) if row and row[1] == seal_of(self.key, digest, row[0]) else None

    def put(self, path: bytes, digest: bytes, chunks: ChunkList) -> None:
        """Keep the chunks of a file; an older list of the same path goes."""
        packed = chunks.packed()
        row = (path, digest, packed, seal_of(self.key, digest, packed))
        self._ask(
            lambda db: db.execute("INSERT OR REPLACE INTO chunks (path, digest, list, seal) VALUES (?, ?, ?, ?)", row)
        )

    def moved(self, old: bytes, new: bytes) -> None:
        """The file has another name now."""
        self._ask(lambda db: db.execute("UPDATE OR REPLACE chunks SET path=? WHERE path=?", (new, old)))

    def forget(self, path: bytes) -> None:
        """The file is gone."""
        self._ask(lambda db: db.execute("DELETE FROM chunks WHERE path=?", (path,)))

    def close(self) -> None:
        """Close the file."""
        self._db.close()
