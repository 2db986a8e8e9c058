"""What the runs of one stretch keep, and which of it is still needed: a small file here while the stretch goes.

It must not know what a name means. Memory does not grow with the number of names.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable, Iterator
from contextlib import closing, contextmanager, suppress
from itertools import islice
from os import unlink

from otherroof.base.sqlite_file import translating_sqlite

BATCH = 2000  # names that are noted at once
SCHEMA = "CREATE TABLE held (name BLOB, run TEXT, needed INT NOT NULL DEFAULT 0, PRIMARY KEY (name, run)) WITHOUT ROWID"
FIRST = "run = (SELECT min(other.run) FROM held AS other WHERE other.name = held.name)"


class HeldNames:
    """Names by the runs that keep them. Of several runs with one name, the first has what an older version needs."""

    def __init__(self, path: str, db: sqlite3.Connection) -> None:
        self._path = path
        self._db = db

    def note(self, run: str, names: Iterable[bytes]) -> None:
        """`run` keeps these."""
        self._many("INSERT OR IGNORE INTO held (name, run) VALUES (?, ?)", ((name, run) for name in names))

    def note_needed(self, names: Iterable[bytes]) -> None:
        """An older version needs what is kept under these names, as far as anything is."""
        self._many("UPDATE held SET needed = 1 WHERE name = ?", ((name,) for name in names))

    def unneeded(self) -> Iterator[tuple[bytes, str]]:
        """What no version that stays needs: name and run."""
        return self._rows(f"SELECT name, run FROM held WHERE NOT (needed AND {FIRST})")

    def needed(self, to: str) -> Iterator[tuple[bytes, str]]:
        """What a version that stays needs, but for what the run `to` keeps already: name and run."""
        return self._rows(f"SELECT name, run FROM held WHERE needed AND {FIRST} AND run <> ?", (to,))

    def keep_only(self, left: Collection[tuple[bytes, str]]) -> None:
        """Of all that was noted, only this is left to be done."""
        with translating_sqlite(self._path):
            self._db.execute("DELETE FROM held")
            self._db.executemany("INSERT INTO held VALUES (?, ?, 1)", left)

    def _many(self, statement: str, rows: Iterator[tuple[bytes, ...] | tuple[bytes, str]]) -> None:
        # In portions: what makes the rows may fail with an error of its own, which is none of SQLite's.
        while portion := list(islice(rows, BATCH)):
            with translating_sqlite(self._path):
                self._db.executemany(statement, portion)

    def _rows(self, query: str, values: tuple[str, ...] = ()) -> Iterator[tuple[bytes, str]]:
        with translating_sqlite(self._path):
            found = self._db.execute(query, values)
        while True:
            with translating_sqlite(self._path):
                portion = found.fetchmany(BATCH)
            if not portion:
                return
            yield from portion


@contextmanager
def held_names(path: str) -> Iterator[HeldNames]:
    """A new file at `path`, gone afterwards. Raises HomeTrouble if this machine cannot write it."""
    with suppress(FileNotFoundError):
        unlink(path)  # of one that was killed
    try:
        with translating_sqlite(path):
            db = sqlite3.connect(path, isolation_level=None)
        with closing(db):
            with translating_sqlite(path):
                # It dies with its removal, so nothing in it has to survive a crash, and what is noted is never
                # committed: else each single name would be a change of the file.
                db.execute("PRAGMA journal_mode = OFF")
                db.execute("PRAGMA synchronous = OFF")
                db.execute("BEGIN IMMEDIATE")
                db.execute(SCHEMA)
            yield HeldNames(path, db)
    finally:
        with suppress(FileNotFoundError):
            unlink(path)
