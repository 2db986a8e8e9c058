"""Opens the small SQLite files that a run keeps in the state folder, and translates what SQLite raises.

The ledger has its own; these are caches and working notes of one job.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from otherroof.base.errors import HomeTrouble

BUSY_S = 20.0


def open_sqlite(path: str, schema: str, version: int, *, outlives_power: bool = False) -> sqlite3.Connection:
    """The database at `path`, made with `schema` if it is new.

    What is committed survives this process; with `outlives_power` also a power cut in the next moment, for which each
    commit waits for the disk. Raises HomeTrouble if it cannot be used or was written with a higher `version`.
    """
    with translating_sqlite(path):
        try:
            os.makedirs(os.path.dirname(path), mode=0o700, exist_ok=True)
        except OSError as problem:
            raise HomeTrouble(
                f"cannot be written: {problem.strerror}", where=os.path.dirname(path), advice=ADVICE
            ) from problem
        db = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None, check_same_thread=False)
        try:
            db.execute("PRAGMA journal_mode = WAL")
            db.execute(f"PRAGMA synchronous = {'FULL' if outlives_power else 'NORMAL'}")
            db.execute("PRAGMA cache_size = -16384")
            _bring_to_version(db, path, schema, version)
        except BaseException:
            db.close()
            raise
    return db


def _bring_to_version(db: sqlite3.Connection, path: str, schema: str, version: int) -> None:
    (found,) = db.execute("PRAGMA user_version").fetchone()
    if found > version:
        raise HomeTrouble(
            f"was written by a newer Otherroof (schema {found}, known here: {version})",
            where=path,
            advice="install that version again, or delete this file: the next run makes it anew",
        )
    if found < version:
        db.executescript(f"BEGIN IMMEDIATE; {schema}; PRAGMA user_version = {version}; COMMIT;")


ADVICE = "check that the state folder can be written by this account and that its disk is not full"


@contextmanager
def translating_sqlite(path: str) -> Iterator[None]:
    """Turns SQLite's errors into HomeTrouble that names the file."""
    try:
        yield
    except sqlite3.Error as problem:
        raise sqlite_trouble(path, problem) from problem


def sqlite_trouble(path: str, problem: sqlite3.Error) -> HomeTrouble:
    """What an SQLite error means for people."""
    return HomeTrouble(f"cannot be used: {problem}", where=path, advice=ADVICE)


def remove_sqlite(path: str) -> None:
    """Remove the database and what SQLite keeps beside it. Raises HomeTrouble."""
    remove_beside(path)
    _remove(path)


def remove_beside(path: str) -> None:
    """Remove what SQLite keeps beside the database. Raises HomeTrouble."""
    _remove(path + "-wal", path + "-shm")


def _remove(*names: str) -> None:
    for name in names:
        try:
            os.unlink(name)
        except FileNotFoundError:
            continue
        except OSError as problem:
            raise HomeTrouble(f"cannot be removed: {problem.strerror}", where=name, advice=ADVICE) from problem
