"""The ledger's one SQLite file: opens it, guards every use of it, and translates SQLite's errors.

It knows the schema's version and nothing of what is written; that is for the pages, which all share one such file. A
damaged file is set aside, and a new history begins in its place, whether that shows at opening or later.
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from typing import ClassVar

from otherroof.base.clock import stamp
from otherroof.base.errors import HomeTrouble
from otherroof.base.sqlite_file import SQLITE_ERRORS, DamagedDatabase, all_set_aside, is_damage, set_aside
from otherroof.ledger.schema import migrate, transaction
from otherroof.ledger.soundness import is_sound

BUSY_S = 20.0
BUSY_STEP_S = 0.02


class LedgerFile:
    """The open file, brought to the newest schema. Safe for several processes; one thread each connection."""

    def __init__(self, path: str) -> None:
        self.path = path
        try:
            self._open()
        except DamagedDatabase:
            self._begin_anew()

    def _open(self) -> None:
        path = self.path
        try:
            os.makedirs(os.path.dirname(path), mode=0o700, exist_ok=True)
            self._inode = _inode_at(path)
            self.db = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
            self._inode = _inode_at(path)
        except (OSError, *SQLITE_ERRORS) as problem:
            raise _translated(problem, path) from problem
        try:
            _use_wal(self.db)
            self.db.execute("PRAGMA synchronous = NORMAL")
            migrate(self.db, path)
        except SQLITE_ERRORS as problem:
            self.close()
            raise _translated(problem, path) from problem
        except BaseException:
            self.close()
            raise

    def _begin_anew(self) -> str:
        """Set the file, which is closed, aside, unless another process did so already, and open a new one; answers the
        old one's name."""
        folder = os.open(os.path.dirname(self.path), os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
        try:
            _lock_for_a_blink(folder, self.path)
            if self._inode and _inode_at(self.path) == self._inode:
                set_aside(self.path)
        finally:
            os.close(folder)
        self._open()
        return os.path.basename(all_set_aside(self.path)[-1])

    def refuse_if_unsound(self, error: Exception) -> None:
        """Begin a new history and raise HomeTrouble if `error` came of values in the file that cannot be ours."""
        if not is_sound(self.db, self.path):
            self.close()
            aside = self._begin_anew()
            self.close()
            raise _damaged(self.path, str(error), aside) from error

    def close(self) -> None:
        """Close the file; nothing is lost without it."""
        self.db.close()

    @contextmanager
    def guarded(self) -> Iterator[None]:
        """Turns SQLite's errors into HomeTrouble; after one that tells of damage a new history has begun."""
        try:
            yield
        except SQLITE_ERRORS as problem:
            if is_damage(problem):
                self.close()
                raise _damaged(self.path, str(problem), self._begin_anew()) from problem
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


class WirePage(Page):
    """What crosses the wire to a far box: `table` is where each has its bytes, `moment` the column of its beginning."""

    table: ClassVar[str]
    moment: ClassVar[str] = "started"

    def wire_bytes_since(self, far: str, since: datetime) -> int:
        """Bytes on the wire to and from `far`, both ways, of what began since then."""
        query = f"SELECT coalesce(sum(wire_up + wire_down), 0) FROM {self.table} WHERE far=? AND {self.moment}>=?"
        with self.file.guarded():
            (count,) = self.file.db.execute(query, (far, stamp(since))).fetchone()
        return int(count)


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


def _inode_at(path: str) -> int:
    """By which a file is known from one of the same name; 0 if there is none."""
    try:
        return os.stat(path).st_ino
    except FileNotFoundError:
        return 0


def _lock_for_a_blink(folder: int, path: str) -> None:
    """Others hold it for two renames only; whoever holds it longer is not waited for."""
    until = time.monotonic() + BUSY_S
    while True:
        try:
            fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as problem:
            if time.monotonic() > until:
                raise _translated(problem, path) from problem
            time.sleep(BUSY_STEP_S)
        else:
            return


def _damaged(path: str, why: str, aside: str) -> HomeTrouble:
    return HomeTrouble(
        f"the ledger was damaged ({why}); it was set aside as {aside}, and a new history has begun",
        where=path,
        advice="do this once more; if it comes again, look at this machine's disk",
    )


def _translated(problem: Exception, path: str) -> HomeTrouble:
    if is_damage(problem):
        return DamagedDatabase(f"is damaged ({problem})", where=path)
    return HomeTrouble(
        f"the ledger cannot be used: {problem}",
        where=path,
        advice="check that the state folder can be written by this account and that its disk is not full",
    )
