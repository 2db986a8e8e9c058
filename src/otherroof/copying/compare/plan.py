"""A run's working notes: every path at which something is to be done, how far it got, and what came of it.

Kept in a SQLite file of the job, so that memory stays flat and a run that was killed can be understood by the next
one. An intention is committed before the far box is asked to change a name, and outlives a power cut at home from then
on; what is confirmed is noted after.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any, Self

from otherroof.base.atomic_file import FOR_OWNER
from otherroof.base.clock import in_ns
from otherroof.base.errors import HomeTrouble
from otherroof.base.sqlite_file import (
    ADVICE,
    SQLITE_ERRORS,
    DamagedDatabase,
    open_sqlite,
    prove_sqlite,
    remove_sqlite,
    seal_of,
    sqlite_trouble,
    translating_sqlite,
)
from otherroof.copying.compare.catalogue import AsideContent
from otherroof.copying.compare.change import (
    BEGUN,
    DONE,
    LARGE,
    PLANNED,
    TROUBLE,
    PlannedChange,
    PlanTotals,
    Rows,
    digest_in,
)
from otherroof.copying.compare.compare import Difference
from otherroof.copying.report import Problem
from otherroof.far_copy.entry import path_text
from otherroof.far_copy.numbers import (
    FILE,
    FOLDER,
    HARD,
    INODE,
    LINK,
    MODE,
    MTIME,
    SIZE,
    Numbers,
    kind_of,
    probably_same_content,
)

SCHEMA_VERSION = 2
SCHEMA = """
CREATE TABLE fact (name TEXT PRIMARY KEY, value TEXT NOT NULL, seal INTEGER NOT NULL);
CREATE TABLE todo (
    path BLOB PRIMARY KEY, had INTEGER NOT NULL, want INTEGER NOT NULL, doubt INTEGER NOT NULL,
    ino INTEGER, size INTEGER, mtime INTEGER, ctime INTEGER, mode INTEGER, device INTEGER NOT NULL,
    old BLOB, old_size INTEGER NOT NULL, old_digest BLOB, first BLOB, source BLOB, digest BLOB,
    state INTEGER NOT NULL DEFAULT 0, line BLOB, why TEXT, seal INTEGER NOT NULL
) WITHOUT ROWID;
CREATE INDEX todo_gone ON todo (old_size) WHERE had = 8 AND want <> 8;
CREATE INDEX todo_hard ON todo (ino, device) WHERE device <> 0;
CREATE INDEX todo_digest ON todo (digest) WHERE digest IS NOT NULL;
CREATE INDEX todo_large ON todo (size) WHERE size > 1048576;
CREATE INDEX todo_state ON todo (state) WHERE state IN (1, 3);
CREATE TABLE hard (ino INTEGER PRIMARY KEY);
CREATE TABLE content (digest BLOB NOT NULL, path BLOB NOT NULL, size INTEGER NOT NULL, run TEXT NOT NULL);
CREATE INDEX content_digest ON content (digest);
CREATE INDEX content_size ON content (size);
CREATE TABLE part (path BLOB PRIMARY KEY, ino INTEGER, size INTEGER, mtime INTEGER, ctime INTEGER, upto INTEGER,
    seal INTEGER NOT NULL);
"""

PAGE = 500
BEGUN_NS = "begun_ns"
# What changed less than this before it was read may have changed once more without a new time: a write through memory
# to a page that the kernel has not written back yet (it does after about 35 s), a second write within one tick of a
# file system's clock (2 s on exFAT and vfat, milliseconds elsewhere).
YOUNG_NS = 60 * 10**9
FUTURE_NS = 24 * 3600 * 10**9  # dates further ahead are wrong clocks, and would be young for ever
COMMITS = "commits"  # the fact that says how often the notes were committed
COUNT_END = "-commits"  # and the end of the name of the file that says it too
_COLUMNS = (
    "path, had, want, doubt, ino, size, mtime, ctime, mode, device, old, old_size, old_digest, first, source, digest,"
    " state, line, why"
)


class RunPlan:
    """The notes of one run of one job."""

    def __init__(self, path: str) -> None:
        self.path = path
        self._db = open_sqlite(path, SCHEMA, SCHEMA_VERSION, outlives_power=True)
        try:
            with translating_sqlite(path):
                self._db.execute("BEGIN")
                self._knows_content = self._db.execute("SELECT 1 FROM content LIMIT 1").fetchone() is not None
            self._commits = int(self.fact(COMMITS) or 0)
            self._changes = self._db.total_changes
        except BaseException:
            self._db.close()
            raise

    @classmethod
    def of_earlier_run(cls, path: str) -> Self:
        """The notes that an earlier run left, every one of them as it was written. Raises DamagedDatabase."""
        least = _commits_counted(path)
        plan = cls(path)
        try:
            plan._prove(least)
        except BaseException:
            plan._db.close()
            raise
        return plan

    def _prove(self, least: int) -> None:
        prove_sqlite(self._db, self.path)
        with translating_sqlite(self.path):
            facts = self._db.execute("SELECT name, value, seal FROM fact").fetchall()
            parts = self._db.execute("SELECT path, ino, size, mtime, ctime, upto, seal FROM part").fetchall()
            sealed = all(row[-1] == seal_of(*row[:-1]) for row in (*facts, *parts))
            for row in self._db.execute(f"SELECT {_COLUMNS}, seal FROM todo"):
                sealed = sealed and row[-1] == _seal_of(_as_todo(row[:-1]))
        if not sealed or self._commits < least:
            raise DamagedDatabase("is damaged", where=self.path)

    @staticmethod
    def exists(path: str) -> bool:
        """Whether an earlier run left its notes."""
        return os.path.exists(path)

    def close(self) -> None:
        """Keep what was noted and close."""
        try:
            with translating_sqlite(self.path):
                if self._db.in_transaction:  # SQLite ends it by itself if the disk is full
                    self._db.execute("COMMIT")
        finally:
            self._db.close()

    def discard(self) -> None:
        """The run is over and its notes are no longer needed."""
        self._db.close()
        remove_sqlite(self.path)
        with contextlib.suppress(FileNotFoundError):
            os.unlink(self.path + COUNT_END)

    def commit(self) -> None:
        """What was noted so far survives this process, and a power cut; waits for the disk if there is anything new."""
        if self._db.total_changes == self._changes:
            return
        self._commits += 1
        self.note_fact(COMMITS, str(self._commits))
        with translating_sqlite(self.path):
            self._db.execute("COMMIT")
            self._db.execute("BEGIN")
        self._changes = self._db.total_changes
        _count_commits(self.path, self._commits)

    # -- facts of the run --

    def fact(self, name: str) -> str:
        """A fact noted under `name`, or nothing."""
        row = self._one("SELECT value FROM fact WHERE name=?", (name,))
        return str(row[0]) if row else ""

    def note_fact(self, name: str, value: str) -> None:
        """Note a fact about the run itself."""
        self._do(
            "INSERT OR REPLACE INTO fact (name, value, seal) VALUES (?, ?, ?)", (name, value, seal_of(name, value))
        )

    # -- what is to be done --

    def add(self, differences: Iterable[Difference]) -> None:
        """Add the differences that the comparison found."""
        with translating_sqlite(self.path):
            self._db.executemany(
                "INSERT OR REPLACE INTO todo (path, had, want, doubt, ino, size, mtime, ctime, mode, device, old,"
                " old_size, old_digest, seal) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (_row_of(difference) for difference in self._noting_inodes(differences)),
            )

    def _noting_inodes(self, differences: Iterable[Difference]) -> Iterator[Difference]:
        for difference in differences:
            for numbers in (difference.found, difference.known):
                if numbers is not None and numbers[MODE] & HARD and numbers[INODE]:
                    self._db.execute("INSERT OR IGNORE INTO hard (ino) VALUES (?)", (numbers[INODE],))
            yield difference

    def inodes_with_names(self) -> set[int]:
        """The inodes of files with several names of which one differs."""
        with translating_sqlite(self.path):
            return {row[0] for row in self._db.execute("SELECT ino FROM hard")}

    def has(self, path: bytes) -> bool:
        """Whether something is to be done at this path."""
        return self._one("SELECT 1 FROM todo WHERE path=?", (path,)) is not None

    def find_hard_links(self) -> None:
        """For each file with several names: mark all names but the first as links to the first."""
        with translating_sqlite(self.path):
            self._db.execute(
                "UPDATE todo SET first = (SELECT min(other.path) FROM todo AS other WHERE other.ino = todo.ino"
                " AND other.device = todo.device AND other.device <> 0) WHERE device <> 0 AND want = ?",
                (FILE,),
            )
            self._db.execute("UPDATE todo SET first = NULL WHERE first = path")

    def regroup_names(self) -> bool:
        """Part names from a first name that turned out to be another file when it was read; whether there are such.

        Of those that are left over, each file's first name is to be brought.
        """
        planned = f"state = {PLANNED} AND want = {FILE} AND device <> 0"
        with translating_sqlite(self.path):
            parted = self._db.execute(
                f"UPDATE todo SET first = NULL WHERE {planned} AND first IS NOT NULL AND EXISTS (SELECT 1 FROM todo"
                f" AS other WHERE other.path = todo.first AND other.state = {DONE} AND other.ino <> todo.ino)"
            ).rowcount
            if parted:
                self._db.execute(
                    "UPDATE todo SET first = (SELECT min(other.path) FROM todo AS other WHERE other.ino = todo.ino"
                    f" AND other.device = todo.device AND other.state = {PLANNED}) WHERE {planned} AND first IS NULL"
                )
                self._db.execute("UPDATE todo SET first = NULL WHERE first = path")
        return parted > 0

    def first_name_of(self, todo: PlannedChange) -> bytes:
        """The first of the names that are, as far as they were read, one file with this; empty if it is the first."""
        assert todo.numbers is not None
        row = self._one("SELECT min(path) FROM todo WHERE ino=? AND device=?", (todo.numbers[INODE], todo.device))
        first = row[0] if row is not None else None
        return first if first is not None and first < todo.path else b""

    def may_have_moved(self) -> Iterator[PlannedChange]:
        """New files whose size is that of a file that went."""
        return self._pages(
            f"want = {FILE} AND had <> {FILE} AND size > 0 AND first IS NULL AND EXISTS"
            f" (SELECT 1 FROM todo AS gone WHERE gone.had = {FILE} AND gone.want <> {FILE}"
            " AND gone.old_size = todo.size)"
        )

    def came_and_went(self) -> Iterator[tuple[bytes, bool]]:
        """Paths of files that are new (True) or gone (False), in order of the path."""
        for todo in self._pages(f"(want = {FILE}) <> (had = {FILE})"):
            yield todo.path, todo.want == FILE

    def removed_with(self, digest: bytes, size: int) -> list[bytes]:
        """Removed paths that held this content."""
        with translating_sqlite(self.path):
            rows = self._db.execute(
                f"SELECT path FROM todo WHERE had = {FILE} AND want <> {FILE} AND old_size = ? AND old_digest = ?"
                " ORDER BY path",
                (size, digest),
            )
            return [row[0] for row in rows.fetchall()]

    def is_taken(self, source: bytes) -> bool:
        """Whether a new name was already found for the file that went from `source`."""
        return self._one("SELECT 1 FROM todo WHERE source=? AND want<>0 LIMIT 1", (source,)) is not None

    def note_source(self, path: bytes, digest: bytes, source: bytes | None) -> None:
        """A new file was read: its digest, and where that content was before."""
        self._do("UPDATE todo SET digest=?, source=? WHERE path=?", (digest, source, path))

    def note_digest(self, todo: PlannedChange) -> None:
        """Keep the digest of a file that was read but not sent yet: others may wait for it; it is not read twice."""
        self._do("UPDATE todo SET digest=? WHERE path=?", (todo.digest, todo.path))

    def tally(self) -> PlanTotals:
        """What the plan would change. A file that moved counts as moved only."""
        file_or_link = f"IN ({FILE}, {LINK})"
        with translating_sqlite(self.path):
            (new, changed, removed, fresh, doubtful) = self._db.execute(
                f"SELECT count(*) FILTER (WHERE want {file_or_link} AND NOT had {file_or_link}),"
                f" count(*) FILTER (WHERE want {file_or_link} AND had {file_or_link} AND NOT doubt),"
                f" count(*) FILTER (WHERE NOT want {file_or_link} AND had {file_or_link}),"
                f" coalesce(sum(size) FILTER (WHERE want = {FILE} AND NOT doubt AND source IS NULL"
                " AND first IS NULL), 0),"
                f" count(*) FILTER (WHERE want = {FILE} AND had = {FILE} AND doubt AND digest IS NULL)"
                " FROM todo WHERE state <> ?",
                (TROUBLE,),
            ).fetchone()
            (moved,) = self._db.execute("SELECT count(DISTINCT source) FROM todo WHERE source IS NOT NULL").fetchone()
        return PlanTotals(new - moved, changed, removed - moved, moved, fresh, doubtful)

    def result(self) -> PlanTotals:
        """What the run changed, once it has sent: only content that really differed counts as changed."""
        file_or_link = f"IN ({FILE}, {LINK})"
        differs = f"(want = {LINK} AND NOT doubt OR want = {FILE} AND digest IS NOT old_digest)"
        was_file_or_link = "(old IS NOT NULL AND instr(old, :folder) = 0)"  # `had` is 0 once the old one was moved
        with translating_sqlite(self.path):
            (new, changed, removed, fresh) = self._db.execute(
                f"SELECT count(*) FILTER (WHERE want {file_or_link} AND NOT {was_file_or_link}),"
                f" count(*) FILTER (WHERE want {file_or_link} AND {was_file_or_link} AND {differs}),"
                f" count(*) FILTER (WHERE NOT want {file_or_link} AND {was_file_or_link}),"
                f" coalesce(sum(size) FILTER (WHERE want = {FILE} AND source IS NULL AND first IS NULL"
                f" AND (old IS NULL OR {differs})), 0) FROM todo WHERE state = :done",
                {"folder": b'"kind":"folder"', "done": DONE},
            ).fetchone()
            (moved,) = self._db.execute(
                "SELECT count(DISTINCT source) FROM todo WHERE source IS NOT NULL AND state = ?", (DONE,)
            ).fetchone()
        return PlanTotals(new - moved, changed, removed - moved, moved, fresh)

    def note_beginning(self, run: str, base: str, now: datetime) -> None:
        """The first of all notes: which run this is, on which one it builds, and that nothing was read before `now`."""
        for name, value in (("run", run), ("base", base), (BEGUN_NS, str(in_ns(now)))):
            self.note_fact(name, value)

    def changes_no_line(self) -> bool:
        """Whether every entry of the listing stays as it was: what differed was looked at and is the same."""
        return self._one(f"SELECT 1 FROM todo WHERE state <> {DONE} OR line IS NOT old LIMIT 1", ()) is None

    def is_empty(self) -> bool:
        """Whether nothing differs at all."""
        return self._one("SELECT 1 FROM todo LIMIT 1", ()) is None

    def note_same(self, path: bytes) -> None:
        """A changed file was read: its content is what it was."""
        self._do("UPDATE todo SET doubt=1 WHERE path=?", (path,))

    def settle_doubt(self, todo: PlannedChange, digest: bytes | None, *, same: bool) -> None:
        """A file that kept its size was read before the guard's verdict; `digest` only if it need not be read again."""
        self._do("UPDATE todo SET doubt=?, digest=? WHERE path=?", (int(same), digest, todo.path))

    def changed_sample(self, least: int, most: int) -> tuple[int, list[bytes]]:
        """How many files of `least` bytes or more have, or may have, other content now, and at most `most` of them.

        The sample is spread evenly over the folder.
        """
        which = f"want = {FILE} AND had = {FILE} AND size >= ? AND digest IS NOT old_digest"
        with translating_sqlite(self.path):
            (count,) = self._db.execute(f"SELECT count(*) FROM todo WHERE {which}", (least,)).fetchone()
            rows = self._db.execute(
                f"SELECT path FROM (SELECT path, row_number() OVER (ORDER BY path) AS place FROM todo WHERE {which})"
                " WHERE place % ? = 0",
                (least, max(1, -(-count // most))),
            )
            return count, [row[0] for row in rows]

    # -- content that is already there --

    def wanted_sizes(self) -> set[int]:
        """The sizes of files that are new or differ."""
        with translating_sqlite(self.path):
            rows = self._db.execute(f"SELECT DISTINCT size FROM todo WHERE want = {FILE} AND size > 0 AND NOT doubt")
            return {row[0] for row in rows}

    def note_content(self, rows: Iterable[AsideContent]) -> None:
        """Files that the far copy holds: in the newest copy, or moved aside by a `run` that was cut."""
        with translating_sqlite(self.path):
            found = self._db.executemany(
                "INSERT INTO content (digest, path, size, run) VALUES (?, ?, ?, ?)", rows
            ).rowcount
        self._knows_content = self._knows_content or found > 0

    def may_be_there(self, todo: PlannedChange) -> bool:
        """Whether the far copy holds, or this run sends, another file of this size."""
        there = self._one("SELECT 1 FROM content WHERE size=? AND (path<>? OR run<>'') LIMIT 1", (todo.size, todo.path))
        if there is None and todo.size > LARGE:
            there = self._one(
                f"SELECT 1 FROM todo WHERE size=? AND size > {LARGE} AND want={FILE} AND path<>? LIMIT 1",
                (todo.size, todo.path),
            )
        return there is not None

    def paths_with(self, digest: bytes) -> list[tuple[bytes, str]]:
        """Paths of the far copy that hold, or held when this run began, content with this digest.

        With each the cut run that moved it aside, or nothing.
        """
        query = "SELECT path, '' FROM todo WHERE digest=?"
        given: tuple[bytes, ...] = (digest,)
        if self._knows_content:
            query += " UNION SELECT path, run FROM content WHERE digest=?"
            given = (digest, digest)
        try:
            return self._db.execute(query + " ORDER BY 2 DESC LIMIT 20", given).fetchall()
        except SQLITE_ERRORS as problem:
            raise sqlite_trouble(self.path, problem) from problem

    # -- progress --

    def get(self, path: bytes) -> PlannedChange | None:
        """The notes on one path."""
        row = self._one(f"SELECT {_COLUMNS} FROM todo WHERE path=?", (path,))
        return _as_todo(row) if row else None

    def pages(self, which: Rows, *, backwards: bool = False) -> Iterator[PlannedChange]:
        """These notes in order of the path; rows may be noted on meanwhile."""
        return self._pages(which.value, backwards=backwards)

    def begin(self, todo: PlannedChange) -> None:
        """The far box is about to be asked to change what stands at this path."""
        self._write(todo, BEGUN)

    def take_back_begin(self, todo: PlannedChange) -> None:
        """The far box refused and changed nothing; `had` may have become 0, if the old file was moved aside before."""
        todo.state = PLANNED
        self._do("UPDATE todo SET state=?, had=?, seal=? WHERE path=?", (PLANNED, todo.had, _seal_of(todo), todo.path))

    def done(self, todo: PlannedChange) -> None:
        """What was wanted at this path stands in the far copy. `line` is its entry, None if it went."""
        if todo.state == BEGUN:
            todo.state = DONE
            self._do("UPDATE todo SET state=?, seal=? WHERE path=?", (DONE, _seal_of(todo), todo.path))
        else:
            self._write(todo, DONE)
        if todo.size > LARGE:
            self._do("DELETE FROM part WHERE path=?", (todo.path,))

    def _write(self, todo: PlannedChange, state: int) -> None:
        todo.state = state
        self._do(
            "UPDATE todo SET state=?, digest=?, line=?, ino=?, size=?, mtime=?, ctime=?, mode=?, seal=? WHERE path=?",
            (state, todo.digest, todo.line, *(todo.numbers or (None,) * 5), _seal_of(todo), todo.path),
        )

    def note_refusal(self, todo: PlannedChange, why: str) -> None:
        """The far box refused this change, perhaps half-way. It stays marked as begun until `settle` finds out."""
        todo.why = why
        self._do("UPDATE todo SET why=? WHERE path=?", (why, todo.path))

    def trouble(self, todo: PlannedChange, why: str) -> None:
        """This path could not be copied; what the far copy had there stands."""
        todo.state = TROUBLE
        self._do(
            "UPDATE todo SET state=?, had=?, why=?, line=NULL, seal=? WHERE path=?",
            (TROUBLE, todo.had, why, _seal_of(todo), todo.path),
        )

    def troubles(self) -> list[Problem]:
        """Every path that could not be copied, and why."""
        with translating_sqlite(self.path):
            rows = self._db.execute("SELECT path, why FROM todo WHERE state=? ORDER BY path", (TROUBLE,)).fetchall()
        return [Problem(path_text(path), why) for path, why in rows]

    def outcome(self, now: datetime) -> Iterator[PlannedChange]:
        """All notes in order of the path, for the new catalogue.

        What the next run must look at again loses its ctime: names of a file that were copied while another name of it
        was not, so that they are found together (they lose the inode too), and what had changed so shortly before it
        was read that a further change may have moved no time.
        """
        begun = int(self.fact(BEGUN_NS) or 0)
        span = {"since": begun - YOUNG_NS, "until": in_ns(now) + FUTURE_NS}
        with translating_sqlite(self.path):
            self._db.execute(
                f"UPDATE todo SET ctime = 0 WHERE want <> 0 AND state = {DONE}"
                " AND (ctime BETWEEN :since AND :until OR mtime BETWEEN :since AND :until)",
                span,
            )
        with translating_sqlite(self.path):
            self._db.execute(
                f"UPDATE todo SET ino = 0, ctime = 0 WHERE device <> 0 AND want = {FILE} AND state = {DONE} AND EXISTS"
                " (SELECT 1 FROM todo AS other WHERE other.ino = todo.ino AND other.device = todo.device"
                f" AND other.device <> 0 AND other.state <> {DONE})"
            )
        return self._pages("1")

    def moved_aside_by(self, run: str) -> Iterator[AsideContent]:
        """What the cut run `run` moved aside; call it only after every begun change was settled."""
        for todo in self._pages(f"old_digest IS NOT NULL AND old_size > 0 AND (had = 0 OR state = {DONE})"):
            replaced = todo.want != FILE or todo.digest != todo.old_digest
            if todo.had != FILE or replaced:
                assert todo.old_digest is not None
                yield AsideContent(todo.old_digest, todo.path, todo.old_size, run)

    # -- half-sent files --

    def note_half_sent(self, path: bytes, numbers: Numbers, upto: int) -> None:
        """Note that the first `upto` bytes of this file, in its present state, are safe at the far end."""
        self._do(
            "INSERT OR REPLACE INTO part (path, ino, size, mtime, ctime, upto, seal) VALUES (?, ?, ?, ?, ?, ?, ?)",
            (path, *numbers[:4], upto, seal_of(path, *numbers[:4], upto)),
        )

    def half_sent_bytes(self, path: bytes, numbers: Numbers) -> int | None:
        """How many bytes of this very file are safe at the far end; None if no part of it is known."""
        row = self._one("SELECT ino, size, mtime, ctime, upto FROM part WHERE path=?", (path,))
        return int(row[4]) if row is not None and row[:4] == numbers[:4] else None

    def parts(self) -> list[tuple[bytes, Numbers, int]]:
        """All half-sent files."""
        with translating_sqlite(self.path):
            rows = self._db.execute("SELECT path, ino, size, mtime, ctime, upto FROM part").fetchall()
        return [(path, (ino, size, mtime, ctime, 0), upto) for path, ino, size, mtime, ctime, upto in rows]

    def keep_half_sent(self) -> None:
        """Delete the plan but keep the list of half-sent files, and close."""
        for table in ("todo", "content", "hard"):
            self._do(f"DELETE FROM {table}", ())
        self.close()

    # -- SQL --

    def _pages(self, which: str, *, backwards: bool = False) -> Iterator[PlannedChange]:
        compare, order = ("<", "DESC") if backwards else (">", "ASC")
        query = f"SELECT {_COLUMNS} FROM todo WHERE ({which}) {{}} ORDER BY path {order} LIMIT {PAGE}"
        given: tuple[Any, ...] = ()
        while True:
            with translating_sqlite(self.path):
                rows = self._db.execute(query.format(f"AND path {compare} ?" if given else ""), given).fetchall()
            for row in rows:
                yield _as_todo(row)
            if len(rows) < PAGE:
                return
            given = (rows[-1][0],)

    # Called for every file, so without the cost of a context manager.

    def _one(self, query: str, given: tuple[Any, ...]) -> tuple[Any, ...] | None:
        try:
            row: tuple[Any, ...] | None = self._db.execute(query, given).fetchone()
        except SQLITE_ERRORS as problem:
            raise sqlite_trouble(self.path, problem) from problem
        return row

    def _do(self, query: str, given: tuple[Any, ...]) -> None:
        try:
            self._db.execute(query, given)
        except SQLITE_ERRORS as problem:
            raise sqlite_trouble(self.path, problem) from problem


def _count_commits(path: str, commits: int) -> None:
    """Write down beside the notes how often they were committed: SQLite forgets newer commits silently if an older one
    was damaged, or the end of its file was lost. Not synced: after a power cut it may say less, never more."""
    try:
        handle = os.open(path + COUNT_END, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, FOR_OWNER)
        try:
            os.pwrite(handle, b"%020d" % commits, 0)
        finally:
            os.close(handle)
    except OSError as problem:
        raise HomeTrouble(f"cannot be written: {problem.strerror}", where=path + COUNT_END, advice=ADVICE) from problem


def _commits_counted(path: str) -> int:
    try:
        with open(path + COUNT_END, "rb") as file:
            return int(file.read(20) or 0)
    except FileNotFoundError:
        return 0
    except (OSError, ValueError) as problem:
        raise DamagedDatabase("is damaged", where=path) from problem


def _row_of(one: Difference) -> tuple[Any, ...]:
    had, want = kind_of(one.known), kind_of(one.found)
    doubt = had == want and (want == FOLDER or probably_same_content(one.found, one.known))  # type: ignore[arg-type]
    old_size = one.known[SIZE] if one.known is not None and had == FILE else 0
    found = one.found or (None,) * 5
    digest = digest_in(one.line)
    seal = seal_of(one.path, want, old_size, digest, PLANNED, had)
    return (one.path, had, want, int(doubt), *found, one.device, one.line, old_size, digest, seal)


def _seal_of(todo: PlannedChange) -> int:
    """The seal of a note, over what the next run goes by; what is only for this one may change without it."""
    fixed = (todo.path, todo.want, todo.old_size, todo.old_digest, todo.state)
    if todo.state not in (BEGUN, DONE):
        return seal_of(*fixed, todo.had)
    numbers = (todo.numbers[SIZE], todo.numbers[MTIME], todo.numbers[MODE]) if todo.numbers is not None else None
    return seal_of(*fixed, todo.had if todo.state == BEGUN else None, todo.digest, todo.line, numbers)


def _as_todo(row: tuple[Any, ...]) -> PlannedChange:
    path, had, want, doubt, ino, size, mtime, ctime, mode = row[:9]
    numbers = None if ino is None else (ino, size, mtime, ctime, mode)
    return PlannedChange(path, had, want, bool(doubt), numbers, *row[9:])
