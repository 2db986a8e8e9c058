"""Keeps the chunk lists of large files from one run to the next: a cache, one file a job, safe to delete.

Without it a changed large file is sent whole once more.
"""

from __future__ import annotations

import secrets

from otherroof.base.sqlite_file import open_sqlite, translating_sqlite
from otherroof.copying.home.chunks import ChunkList

SCHEMA_VERSION = 1
SCHEMA = """
CREATE TABLE secret (key BLOB NOT NULL);
CREATE TABLE chunks (path BLOB PRIMARY KEY, digest BLOB NOT NULL, list BLOB NOT NULL);
"""


class ChunkStore:
    """The chunk lists of one job's files by path, each with the digest of the content it describes."""

    def __init__(self, path: str) -> None:
        self.path = path
        self._db = open_sqlite(path, SCHEMA, SCHEMA_VERSION)
        with translating_sqlite(path):
            row = self._db.execute("SELECT key FROM secret").fetchone()
            self.key: bytes = row[0] if row else secrets.token_bytes(32)
            if row is None:
                self._db.execute("INSERT INTO secret (key) VALUES (?)", (self.key,))

    def get(self, path: bytes, digest: bytes) -> ChunkList | None:
        """The chunks of the file at `path`, if it is this content that they describe."""
        with translating_sqlite(self.path):
            row = self._db.execute("SELECT list FROM chunks WHERE path=? AND digest=?", (path, digest)).fetchone()
        return ChunkList.unpack(row[0]) if row else None

    def put(self, path: bytes, digest: bytes, chunks: ChunkList) -> None:
        """Keep the chunks of a file; an older list of the same path goes."""
        with translating_sqlite(self.path):
            self._db.execute(
                "INSERT OR REPLACE INTO chunks (path, digest, list) VALUES (?, ?, ?)", (path, digest, chunks.packed())
            )

    def moved(self, old: bytes, new: bytes) -> None:
        """The file has another name now."""
        with translating_sqlite(self.path):
            self._db.execute("UPDATE OR REPLACE chunks SET path=? WHERE path=?", (new, old))

    def forget(self, path: bytes) -> None:
        """The file is gone."""
        with translating_sqlite(self.path):
            self._db.execute("DELETE FROM chunks WHERE path=?", (path,))

    def close(self) -> None:
        """Close the file."""
        self._db.close()
