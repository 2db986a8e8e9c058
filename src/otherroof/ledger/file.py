"""The ledger's one SQLite file: opens it, guards every use of it, and translates SQLite's errors.

It knows the schema's version and nothing of what is written; that is for the pages, which all share one such file.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager

from otherroof.base.errors import HomeTrouble
from otherroof.ledger.schema import migrate, transaction

BUSY_S = 20.0
BUSY_STEP_S = 0.02


class LedgerFile:
    """The open file, brought to the newest schema. Safe for several processes; one thread each connection."""

    def __init__(self, path: str) -> None:
        self.path = path
        try:
            os.makedirs(os.path.dirname(path), mode=0o700, exist_ok=True)
            self.db = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
        except (OSError, sqlite3.Error) as problem:
            raise _translated(problem, path) from problem
        try:
            with self.guarded():
                _use_wal(self.db)
                self.db.execute("PRAGMA synchronous = NORMAL")
                migrate(self.db, path)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close the file; nothing is lost without it."""
        self.db.close()

    @contextmanager
    def guarded(self) -> Iterator[None]:
        """Turns SQLite's errors into HomeTrouble."""
        try:
            yield
        except sqlite3.Error as problem:
            raise _translated(problem, self.path) from problem

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One write transaction: kept whole or not at all."""
        with self.guarded(), transaction(self.db):
            yield self.db


class Page:
    """One kind of thing that the ledger holds; all pages share one file."""

    def __init__(self, file: LedgerFile) -> None:
        self.file = file


def _use_wal(db: sqlite3.Connection) -> None:
    """Write-ahead mode, waited for: SQLite refuses at once, without its own patience, if several processes open a
    new file at the same moment."""
    until = time.monotonic() + BUSY_S
    while True:
        try:
            db.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as problem:
            if problem.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or time.monotonic() > until:
                raise
            time.sleep(BUSY_STEP_S)
        else:
            return


def _translated(problem: Exception, path: str) -> HomeTrouble:
    return HomeTrouble(
        f"the ledger cannot be used: {problem}",
        where=path,
        advice="check that the state folder can be written by this account and that its disk is not full",
    )
