"""The home's own record of what stands in the far copy: a cache that can be rebuilt from a listing.

It is kept in blocks of neighbours, each with the numbers the scan saw (so that an unchanged block is recognised
by comparing bytes) and with its lines of the listing, compressed as they will lie there. A new catalogue is
written beside the old one and renamed over it.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from otherroof.base.atomic_file import rename_over
from otherroof.base.sqlite_file import ADVICE, open_sqlite, remove_beside, remove_sqlite, translating_sqlite
from otherroof.far_copy.listing import GZIP
from otherroof.far_copy.numbers import COLUMNS, Numbers, join_path, unpack_batch
from otherroof.far_copy.state import CopyState

SCHEMA_VERSION = 1
SCHEMA = """
CREATE TABLE block (
    seq INTEGER PRIMARY KEY, folder BLOB NOT NULL, count INTEGER NOT NULL, files INTEGER NOT NULL,
    size INTEGER NOT NULL, packed BLOB NOT NULL, lines BLOB NOT NULL
);
CREATE TABLE aside (digest BLOB NOT NULL, path BLOB NOT NULL, size INTEGER NOT NULL, run TEXT NOT NULL);
CREATE TABLE fact (name TEXT PRIMARY KEY, value TEXT NOT NULL);
"""


@dataclass(frozen=True, slots=True)
class Block:
    """A batch as the last run left it. `files` counts what is no folder, `size` their content in bytes."""

    folder: bytes
    count: int
    files: int
    size: int
    packed: bytes
    lines: bytes

    @property
    def first_name(self) -> bytes:
        """The name of the first entry."""
        return self.packed[self.count * COLUMNS * 8 :].split(b"\0", 1)[0]

    @property
    def first(self) -> bytes:
        """The path of the first entry."""
        return join_path(self.folder, self.first_name)

    @property
    def last(self) -> bytes:
        """The path of the last entry."""
        return join_path(self.folder, self.packed[self.count * COLUMNS * 8 :].rsplit(b"\0", 1)[-1])

    def text(self) -> bytes:
        """The lines of the listing, each ended by a newline."""
        return zlib.decompress(self.lines, GZIP)

    def sizes(self) -> list[int]:
        """Every entry's size in bytes."""
        return unpack_batch(self.packed, self.count)[1].tolist()[1::COLUMNS]

    def inodes(self) -> list[int]:
        """Every entry's inode number."""
        return unpack_batch(self.packed, self.count)[1].tolist()[::COLUMNS]

    def items(self) -> list[tuple[bytes, Numbers, bytes]]:
        """Name, numbers and line of every entry."""
        names, numbers = unpack_batch(self.packed, self.count)
        rows = zip(*[iter(numbers)] * COLUMNS, strict=True)
        return list(zip(names, rows, self.text().splitlines(), strict=True))


class AsideContent(NamedTuple):
    """Content of `size` bytes that a run which was cut moved aside at `path`, and that stands there still."""

    digest: bytes
    path: bytes
    size: int
    run: str


class Catalogue:
    """An existing catalogue, for reading."""

    def __init__(self, path: str) -> None:
        self.path = path
        self._db = open_sqlite(path, SCHEMA, SCHEMA_VERSION)
        with translating_sqlite(path):
            held = dict(self._db.execute("SELECT name, value FROM fact").fetchall())
        self.facts = CopyState(
            run=held.get("run", ""),
            home_id=held.get("home_id", ""),
            mounted=held.get("mounted") == "1",
            files=int(held.get("files", 0)),
            size=int(held.get("size", 0)),
            settled=held.get("settled", ""),
            lost=held.get("lost", ""),
            whole_run=held.get("whole_run", ""),
        )

    def blocks(self) -> Iterator[Block]:
        """All blocks in byte order of their paths."""
        with translating_sqlite(self.path):
            rows = self._db.execute("SELECT folder, count, files, size, packed, lines FROM block ORDER BY seq")
            for row in rows:
                yield Block(*row)

    def asides(self) -> Iterator[AsideContent]:
        """What cut runs have moved aside since the last run that counts."""
        with translating_sqlite(self.path):
            for row in self._db.execute("SELECT digest, path, size, run FROM aside"):
                yield AsideContent(*row)

    def note_run(self, facts: CopyState) -> None:
        """A run that changed nothing was committed: only the facts are new."""
        with translating_sqlite(self.path):
            _write_facts(self._db, facts)

    def close(self) -> None:
        """Close the file."""
        self._db.close()


def _write_facts(db: sqlite3.Connection, facts: CopyState) -> None:
    rows = {
        "run": facts.run,
        "home_id": facts.home_id,
        "mounted": "1" if facts.mounted else "0",
        "files": str(facts.files),
        "size": str(facts.size),
        "settled": facts.settled,
        "lost": facts.lost,
        "whole_run": facts.whole_run,
    }
    db.execute("BEGIN IMMEDIATE")
    db.executemany("INSERT OR REPLACE INTO fact (name, value) VALUES (?, ?)", rows.items())
    db.execute("COMMIT")


def write_catalogue(path: str, blocks: Iterable[Block], facts: CopyState, asides: Iterable[AsideContent] = ()) -> str:
    """Write a new catalogue beside `path` and answer its name; `replace_catalogue` makes it count.

    The figures of `facts` are counted here, from the blocks.
    """
    aside = path + ".new"
    remove_sqlite(aside)
    db = open_sqlite(aside, SCHEMA, SCHEMA_VERSION)
    try:
        with translating_sqlite(aside):
            db.execute("PRAGMA synchronous = FULL")
            db.execute("PRAGMA journal_mode = DELETE")
            db.execute("BEGIN IMMEDIATE")
            facts.files = facts.size = 0
            for block in blocks:
                facts.files += block.files
                facts.size += block.size
                db.execute(
                    "INSERT INTO block (folder, count, files, size, packed, lines) VALUES (?, ?, ?, ?, ?, ?)",
                    (block.folder, block.count, block.files, block.size, block.packed, block.lines),
                )
            db.executemany("INSERT INTO aside (digest, path, size, run) VALUES (?, ?, ?, ?)", asides)
            db.execute("COMMIT")
            _write_facts(db, facts)
    finally:
        db.close()
    return aside


def replace_catalogue(aside: str, path: str) -> None:
    """Rename a finished catalogue over the old one, and make the rename durable. Raises HomeTrouble."""
    remove_beside(path)  # what SQLite kept there belongs to the old file
    rename_over(aside, path, ADVICE)
