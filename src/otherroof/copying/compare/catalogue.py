"""The home's own record of what stands in the far copy: a cache that can be rebuilt from a listing.

It is kept in blocks of neighbours, each with the numbers the scan saw (so that an unchanged block is recognised
by comparing bytes) and with its lines of the listing, compressed as they will lie there. A new catalogue is
written beside the old one and renamed over it. Its content is sealed when it is written: a listing is put together from
its stored bytes, so a bit that fell over on this disk must not pass for what the far copy holds.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from hashlib import blake2b
from typing import NamedTuple

from otherroof.base.atomic_file import rename_over
from otherroof.base.sqlite_file import (
    ADVICE,
    DamagedDatabase,
    open_sqlite,
    prove_sqlite,
    remove_beside,
    remove_sqlite,
    seal_of,
    translating_sqlite,
)
from otherroof.far_copy.listing import GZIP
from otherroof.far_copy.numbers import COLUMNS, Numbers, join_path, unpack_batch
from otherroof.far_copy.state import CopyState

SCHEMA_VERSION = 2
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
        """Raises DamagedDatabase if its facts are not as they were written."""
        self.path = path
        self._db = open_sqlite(path, SCHEMA, SCHEMA_VERSION)
        try:
            held = self._held_facts()
        except BaseException:
            self._db.close()
            raise
        self._content = held["content"]
        self.facts = CopyState(
            run=held["run"],
            home_id=held["home_id"],
            mounted=held["mounted"] == "1",
            files=int(held["files"]),
            size=int(held["size"]),
            settled=held["settled"],
            lost=held["lost"],
            whole_run=held["whole_run"],
        )

    def _held_facts(self) -> dict[str, str]:
        with translating_sqlite(self.path):
            held = dict(self._db.execute("SELECT name, value FROM fact").fetchall())
        if held.pop("seal", "") != _seal_of_facts(held):
            raise DamagedDatabase("is damaged", where=self.path)
        return held

    def prove(self) -> None:
        """Read all of it, and hold it against its seal. Raises DamagedDatabase."""
        seal = _ContentSeal()
        prove_sqlite(self._db, self.path)
        for block in self.blocks():
            seal.take(block)
        for content in self.asides():
            seal.take(content)
        if seal.value != self._content:
            raise DamagedDatabase("is damaged", where=self.path)

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
            _write_facts(self._db, facts, self._content)

    def close(self) -> None:
        """Close the file."""
        self._db.close()


class _ContentSeal:
    """A checksum over blocks and asides, in the order in which they lie in the file."""

    def __init__(self) -> None:
        self._sum = blake2b(digest_size=16)

    def take(self, row: Block | AsideContent) -> None:
        """One more row."""
        if isinstance(row, Block):
            self._sum.update(repr((row.folder, row.count, row.files, row.size, len(row.packed))).encode())
            self._sum.update(row.packed)
            self._sum.update(row.lines)
        else:
            self._sum.update(repr(tuple(row)).encode())

    @property
    def value(self) -> str:
        return self._sum.hexdigest()


def _seal_of_facts(facts: dict[str, str]) -> str:
    return str(seal_of(sorted(facts.items(), key=repr)))


def _write_facts(db: sqlite3.Connection, facts: CopyState, content: str) -> None:
    rows = {
        "run": facts.run,
        "home_id": facts.home_id,
        "mounted": "1" if facts.mounted else "0",
        "files": str(facts.files),
        "size": str(facts.size),
        "settled": facts.settled,
        "lost": facts.lost,
        "whole_run": facts.whole_run,
        "content": content,
    }
    rows["seal"] = _seal_of_facts(rows)
    db.execute("BEGIN IMMEDIATE")
    db.executemany("INSERT OR REPLACE INTO fact (name, value) VALUES (?, ?)", rows.items())
    db.execute("COMMIT")


def write_catalogue(path: str, blocks: Iterable[Block], facts: CopyState, asides: Iterable[AsideContent] = ()) -> str:
    """Write a new catalogue beside `path` and answer its name; `replace_catalogue` makes it count.

    The figures of `facts` are counted here, from the blocks.
    """
    aside, seal = path + ".new", _ContentSeal()
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
                seal.take(block)
                db.execute(
                    "INSERT INTO block (folder, count, files, size, packed, lines) VALUES (?, ?, ?, ?, ?, ?)",
                    (block.folder, block.count, block.files, block.size, block.packed, block.lines),
                )
            for content in asides:
                seal.take(content)
                db.execute("INSERT INTO aside (digest, path, size, run) VALUES (?, ?, ?, ?)", content)
            db.execute("COMMIT")
            _write_facts(db, facts, seal.value)
    finally:
        db.close()
    return aside


def replace_catalogue(aside: str, path: str) -> None:
    """Rename a finished catalogue over the old one, and make the rename durable. Raises HomeTrouble."""
    remove_beside(path)  # what SQLite kept there belongs to the old file
    rename_over(aside, path, ADVICE)
