"""Opens the small SQLite files that a run keeps in the state folder, translates what SQLite raises, and sets a damaged
file aside.

The ledger opens its own, by the same rules of what damage is. It must not know what the files mean: what is made in
place of a damaged one is its owner's affair.
"""

from __future__ import annotations

import os
import re
import sqlite3
import time
import zlib
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from otherroof.base.errors import HomeTrouble

BUSY_S = 20.0
SQLITE_ERRORS = (sqlite3.Error, UnicodeDecodeError)  # the latter if it quotes damaged bytes in its message
UNLIKELY = 1000  # a version so much higher than ours was not written by any program of ours
KEPT_ASIDE = 2  # damaged files of one name that are kept; on a dying disk there would be more and more
_DAMAGE = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT}
_DAMAGE_WHILE_READING = {sqlite3.SQLITE_IOERR_READ, sqlite3.SQLITE_IOERR_SHORT_READ}
_DAMAGE_WORDS = re.compile(r"no such (table|column|index)|already exists|duplicate column|malformed|ould not decode")
BESIDE = ("-wal", "-shm")  # what SQLite keeps beside a file in its write-ahead mode
_ASIDE = ".damaged-"


class DamagedDatabase(HomeTrouble):
    """A file holds what nobody wrote into it. `where` names it."""

    usual_advice = "it is kept under another name and made anew; if this happens again, check this machine's disk"


def open_sqlite(path: str, schema: str, version: int, *, outlives_power: bool = False) -> sqlite3.Connection:
    """The database at `path`, made with `schema` if it is new.

    What is committed survives this process; with `outlives_power` also a power cut in the next moment, for which each
    commit waits for the disk. Raises HomeTrouble if it cannot be used or was written with a higher `version`,
    DamagedDatabase if it is damaged or of a lower one: what is kept here can be made anew.
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
    if found > version + UNLIKELY or found < 0:
        raise DamagedDatabase("is damaged", where=path)
    if 0 < found < version:
        raise DamagedDatabase("was written by an older Otherroof", where=path)
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
    except SQLITE_ERRORS as problem:
        raise sqlite_trouble(path, problem) from problem


def sqlite_trouble(path: str, problem: Exception) -> HomeTrouble:
    """What an SQLite error means for people."""
    if is_damage(problem):
        return DamagedDatabase(f"is damaged ({problem})", where=path)
    return HomeTrouble(f"cannot be used: {problem}", where=path, advice=ADVICE)


def is_damage(problem: Exception) -> bool:
    """Whether SQLite found in a file what it did not write there."""
    if not isinstance(problem, sqlite3.Error):
        return isinstance(problem, UnicodeDecodeError)
    code = getattr(problem, "sqlite_errorcode", sqlite3.SQLITE_ERROR)
    if code & 0xFF in _DAMAGE or code in _DAMAGE_WHILE_READING:
        return True
    return code == sqlite3.SQLITE_ERROR and _DAMAGE_WORDS.search(str(problem)) is not None


def prove_sqlite(db: sqlite3.Connection, path: str) -> None:
    """Have SQLite look at every page and every index. Raises DamagedDatabase."""
    with translating_sqlite(path):
        (found,) = db.execute("PRAGMA integrity_check(1)").fetchone()
    if found != "ok":
        raise DamagedDatabase(f"is damaged ({' '.join(str(found).split())})", where=path)


def seal_of(*values: object) -> int:
    """A checksum over these values: by it a row shows that a bit of it fell over, which SQLite does not notice."""
    return zlib.crc32(repr(values).encode())


def set_aside(path: str) -> str:
    """Move a damaged database out of the way, under a dated name beside it, which is the answer. Raises HomeTrouble."""
    aside = f"{path}{_ASIDE}{time.strftime('%Y-%m-%dT%H%M%SZ', time.gmtime())}"
    try:
        rename_sqlite(path, aside)
    except OSError as problem:
        raise HomeTrouble(
            f"is damaged and cannot be set aside: {problem.strerror}", where=str(problem.filename), advice=ADVICE
        ) from problem
    for old in all_set_aside(path)[:-KEPT_ASIDE]:
        remove_sqlite(old)
    return aside


def all_set_aside(path: str) -> list[str]:
    """The damaged files that were set aside from this name, the oldest first."""
    folder, name = os.path.split(path)
    try:
        names = os.listdir(folder)
    except FileNotFoundError:
        return []
    found = [one for one in names if one.startswith(name + _ASIDE) and not one.endswith(BESIDE)]
    return [os.path.join(folder, one) for one in sorted(found)]


def rename_sqlite(path: str, target: str) -> None:
    """Give the database, and what SQLite keeps beside it, another name; what is not there is passed over. Raises
    OSError."""
    # What lies beside it goes first: no other process may open a new file together with the old one's tail.
    for end in (*BESIDE, ""):
        with suppress(FileNotFoundError):
            os.rename(path + end, target + end)


def replace_sqlite(source: str, path: str) -> None:
    """Let the database at `source`, with what lies beside it, be that at `path`, in place of any there; if there is
    none, there is none any more. Raises HomeTrouble, OSError."""
    remove_sqlite(path)
    rename_sqlite(source, path)


def remove_sqlite(path: str) -> None:
    """Remove the database and what SQLite keeps beside it. Raises HomeTrouble."""
    remove_beside(path)
    _remove(path)


def remove_beside(path: str) -> None:
    """Remove what SQLite keeps beside the database. Raises HomeTrouble."""
    _remove(*(path + end for end in BESIDE))


def _remove(*names: str) -> None:
    for name in names:
        try:
            os.unlink(name)
        except FileNotFoundError:
            continue
        except OSError as problem:
            raise HomeTrouble(f"cannot be removed: {problem.strerror}", where=name, advice=ADVICE) from problem
