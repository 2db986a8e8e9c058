"""What each version of a job holds that others do not, kept at home: so it is told at once what goes with a version.

A cache, made of proved listings, each read once: delete it, and it is made anew. It keeps only what came or went from
one version to the next, so a million files that never change cost nothing but the lines of the newest listing.
"""

from __future__ import annotations

import gzip
import os
import re
import sqlite3
import zlib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from itertools import islice

from otherroof.base.errors import HomeTrouble
from otherroof.base.sqlite_file import DamagedDatabase, open_sqlite, remove_sqlite, translating_sqlite
from otherroof.far_copy.entry import FOLDER_KIND, parse_line, path_in, path_text
from otherroof.far_copy.run_ids import time_of_run
from otherroof.forecast.planning.spacing import ReplacedContent, unbroken_since

# Versions have numbers in their order. What lies at a path from version `born` on, until `died` replaced or removed it;
# born 0: it was there before anything was noted.
SCHEMA = """
CREATE TABLE version (n INTEGER PRIMARY KEY, run TEXT NOT NULL UNIQUE);
CREATE TABLE item (
    path BLOB NOT NULL, born INTEGER NOT NULL, died INTEGER, size INTEGER NOT NULL, digest BLOB NOT NULL,
    PRIMARY KEY (path, born)
) WITHOUT ROWID;
CREATE INDEX item_by_digest ON item (digest, born, died, size);
CREATE TABLE newest (one INTEGER PRIMARY KEY CHECK (one = 1), lines_of TEXT NOT NULL)
"""
VERSION = 1
DIGEST = b'","digest":"'  # no name can look like this in a line: its quote marks would be escaped
BIGGEST = 20  # files that are named
BATCH = 5000
DAY_S = 86_400.0

# All of it in one pass over the index: a question to two tables for each of a million rows would take longer. From a
# version's number on, `stay` is the first that stays, and `any` the first there is.
TABLES_FOR_LOSS = """
DROP TABLE IF EXISTS temp.reach; DROP TABLE IF EXISTS temp.lost;
CREATE TEMP TABLE reach (n INTEGER PRIMARY KEY, stay INTEGER NOT NULL, any INTEGER NOT NULL);
CREATE TEMP TABLE lost (digest BLOB PRIMARY KEY, size INTEGER, copies INTEGER, held INTEGER) WITHOUT ROWID;
"""
NONE = 1 << 62  # no version has this number
LOST = "died IS NOT NULL AND stay >= died AND any < died"  # held by no version that stays, and still by one that goes
FIND_LOST = f"""
INSERT INTO lost
SELECT digest, size, sum({LOST}) AS copies, max(stay < coalesce(died, {NONE}))
FROM item INDEXED BY item_by_digest CROSS JOIN reach ON n = born GROUP BY digest HAVING copies ORDER BY digest
"""
DIGEST_IN_LINE = re.compile(DIGEST + rb"([0-9a-f]{64})")
HEAD = 16  # hexadecimal digits of a digest that are looked up first
AT_ONCE = 1 << 20  # bytes of lines

Lines = Callable[[str], Iterator[bytes]]


@dataclass(frozen=True, slots=True)
class LostContent:
    """Content of a file that no version that stays holds, and the last version that did."""

    path: str
    size: int
    last: str


@dataclass(frozen=True, slots=True)
class Loss:
    """What goes with some versions: how many files' contents that nothing else holds, their bytes, and the biggest."""

    files: int = 0
    size: int = 0
    biggest: tuple[LostContent, ...] = ()


class VersionChanges:
    """The changes between a job's versions, in the file `path`. Close it. Raises HomeTrouble if it cannot be used."""

    def __init__(self, path: str) -> None:
        self._path = path
        try:
            self._db = open_sqlite(path, SCHEMA, VERSION)
        except DamagedDatabase:
            remove_sqlite(path)
            self._db = open_sqlite(path, SCHEMA, VERSION)

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def follow(self, runs: Iterable[str], same_as: Mapping[str, str], lines: Lines) -> None:
        """Take note of every version that is not noted yet; `runs` are all there are, `lines` gives a listing's lines,
        proved. `same_as` names the run whose lines hold, of each that has none of its own."""
        ordered = sorted(runs)
        known = self._known()
        if any(run < max(known, default="") for run in ordered if run not in known) or (
            known and not self._has_lines()
        ):
            self._forget()
            known = {}
        for run in ordered:
            if run not in known:
                self._add(run, same_as.get(run) or run, lines)
        self._drop_versions(set(known) - set(ordered))

    def _known(self) -> dict[str, int]:
        with translating_sqlite(self._path):
            return dict(self._db.execute("SELECT run, n FROM version").fetchall())

    def _forget(self) -> None:
        with translating_sqlite(self._path):
            self._db.executescript("BEGIN; DELETE FROM version; DELETE FROM item; DELETE FROM newest; COMMIT;")

    def _drop_versions(self, gone: Collection[str]) -> None:
        if not gone:
            return
        with translating_sqlite(self._path):
            self._db.execute("BEGIN IMMEDIATE")
            self._db.executemany("DELETE FROM version WHERE run = ?", [(run,) for run in gone])
            self._db.execute(
                "DELETE FROM item WHERE died IS NOT NULL AND NOT EXISTS"
                " (SELECT 1 FROM version WHERE n >= born AND n < died)"
            )
            self._db.execute("COMMIT")

    # -- one more version --

    def _newest_lines(self) -> str:
        with translating_sqlite(self._path):
            row = self._db.execute("SELECT lines_of FROM newest").fetchone()
        return str(row[0]) if row else ""

    def _lines_path(self, run: str) -> str:
        return f"{self._path}.{run}.lines.gz"

    def _has_lines(self) -> bool:
        return os.path.exists(self._lines_path(self._newest_lines()))

    def _add(self, run: str, lines_of: str, lines: Lines) -> None:
        before = self._newest_lines()
        with translating_sqlite(self._path):
            (number,) = self._db.execute("SELECT coalesce(max(n), 0) + 1 FROM version").fetchone()
            self._db.execute("BEGIN IMMEDIATE")
        try:
            if lines_of != before:
                self._compare(number, before, lines_of, lines(run))
            with translating_sqlite(self._path):
                self._db.execute("INSERT INTO version VALUES (?, ?)", (number, run))
                self._db.execute("INSERT OR REPLACE INTO newest VALUES (1, ?)", (lines_of,))
                self._db.execute("COMMIT")
        except BaseException:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            raise
        if before and before != lines_of:
            with suppress(FileNotFoundError):
                os.unlink(self._lines_path(before))

    def _compare(self, number: int, before: str, lines_of: str, new: Iterator[bytes]) -> None:
        changes = (
            _differences(_read(self._lines_path(before)), _kept(new, self._lines_path(lines_of))) if before else None
        )
        if changes is None:  # the first one: all that it holds was there before anything was noted
            for _ in _kept(new, self._lines_path(lines_of)):
                pass
            return
        while portion := list(islice(changes, BATCH)):
            with translating_sqlite(self._path):
                for path, size, digest, came in portion:
                    self._note(number, path, (size, digest), came=came)

    def _note(self, number: int, path: bytes, content: tuple[int, bytes], *, came: bool) -> None:
        if came:
            self._db.execute("INSERT OR REPLACE INTO item VALUES (?, ?, NULL, ?, ?)", (path, number, *content))
            return
        found = self._db.execute("UPDATE item SET died = ? WHERE path = ? AND died IS NULL", (number, path))
        if not found.rowcount:
            self._db.execute("INSERT OR REPLACE INTO item VALUES (?, 0, ?, ?, ?)", (path, number, *content))

    # -- what was replaced --

    def replaced(self) -> tuple[list[ReplacedContent], float]:
        """Content that was replaced or removed of late, with how long it had stood, and over how many days that was
        seen: as far back as no version has gone yet, since with one goes what it alone held. Of a version's moment its
        run's id tells."""
        with translating_sqlite(self._path):
            moments = {
                number: time_of_run(run).timestamp() / DAY_S
                for number, run in self._db.execute("SELECT n, run FROM version")
            }
            rows = self._db.execute(
                "SELECT born, died, sum(size) FROM item WHERE died IS NOT NULL GROUP BY born, died"
            ).fetchall()
        if not moments:
            return [], 0.0
        since = unbroken_since(list(moments.values()))
        found = []
        for born, died, size in rows:
            end = moments.get(died, 0.0)
            if end > since:
                begin = _at_or_after(moments, born) if born else min(moments.values())
                found.append(ReplacedContent(float(size), max(0.0, end - begin), at_least=not born))
        return found, max(moments.values()) - since

    # -- what goes with versions --

    def loss(self, going: Collection[str], *, shared: bool) -> Loss:
        """What no version holds any more once `going` have gone. The newest version must not be among them.

        `shared`: content that lies at the far end under several names takes its room there only once.
        """
        with translating_sqlite(self._path), closing(self._db.cursor()) as cursor:
            cursor.executescript(TABLES_FOR_LOSS)
            known = self._known()
            cursor.executemany("INSERT INTO reach VALUES (?, ?, ?)", _reaches(known, going))
            cursor.execute(FIND_LOST)
            everything = cursor.execute("SELECT coalesce(sum(size * copies), 0) FROM lost").fetchone()[0]
            cursor.execute("DELETE FROM lost WHERE held")
            self._leave_what_stands(cursor)
            files, once = cursor.execute("SELECT count(*), coalesce(sum(size), 0) FROM lost").fetchone()
            return Loss(files, once if shared else everything, self._biggest(cursor))

    def _leave_what_stands(self, cursor: sqlite3.Cursor) -> None:
        """Content that has stood since before anything was noted has no row: the newest lines tell of it."""
        if not cursor.execute("SELECT EXISTS (SELECT 1 FROM lost)").fetchone()[0]:
            return
        # Their first digits only, and lines by the megabyte: a million questions to SQLite, or a loop over as many
        # lines, would take longer than all the rest.
        as_digits = f"SELECT CAST(substr(lower(hex(digest)), 1, {HEAD}) AS BLOB) FROM lost"
        heads = {head for (head,) in cursor.execute(as_digits)}
        for text in _read_much(self._lines_path(self._newest_lines())):
            stand = [digest for digest in DIGEST_IN_LINE.findall(text) if digest[:HEAD] in heads]
            if stand:
                rows = [(bytes.fromhex(digest.decode()),) for digest in stand]
                cursor.executemany("DELETE FROM lost WHERE digest = ?", rows)

    def _biggest(self, cursor: sqlite3.Cursor) -> tuple[LostContent, ...]:
        rows: Sequence[tuple[bytes, int, str]] = cursor.execute(
            "SELECT min(path), item.size, (SELECT max(run) FROM version WHERE n >= born AND n < died)"
            " FROM (SELECT digest FROM lost ORDER BY size DESC, digest LIMIT ?) JOIN item USING (digest)"
            f" CROSS JOIN reach ON n = born WHERE {LOST} GROUP BY digest ORDER BY item.size DESC, path",
            (BIGGEST,),
        ).fetchall()
        return tuple(LostContent(path_text(path), size, last) for path, size, last in rows)


def _at_or_after(moments: Mapping[int, float], number: int) -> float:
    """When version `number` was; if it has gone meanwhile, when the next one was that stands."""
    return moments[min(place for place in moments if place >= number)]


def _kept(lines: Iterator[bytes], path: str) -> Iterator[bytes]:
    """The lines, which are written down at `path` on the way."""
    try:
        with gzip.open(path + ".new", "wb", compresslevel=1) as file:
            for line in lines:
                file.write(line + b"\n")
                yield line
        os.replace(path + ".new", path)
    except OSError as problem:
        raise HomeTrouble(
            f"cannot be written: {problem.strerror}", where=path, advice="check this disk; nothing was removed"
        ) from problem


def _read(path: str) -> Iterator[bytes]:
    with _translating_trouble(path), gzip.open(path, "rb") as file:
        for line in file:
            yield line[:-1]


def _read_much(path: str) -> Iterator[bytes]:
    """The same lines, whole ones, about a megabyte at once."""
    with _translating_trouble(path), gzip.open(path, "rb") as file:
        while text := file.read(AT_ONCE):
            yield text if text.endswith(b"\n") else text + file.readline()


@contextmanager
def _translating_trouble(path: str) -> Iterator[None]:
    try:
        yield
    except (OSError, EOFError, zlib.error) as problem:
        raise HomeTrouble(
            f"cannot be read: {problem}", where=path, advice="remove this file: it is made anew"
        ) from problem


def _reaches(known: Mapping[str, int], going: Collection[str]) -> Iterator[tuple[int, int, int]]:
    """From each number that content may have been born with: the first version from there on that stays, and the first
    there is."""
    standing = {number: run not in going for run, number in known.items()}
    stay = any_ = NONE
    for number in range(max(standing, default=0), -1, -1):
        if number in standing:
            any_ = number
            stay = number if standing[number] else stay
        yield number, stay, any_


def _differences(old: Iterator[bytes], new: Iterator[bytes]) -> Iterator[tuple[bytes, int, bytes, bool]]:
    """The contents of files that went or came (True) between two listings' lines: path, size, digest; a path's going
    before its coming. Both are in byte order of the path."""
    left, right = next(old, None), next(new, None)
    while left is not None or right is not None:
        if left == right:  # nearly always, and then nothing has to be taken apart
            left, right = next(old, None), next(new, None)
            continue
        before = path_in(left) if left is not None else None
        after = path_in(right) if right is not None else None
        went = after is None or (before is not None and before <= after)
        came = before is None or (after is not None and after <= before)
        gone = _content(left) if went and left is not None else None
        arrived = _content(right) if came and right is not None else None
        if gone != arrived:
            if gone is not None:
                yield (*gone, False)
            if arrived is not None:
                yield (*arrived, True)
        left = next(old, None) if went else left
        right = next(new, None) if came else right


def _content(line: bytes) -> tuple[bytes, int, bytes] | None:
    if FOLDER_KIND in line:
        return None
    entry = parse_line(line)
    return (entry.path, entry.size, entry.digest) if entry.kind == "file" else None
