"""The far box's own reading of a job's folder: what a timer of its own found there, left beside the copies for home.

The file is a row of records in no order, one for each file, each ended by NUL:

    <64 hex digits> <seconds> <bytes> <path>

BLAKE2b-256 of the bytes that lie there (RFC 7693, as `b2sum -l 256` prints it), when they were read in whole seconds
since 1970 UTC, how many they are, and the path as seen from the job's folder over there, up to the NUL; one space
between. It is the far box's word and no proof: it finds rot, not lies. What makes no sense is passed over and counted.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import BinaryIO

from otherroof.base.errors import PlaceError
from otherroof.base.sqlite_file import translating_sqlite
from otherroof.far import requests
from otherroof.far.local_sink import LocalFileSink
from otherroof.far.place import Place, run_script
from otherroof.far.requests import Script, Sink
from otherroof.far_copy.entry import is_safe

OWN_FOLDER = b"box"  # root's own folder at the far box, beside the base folder of copies
LONGEST_RECORD = 32 * 1024  # bytes; a path over there has at most 4096
MOST_RECORDS = 20_000_000
LARGEST = 4 * 1024**3  # bytes of such a file; twenty million files with long paths
BLOCK = 1 << 20
_RECORD = re.compile(rb"([0-9a-f]{64}) ([0-9]{1,11}) ([0-9]{1,19}) (.+)\Z", re.DOTALL)


@dataclass(frozen=True, slots=True)
class OwnWord:
    """What the far box says of one file: its digest, when it was read, its size in bytes, its name over there."""

    digest: bytes
    at: datetime
    size: int
    name: bytes


def parse_record(record: bytes) -> OwnWord | None:
    """One record without its NUL; None if it makes no sense."""
    found = _RECORD.match(record) if len(record) <= LONGEST_RECORD else None
    if found is None or not is_safe(found[4]):
        return None
    return OwnWord(
        bytes.fromhex(found[1].decode()), datetime.fromtimestamp(int(found[2]), UTC), int(found[3]), found[4]
    )


def record_of(word: OwnWord) -> bytes:
    """The record as it stands in the file, its NUL with it."""
    return b"%s %d %d %s\0" % (word.digest.hex().encode(), int(word.at.timestamp()), word.size, word.name)


def records(file: BinaryIO) -> Iterator[bytes]:
    """The records of such a file, without their NULs; what comes after the last NUL was cut off and is none.

    One that is longer than any can be comes cut short, which makes no sense either.
    """
    rest = b""
    while block := file.read(BLOCK):
        *whole, rest = (rest + block).split(b"\0")
        yield from whole
        if len(rest) > LONGEST_RECORD:
            rest = rest[: LONGEST_RECORD + 1]


def fetch_own_reading(place: Place, job: str, into: str, most: int) -> bool:
    """Bring the far box's reading of `job` into a new file of this machine; False if it offers none, or one of more
    than `most` bytes. It lies in a folder of root's own, beside the one that copies are written to."""
    sink = LocalFileSink(into, "the far box's own reading", new=True)
    try:
        return run_script(place, _fetch(b"../" + OWN_FOLDER + b"/" + job.encode() + b".read", sink, min(most, LARGEST)))
    except PlaceError:
        return False  # most far boxes have none
    finally:
        sink.close()


def _fetch(path: bytes, sink: Sink, most: int) -> Script[bool]:
    handle = yield requests.OpenFile(path, requests.Mode.READ)
    attrs: requests.Attrs = yield requests.StatOpen(handle)
    fits = attrs.size <= most
    if fits:
        yield requests.ReadStream(handle, 0, attrs.size, sink)
    yield requests.LetGo(handle)
    return fits


class OwnWords:
    """All that a far box says of a job's files, kept in a file of this machine that goes when it is closed."""

    def __init__(self, path: str) -> None:
        self._path = path
        self.unread = 0  # records that made no sense
        self.newest: datetime | None = None
        with translating_sqlite(path):
            self._db = sqlite3.connect(path, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = OFF")
            self._db.execute("PRAGMA synchronous = OFF")
            self._db.execute(
                "CREATE TABLE word (name BLOB PRIMARY KEY, digest BLOB NOT NULL, at INTEGER NOT NULL) WITHOUT ROWID"
            )

    def take(self, file: BinaryIO) -> None:
        """Read such a file. If it names a file twice, the later reading counts."""
        with translating_sqlite(self._path):
            self._db.execute("BEGIN")
            self._db.executemany(
                "INSERT INTO word (name, digest, at) VALUES (?, ?, ?)"
                " ON CONFLICT DO UPDATE SET digest=excluded.digest, at=excluded.at WHERE excluded.at >= at",
                self._rows(file),
            )
            self._db.execute("COMMIT")

    def _rows(self, file: BinaryIO) -> Iterator[tuple[bytes, bytes, int]]:
        for number, record in enumerate(records(file)):
            if number >= MOST_RECORDS:
                return
            word = parse_record(record)
            if word is None:
                self.unread += 1
                continue
            self.newest = max(self.newest or word.at, word.at)
            yield word.name, word.digest, int(word.at.timestamp())

    def of(self, name: bytes) -> tuple[bytes, datetime] | None:
        """The digest that the far box found in this file, and when it did; None if it says nothing of it."""
        with translating_sqlite(self._path):
            row = self._db.execute("SELECT digest, at FROM word WHERE name=?", (name,)).fetchone()
        return (row[0], datetime.fromtimestamp(row[1], UTC)) if row else None

    def close(self) -> None:
        """Forget it all."""
        self._db.close()
        with suppress(OSError):  # litter at worst: the name is never used again
            Path(self._path).unlink()
