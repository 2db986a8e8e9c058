"""The SQLite file of a run's notes: its tables, its seals, and how it is committed, closed and proved.

Knows rows, and nothing of what follows from them. An intention that is committed here outlives a power cut at home.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from typing import Any

from otherroof.base.atomic_file import FOR_OWNER
from otherroof.base.errors import HomeTrouble
from otherroof.base.handles import read_plain_file
from otherroof.base.sqlite_file import (
    ADVICE,
    SQLITE_ERRORS,
    DamagedDatabase,
    open_sqlite,
    prove_sqlite,
    remove_sqlite,
    replace_sqlite,
    seal_of,
    sqlite_trouble,
    translating_sqlite,
)
from otherroof.copying.compare.change import BEGUN, DONE, PlannedChange
from otherroof.far_copy.numbers import MODE, MTIME, SIZE

SCHEMA_VERSION = 4
SCHEMA = """
CREATE TABLE fact (name TEXT PRIMARY KEY, value TEXT NOT NULL, seal INTEGER NOT NULL);
CREATE TABLE change (
    path BLOB PRIMARY KEY, had INTEGER NOT NULL, want INTEGER NOT NULL, doubt INTEGER NOT NULL,
    ino INTEGER, size INTEGER, mtime INTEGER, ctime INTEGER, mode INTEGER, device INTEGER NOT NULL,
    old BLOB, old_size INTEGER NOT NULL, old_digest BLOB, first BLOB, source BLOB, digest BLOB,
    state INTEGER NOT NULL DEFAULT 0, line BLOB, why TEXT, landed INTEGER NOT NULL DEFAULT 0, seal INTEGER NOT NULL
) WITHOUT ROWID;
CREATE INDEX change_gone ON change (old_size) WHERE had = 8 AND want <> 8;
CREATE INDEX change_hard ON change (ino, device) WHERE device <> 0;
CREATE INDEX change_digest ON change (digest) WHERE digest IS NOT NULL;
CREATE INDEX change_large ON change (size) WHERE size > 1048576;
CREATE INDEX change_state ON change (state) WHERE state IN (1, 3);
CREATE TABLE hard (ino INTEGER PRIMARY KEY);
CREATE TABLE content (digest BLOB NOT NULL, path BLOB NOT NULL, size INTEGER NOT NULL, run TEXT NOT NULL);
CREATE INDEX content_digest ON content (digest);
CREATE INDEX content_size ON content (size);
CREATE TABLE part (path BLOB PRIMARY KEY, ino INTEGER, size INTEGER, mtime INTEGER, ctime INTEGER, upto INTEGER,
    digest BLOB NOT NULL, seal INTEGER NOT NULL);
"""

PAGE = 500
COMMITS = "commits"  # the fact that says how often the notes were committed
COUNT_END = "-commits"  # and the end of the name of the file that says it too
COLUMNS = (
    "path, had, want, doubt, ino, size, mtime, ctime, mode, device, old, old_size, old_digest, first, source, digest,"
    " state, line, why, landed"
)


class PlanFile:
    """The open file. Raises HomeTrouble if it cannot be used, DamagedDatabase if it is not as it was written."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.db = open_sqlite(path, SCHEMA, SCHEMA_VERSION, outlives_power=True)
        try:
            with translating_sqlite(path):
                self.db.execute("BEGIN")
            self._commits = int(self.fact(COMMITS) or 0)
            self._changes = self.db.total_changes
        except BaseException:
            self.db.close()
            raise

    def prove(self, least: int) -> None:
        """Read all of it. Raises DamagedDatabase if a row is not as it was written, or if commits are missing."""
        prove_sqlite(self.db, self.path)
        with translating_sqlite(self.path):
            facts = self.db.execute("SELECT name, value, seal FROM fact").fetchall()
            parts = self.db.execute("SELECT path, ino, size, mtime, ctime, upto, digest, seal FROM part").fetchall()
            sealed = all(row[-1] == seal_of(*row[:-1]) for row in (*facts, *parts))
            for row in self.db.execute(f"SELECT {COLUMNS}, seal FROM change"):
                sealed = sealed and row[-1] == seal_of_change(as_change(row[:-1]))
        if not sealed or self._commits < least:
            raise DamagedDatabase("is damaged", where=self.path)

    def close(self) -> None:
        """Keep what was noted and close."""
        try:
            with translating_sqlite(self.path):
                if self.db.in_transaction:  # SQLite ends it by itself if the disk is full
                    self.db.execute("COMMIT")
        finally:
            self.db.close()

    def discard(self) -> None:
        """The run is over and its notes are no longer needed."""
        self.db.close()
        remove_notes(self.path)

    def commit(self) -> None:
        """What was noted so far survives this process, and a power cut; waits for the disk if there is anything new."""
        if self.db.total_changes == self._changes:
            return
        self._commits += 1
        self.note_fact(COMMITS, str(self._commits))
        with translating_sqlite(self.path):
            self.db.execute("COMMIT")
            self.db.execute("BEGIN")
        self._changes = self.db.total_changes
        _count_commits(self.path, self._commits)

    # -- facts of the run --

    def fact(self, name: str) -> str:
        """A fact noted under `name`, or nothing."""
        row = self.one("SELECT value FROM fact WHERE name=?", (name,))
        return str(row[0]) if row else ""

    def note_fact(self, name: str, value: str) -> None:
        """Note a fact about the run itself."""
        self.do("INSERT OR REPLACE INTO fact (name, value, seal) VALUES (?, ?, ?)", (name, value, seal_of(name, value)))

    # -- changes --

    def changes(self, which: str, *, backwards: bool = False) -> Iterator[PlannedChange]:
        """The changes for which this condition in SQL holds, in order of the path; rows may be noted on meanwhile."""
        return map(as_change, self.rows(COLUMNS, which, backwards=backwards))

    def rows(self, columns: str, which: str, *, backwards: bool = False) -> Iterator[tuple[Any, ...]]:
        """These columns of such changes, of which the first is the path, in the same order."""
        compare, order = ("<", "DESC") if backwards else (">", "ASC")
        query = f"SELECT {columns} FROM change WHERE ({which}) {{}} ORDER BY path {order} LIMIT {PAGE}"
        given: tuple[Any, ...] = ()
        while True:
            with translating_sqlite(self.path):
                rows = self.db.execute(query.format(f"AND path {compare} ?" if given else ""), given).fetchall()
            yield from rows
            if len(rows) < PAGE:
                return
            given = (rows[-1][0],)

    # Called for every file, so without the cost of a context manager.

    def one(self, query: str, given: tuple[Any, ...]) -> tuple[Any, ...] | None:
        try:
            row: tuple[Any, ...] | None = self.db.execute(query, given).fetchone()
        except SQLITE_ERRORS as problem:
            raise sqlite_trouble(self.path, problem) from problem
        return row

    def do(self, query: str, given: tuple[Any, ...]) -> None:
        try:
            self.db.execute(query, given)
        except SQLITE_ERRORS as problem:
            raise sqlite_trouble(self.path, problem) from problem


def _count_commits(path: str, commits: int) -> None:
    """Write down beside the notes how often they were committed: SQLite forgets newer commits silently if an older one
    was damaged, or the end of its file was lost. Not synced: after a power cut it may say less, never more."""
    try:
        handle = os.open(path + COUNT_END, os.O_WRONLY | os.O_CREAT | os.O_NONBLOCK | os.O_CLOEXEC, FOR_OWNER)
        try:
            os.pwrite(handle, b"%020d" % commits, 0)
        finally:
            os.close(handle)
    except OSError as problem:
        raise HomeTrouble(f"cannot be written: {problem.strerror}", where=path + COUNT_END, advice=ADVICE) from problem


def remove_notes(path: str) -> None:
    """Remove a run's notes with all that lies beside them. Raises HomeTrouble, OSError."""
    remove_sqlite(path)
    with contextlib.suppress(FileNotFoundError):
        os.unlink(path + COUNT_END)


def replace_notes(source: str, target: str) -> None:
    """Let a run's notes at `source` be those at `target`, in place of any there; if there are none, there are none any
    more. Raises HomeTrouble, OSError."""
    remove_notes(target)
    replace_sqlite(source, target)
    with contextlib.suppress(FileNotFoundError):
        os.rename(source + COUNT_END, target + COUNT_END)


def commits_counted(path: str) -> int:
    try:
        return int(read_plain_file(path + COUNT_END, 20) or 0)
    except FileNotFoundError:
        return 0
    except (OSError, ValueError) as problem:
        raise DamagedDatabase("is damaged", where=path) from problem


def seal_of_change(change: PlannedChange) -> int:
    """The seal of a note, over what the next run goes by; what is only for this one may change without it."""
    path, want, state, numbers = change.path, change.want, change.state, change.numbers
    if state not in (BEGUN, DONE):
        return seal_of(path, want, change.old_size, change.old_digest, state, change.had)
    had = change.had if state == BEGUN else None
    kept = (numbers[SIZE], numbers[MTIME], numbers[MODE]) if numbers is not None else None
    return seal_of(
        path, want, change.old_size, change.old_digest, state, change.landed, had, change.digest, change.line, kept
    )


def as_change(row: tuple[Any, ...]) -> PlannedChange:
    path, had, want, doubt, ino, size, mtime, ctime, mode = row[:9]
    numbers = None if ino is None else (ino, size, mtime, ctime, mode)
    return PlannedChange(path, had, want, bool(doubt), numbers, *row[9:])
