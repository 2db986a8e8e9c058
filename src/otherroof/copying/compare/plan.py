"""A run's working notes: every path at which something is to be done, how far it got, and what came of it.

Kept in a SQLite file of the job, so that memory stays flat and a run that was killed can be understood by the next
one. An intention is committed before the far box is asked to change a name, and outlives a power cut at home from then
on; what is confirmed is noted after.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any, Self

from otherroof.base.clock import in_ns
from otherroof.base.sqlite_file import seal_of, translating_sqlite
from otherroof.copying.compare.catalogue import AsideContent
from otherroof.copying.compare.change import (
    BEGUN,
    DONE,
    IS_FRESH,
    LARGE,
    PLANNED,
    TROUBLE,
    WAS_FILE_OR_LINK,
    PlannedChange,
    PlanTotals,
    Rows,
    digest_in,
)
from otherroof.copying.compare.compare import Difference
from otherroof.copying.compare.half_sent import HalfSentFiles
from otherroof.copying.compare.hard_links import HardLinkNotes
from otherroof.copying.compare.held_content import HeldContent
from otherroof.copying.compare.plan_file import COLUMNS, PlanFile, as_change, commits_counted, seal_of_change
from otherroof.copying.report import Problem
from otherroof.far_copy.entry import Entry, left_out_text, path_text
from otherroof.far_copy.numbers import (
    FILE,
    FOLDER,
    LINK,
    SIZE,
    kind_of,
    probably_same_content,
)

BEGUN_NS = "begun_ns"
DURABLE = "durable"
# What changed less than this before it was read may have changed once more without a new time: a write through memory
# to a page that the kernel has not written back yet (it does after about 35 s), a second write within one tick of a
# file system's clock (2 s on exFAT and vfat, milliseconds elsewhere).
YOUNG_NS = 60 * 10**9
FUTURE_NS = 24 * 3600 * 10**9  # dates further ahead are wrong clocks, and would be young for ever


class RunPlan:
    """The notes of one run of one job."""

    def __init__(self, path: str) -> None:
        self._file = PlanFile(path)
        self.path = path
        self._left_out: dict[Problem, None] = {}
        try:
            self.half_sent = HalfSentFiles(self._file)
            self.held_content = HeldContent(self._file)
            self.hard_links = HardLinkNotes(self._file)
        except BaseException:
            self._file.db.close()
            raise

    @classmethod
    def of_earlier_run(cls, path: str) -> Self:
        """The notes that an earlier run left, every one of them as it was written. Raises DamagedDatabase."""
        least = commits_counted(path)
        plan = cls(path)
        try:
            plan._file.prove(least)
        except BaseException:
            plan._file.db.close()
            raise
        return plan

    @staticmethod
    def exists(path: str) -> bool:
        """Whether an earlier run left its notes."""
        return os.path.exists(path)

    def close(self) -> None:
        """Keep what was noted and close."""
        self._file.close()

    def discard(self) -> None:
        """The run is over and its notes are no longer needed."""
        self._file.discard()

    def keep_half_sent_only(self) -> None:
        """Delete the plan but keep the list of half-sent files, and close."""
        for table in ("change", "content", "hard"):
            self._file.do(f"DELETE FROM {table}", ())
        self.close()

    def commit(self) -> None:
        """What was noted so far survives this process, and a power cut; waits for the disk if there is anything new."""
        self._file.commit()

    def fact(self, name: str) -> str:
        """A fact noted under `name`, or nothing."""
        return self._file.fact(name)

    def note_fact(self, name: str, value: str) -> None:
        """Note a fact about the run itself."""
        self._file.note_fact(name, value)

    # -- what is to be done --

    def add(self, differences: Iterable[Difference]) -> None:
        """Add the differences that the comparison found."""
        with translating_sqlite(self.path):
            self._file.db.executemany(
                "INSERT OR REPLACE INTO change (path, had, want, doubt, ino, size, mtime, ctime, mode, device, old,"
                " old_size, old_digest, seal) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (_row_of(difference) for difference in self.hard_links.noting(differences)),
            )

    def has(self, path: bytes) -> bool:
        """Whether something is to be done at this path."""
        return self._file.one("SELECT 1 FROM change WHERE path=?", (path,)) is not None

    def may_have_moved(self) -> Iterator[PlannedChange]:
        """New files whose size is that of a file that went."""
        return self._file.changes(
            f"want = {FILE} AND had <> {FILE} AND size > 0 AND first IS NULL AND EXISTS"
            f" (SELECT 1 FROM change AS gone WHERE gone.had = {FILE} AND gone.want <> {FILE}"
            " AND gone.old_size = change.size)"
        )

    def came_and_went(self) -> Iterator[tuple[bytes, bool]]:
        """Paths of files that are new (True) or gone (False), in order of the path."""
        for path, want in self._file.rows("path, want", f"(want = {FILE}) <> (had = {FILE})"):
            yield path, want == FILE

    def removed_with(self, digest: bytes, size: int) -> list[bytes]:
        """Removed paths that held this content."""
        with translating_sqlite(self.path):
            rows = self._file.db.execute(
                f"SELECT path FROM change WHERE had = {FILE} AND want <> {FILE} AND old_size = ? AND old_digest = ?"
                " ORDER BY path",
                (size, digest),
            )
            return [row[0] for row in rows.fetchall()]

    def is_taken(self, source: bytes) -> bool:
        """Whether a new name was already found for the file that went from `source`."""
        return self._file.one("SELECT 1 FROM change WHERE source=? AND want<>0 LIMIT 1", (source,)) is not None

    def note_source(self, path: bytes, digest: bytes, source: bytes | None) -> None:
        """A new file was read: its digest, and where that content was before."""
        self._file.do("UPDATE change SET digest=?, source=? WHERE path=?", (digest, source, path))

    def take_entry(self, change: PlannedChange, entry: Entry) -> None:
        """What the file turned out to be when it was read."""
        if change.first is not None:
            entry.first = self.hard_links.first_name_of(change)  # another one if the first was replaced since the scan
        change.digest = entry.digest
        change.line = entry.line().encode()
        self.note_left_out(entry)

    def note_left_out(self, entry: Entry) -> None:
        """Tell of it if the entry's attributes were too large for a listing; its content is copied all the same."""
        if entry.left_out:
            self._left_out[Problem(path_text(entry.path), left_out_text(entry.left_out))] = None

    def note_digest(self, change: PlannedChange) -> None:
        """Keep the digest of a file that was read but not sent yet: others may wait for it; it is not read twice."""
        self._file.do("UPDATE change SET digest=? WHERE path=?", (change.digest, change.path))

    def totals(self) -> PlanTotals:
        """What the plan would change. A file that moved counts as moved only."""
        file_or_link = f"IN ({FILE}, {LINK})"
        with translating_sqlite(self.path):
            (new, changed, removed, fresh, doubtful) = self._file.db.execute(
                f"SELECT count(*) FILTER (WHERE want {file_or_link} AND NOT had {file_or_link}),"
                f" count(*) FILTER (WHERE want {file_or_link} AND had {file_or_link} AND NOT doubt),"
                f" count(*) FILTER (WHERE NOT want {file_or_link} AND had {file_or_link}),"
                f" coalesce(sum(size) FILTER (WHERE {IS_FRESH}), 0),"
                f" count(*) FILTER (WHERE want = {FILE} AND had = {FILE} AND doubt AND digest IS NULL)"
                " FROM change WHERE state <> ?",
                (TROUBLE,),
            ).fetchone()
            (moved,) = self._file.db.execute(
                "SELECT count(DISTINCT source) FROM change WHERE source IS NOT NULL"
            ).fetchone()
        return PlanTotals(new - moved, changed, removed - moved, moved, fresh, doubtful)

    def safe_bytes(self) -> int:
        """Bytes of what is to be brought that are safe at the far end already, since an earlier run had sent them."""
        same = " AND ".join(f"part.{number} = change.{number}" for number in ("ino", "size", "mtime", "ctime"))
        row = self._file.one(
            f"SELECT coalesce(sum(upto), 0) FROM part JOIN change USING (path) WHERE {same} AND {IS_FRESH}"
            " AND state <> ?",
            (TROUBLE,),
        )
        return int(row[0]) if row is not None else 0

    def result(self) -> PlanTotals:
        """What the run changed, once it has sent: only content that really differed counts as changed."""
        file_or_link = f"IN ({FILE}, {LINK})"
        differs = f"(want = {LINK} AND NOT doubt OR want = {FILE} AND digest IS NOT old_digest)"
        with translating_sqlite(self.path):
            (new, changed, removed, fresh) = self._file.db.execute(
                f"SELECT count(*) FILTER (WHERE want {file_or_link} AND NOT {WAS_FILE_OR_LINK}),"
                f" count(*) FILTER (WHERE want {file_or_link} AND {WAS_FILE_OR_LINK} AND {differs}),"
                f" count(*) FILTER (WHERE NOT want {file_or_link} AND {WAS_FILE_OR_LINK}),"
                f" coalesce(sum(size) FILTER (WHERE want = {FILE} AND source IS NULL AND first IS NULL"
                f" AND (old IS NULL OR {differs})), 0) FROM change WHERE state = :done",
                {"done": DONE},
            ).fetchone()
            (moved,) = self._file.db.execute(
                "SELECT count(DISTINCT source) FROM change WHERE source IS NOT NULL AND state = ?", (DONE,)
            ).fetchone()
        return PlanTotals(new - moved, changed, removed - moved, moved, fresh)

    def note_beginning(self, run: str, base: str, now: datetime) -> None:
        """The first of all notes: which run this is, on which one it builds, and that nothing was read before `now`."""
        for name, value in (("run", run), ("base", base), (BEGUN_NS, str(in_ns(now)))):
            self.note_fact(name, value)

    def changes_no_line(self) -> bool:
        """Whether every entry of the listing stays as it was: what differed was looked at and is the same."""
        return self._file.one(f"SELECT 1 FROM change WHERE state <> {DONE} OR line IS NOT old LIMIT 1", ()) is None

    def is_empty(self) -> bool:
        """Whether nothing differs at all."""
        return self._file.one("SELECT 1 FROM change LIMIT 1", ()) is None

    def note_same(self, path: bytes) -> None:
        """A changed file was read: its content is what it was."""
        self._file.do("UPDATE change SET doubt=1 WHERE path=?", (path,))

    def settle_doubt(self, change: PlannedChange, digest: bytes | None, *, same: bool) -> None:
        """A file that kept its size was read before the guard's verdict; `digest` only if it need not be read again."""
        self._file.do("UPDATE change SET doubt=?, digest=? WHERE path=?", (int(same), digest, change.path))

    def changed_sample(self, least: int, most: int) -> tuple[int, list[bytes]]:
        """How many files of `least` bytes or more have, or may have, other content now, and at most `most` of them.

        The sample is spread evenly over the folder.
        """
        which = f"want = {FILE} AND had = {FILE} AND size >= ? AND digest IS NOT old_digest"
        with translating_sqlite(self.path):
            (count,) = self._file.db.execute(f"SELECT count(*) FROM change WHERE {which}", (least,)).fetchone()
            rows = self._file.db.execute(
                f"SELECT path FROM (SELECT path, row_number() OVER (ORDER BY path) AS place FROM change WHERE {which})"
                " WHERE place % ? = 0",
                (least, max(1, -(-count // most))),
            )
            return count, [row[0] for row in rows]

    # -- progress --

    def get(self, path: bytes) -> PlannedChange | None:
        """The notes on one path."""
        row = self._file.one(f"SELECT {COLUMNS} FROM change WHERE path=?", (path,))
        return as_change(row) if row else None

    def pages(self, which: Rows, *, backwards: bool = False) -> Iterator[PlannedChange]:
        """These notes in order of the path; rows may be noted on meanwhile."""
        return self._file.changes(which.value, backwards=backwards)

    def begin(self, change: PlannedChange) -> None:
        """The far box is about to be asked to change what stands at this path."""
        self._write(change, BEGUN)

    def take_back_begin(self, change: PlannedChange) -> None:
        """The far box refused and changed nothing; `had` may have become 0, if the old file was moved aside before."""
        change.state = PLANNED
        self._file.do(
            "UPDATE change SET state=?, had=?, seal=? WHERE path=?",
            (PLANNED, change.had, seal_of_change(change), change.path),
        )

    def distrust(self, path: bytes) -> None:
        """What was brought to `path` stands there and is not to be believed: it is planned again, as a new file."""
        change = self.get(path)
        if change is not None:
            change.had = 0
            self.take_back_begin(change)

    def done(self, change: PlannedChange, landed: int = 0) -> None:
        """What was wanted at this path stands in the far copy. `line` is its entry, None if it went.

        `landed` is the batch it landed in, if it is not durable yet.
        """
        change.landed = landed
        if change.state == BEGUN:
            change.state = DONE
            self._file.do(
                "UPDATE change SET state=?, landed=?, seal=? WHERE path=?",
                (DONE, landed, seal_of_change(change), change.path),
            )
        else:
            self._write(change, DONE)
        if change.size > LARGE:
            self.half_sent.forget(change.path)

    def _write(self, change: PlannedChange, state: int) -> None:
        change.state = state
        numbers = change.numbers or (None,) * 5
        self._file.do(
            "UPDATE change SET state=?, digest=?, line=?, landed=?, ino=?, size=?, mtime=?, ctime=?, mode=?, seal=?"
            " WHERE path=?",
            (state, change.digest, change.line, change.landed, *numbers, seal_of_change(change), change.path),
        )

    def note_durable(self, batch: int) -> None:
        """What landed in this batch and in those before it is durable at the far end."""
        self._file.note_fact(DURABLE, str(batch))

    def not_durable(self) -> Iterator[PlannedChange]:
        """What stands in the far copy as far as its answers went, and may not have outlived a power cut there."""
        return self._file.changes(f"state = {DONE} AND landed > {int(self._file.fact(DURABLE) or 0)}")

    def note_refusal(self, change: PlannedChange, why: str) -> None:
        """The far box refused this change, perhaps half-way. It stays marked as begun until `settle` finds out."""
        change.why = why
        self._file.do("UPDATE change SET why=? WHERE path=?", (why, change.path))

    def trouble(self, change: PlannedChange, why: str) -> None:
        """This path could not be copied; what the far copy had there stands."""
        change.state = TROUBLE
        self._file.do(
            "UPDATE change SET state=?, had=?, why=?, line=NULL, seal=? WHERE path=?",
            (TROUBLE, change.had, why, seal_of_change(change), change.path),
        )

    def trouble_below(self, folder: bytes, why: str) -> None:
        """Nothing below this folder can be copied; what the far copy has there stands."""
        for change in self._file.changes(f"state = {PLANNED} AND {_below(folder)}"):
            self.trouble(change, why)

    def gone_below(self, folder: bytes) -> None:
        """What was to go below this folder is gone: the far copy has something else in the folder's place."""
        for change in self._file.changes(f"state = {PLANNED} AND want = 0 AND {_below(folder)}"):
            change.had = 0
            self.done(change)

    def folders_with_changes(self) -> Iterator[bytes]:
        """Every folder in which something is still planned, and those above it, each once; the outer ones first."""
        seen: set[bytes] = set()
        # Of perhaps a million: no more of each than is needed.
        for (path,) in self._file.rows("path", f"state = {PLANNED}"):
            above: list[bytes] = []
            folder = path.rpartition(b"/")[0]
            while folder and folder not in seen:
                seen.add(folder)
                above.append(folder)
                folder = folder.rpartition(b"/")[0]
            yield from reversed(above)

    def troubles(self) -> list[Problem]:
        """Every path that could not be copied, and why; and of which attributes were left out since this was opened."""
        with translating_sqlite(self.path):
            rows = self._file.db.execute(
                "SELECT path, why FROM change WHERE state=? ORDER BY path", (TROUBLE,)
            ).fetchall()
        return [*(Problem(path_text(path), why) for path, why in rows), *self._left_out]

    def outcome(self, now: datetime) -> Iterator[PlannedChange]:
        """All notes in order of the path, for the new catalogue.

        What the next run must look at again loses its ctime: names of a file that were copied while another name of it
        was not, so that they are found together (they lose the inode too), and what had changed so shortly before it
        was read that a further change may have moved no time.
        """
        begun = int(self.fact(BEGUN_NS) or 0)
        span = {"since": begun - YOUNG_NS, "until": in_ns(now) + FUTURE_NS}
        with translating_sqlite(self.path):
            self._file.db.execute(
                f"UPDATE change SET ctime = 0 WHERE want <> 0 AND state = {DONE}"
                " AND (ctime BETWEEN :since AND :until OR mtime BETWEEN :since AND :until)",
                span,
            )
        with translating_sqlite(self.path):
            self._file.db.execute(
                f"UPDATE change SET ino = 0, ctime = 0 WHERE device <> 0 AND want = {FILE} AND state = {DONE}"
                " AND EXISTS"
                " (SELECT 1 FROM change AS other WHERE other.ino = change.ino AND other.device = change.device"
                f" AND other.device <> 0 AND other.state <> {DONE})"
            )
        return self._file.changes("1")

    def moved_aside_by(self, run: str) -> Iterator[AsideContent]:
        """What the cut run `run` moved aside; call it only after every begun change was settled."""
        for change in self._file.changes(f"old_digest IS NOT NULL AND old_size > 0 AND (had = 0 OR state = {DONE})"):
            replaced = change.want != FILE or change.digest != change.old_digest
            if change.had != FILE or replaced:
                assert change.old_digest is not None
                yield AsideContent(change.old_digest, change.path, change.old_size, run)


def _below(folder: bytes) -> str:
    """The condition in SQL for all paths below a folder."""
    return f"path > x'{folder.hex()}2f' AND path < x'{folder.hex()}30'"  # "/" and the byte after it


def _row_of(one: Difference) -> tuple[Any, ...]:
    had, want = kind_of(one.known), kind_of(one.found)
    doubt = had == want and (want == FOLDER or probably_same_content(one.found, one.known))  # type: ignore[arg-type]
    old_size = one.known[SIZE] if one.known is not None and had == FILE else 0
    found = one.found or (None,) * 5
    digest = digest_in(one.line)
    seal = seal_of(one.path, want, old_size, digest, PLANNED, had)
    return (one.path, had, want, int(doubt), *found, one.device, one.line, old_size, digest, seal)
