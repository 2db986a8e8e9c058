"""The SQLite file that the states of versions lie in: its tables, and the two ways it is opened.

It must not know what is asked of it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from typing import Any

from otherroof.base.sqlite_file import SQLITE_ERRORS, sqlite_trouble, translating_sqlite
from otherroof.far_copy.entry import EntryKind

FORMAT = 1  # of these tables; an index of another format is not looked at
KINDS: tuple[EntryKind, ...] = ("file", "folder", "link")
_CACHE_KB = 16 * 1024
_SCHEMA = """
CREATE TABLE IF NOT EXISTS versions (number INTEGER PRIMARY KEY, run TEXT NOT NULL, taken TEXT NOT NULL,
    files INTEGER NOT NULL, size INTEGER NOT NULL, holds INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS states (path BLOB NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL,
    mark INTEGER NOT NULL, kind INTEGER NOT NULL, size INTEGER NOT NULL, mtime_ns INTEGER NOT NULL,
    mode INTEGER NOT NULL, digest BLOB NOT NULL, target BLOB NOT NULL, PRIMARY KEY (path, first)) WITHOUT ROWID;
"""


class IndexDb:
    """An index that is open: for reading alone or, `writing`, for taking versions in; then it is made if need be.

    Every method raises HomeTrouble if SQLite cannot do it. Closed by whoever opened it.
    """

    def __init__(self, path: str, *, writing: bool = False) -> None:
        self._path = path
        with translating_sqlite(path):
            # `immutable`: nobody writes into a finished index, so none of SQLite's locks and side files are needed.
            mode = "" if writing else "?mode=ro&immutable=1"
            self._db = sqlite3.connect(f"file:{_quoted(path)}{mode}", uri=True, isolation_level=None)
            self._db.execute(f"PRAGMA cache_size = -{_CACHE_KB}")
            self._db.execute("PRAGMA temp_store = FILE")
            if writing:
                # A file that is given up if anything goes wrong needs no way back.
                self._db.execute("PRAGMA journal_mode = OFF")
                self._db.execute("PRAGMA synchronous = OFF")
                self._db.executescript(_SCHEMA)

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def do(self, statement: str, values: Any = ()) -> None:
        """Carry out a statement that answers nothing."""
        with translating_sqlite(self._path):
            self._db.execute(statement, values)

    def do_all(self, statement: str, rows: Any) -> None:
        """Carry out a statement for each of these rows."""
        with translating_sqlite(self._path):
            self._db.executemany(statement, rows)

    def rows(self, query: str, values: Any = ()) -> Iterator[Any]:
        """The answer, row by row as it is read."""
        try:
            yield from self._db.execute(query, values)
        except SQLITE_ERRORS as problem:
            raise sqlite_trouble(self._path, problem) from problem


def _quoted(path: str) -> str:
    return path.replace("%", "%25").replace("?", "%3f").replace("#", "%23")
