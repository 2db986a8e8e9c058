"""The ledger's pages on runs, holds and answers."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any

from otherroof.base.clock import from_stamp, stamp
from otherroof.base.printable import escaped
from otherroof.copying.report import FIGURES, GOOD, ByteCounts, EncryptionSigns, Problem, RunReport, parts_of, rounded
from otherroof.ledger.file import LedgerFile, Page, WirePage
from otherroof.ledger.live.live_run import LiveRun
from otherroof.ledger.live.live_runs import LiveRuns

# Else an unreadable folder would add a row for each entry each night and fill the disk within years.
MOST_PROBLEMS = 1000
PROBLEMS_KEPT_DAYS = 90
# The reason of a run that was killed. When it died is not known, so it has no end.
GONE = "the process ended without saying why"
# What is known of a run as it begins, and what as it ends. The names of its figures stand where they are counted.
_BEGUN = ("job", "run", "far", "started", "onto")
_ENDED = ("ended", "outcome", "reason", *(one.column for one in FIGURES))
_COLUMNS = ", ".join((*_BEGUN, "landed", *_ENDED))
_BEGIN = f"INSERT INTO run ({', '.join(_BEGUN)}) VALUES ({', '.join(f':{one}' for one in _BEGUN)})"
_END = f"UPDATE run SET {', '.join(f'{one}=:{one}' for one in _ENDED)} WHERE job=:job AND run=:run"
# As the index of good runs has it: with parameters SQLite would not see that it is that one which is asked for.
_KNOWN_GOOD = f"outcome IN {GOOD}"
IS_GOOD = f"outcome IN ({', '.join('?' for _ in GOOD)})"  # for which GOOD is given
UNDER_WAY = "under way"
# What a run wrote onto a disk that is carried there is no copy in the other house before it was found standing there.
OVER_THE_LINE = "onto = ''"
AT_FAR_BOX = f"({OVER_THE_LINE} OR landed IS NOT NULL)"
_FIRST = ("job", "run", "far", "started")
CSV_COLUMNS = (*_FIRST, "ended", "outcome", *(one.column for one in FIGURES if one.shown), "reason", "onto", "landed")


@dataclass(frozen=True, slots=True)
class RunRow:
    """One run as the ledger holds it. `live` is how far it is if its process lives, and then its report has what was
    counted so far; `ended` is None while it is under way, and if it was killed. `onto`: the folder on a carried disk
    that it wrote to, empty if it went over the line; `landed`: when that disk was found standing at the far box."""

    far: str
    started: datetime
    ended: datetime | None
    report: RunReport
    live: LiveRun | None = None
    onto: str = ""
    landed: datetime | None = None

    @property
    def at_far_box(self) -> bool:
        """Whether what it wrote is in the other house."""
        return not self.onto or self.landed is not None

    @property
    def under_way(self) -> bool:
        """Whether its process lives."""
        return self.live is not None

    @property
    def outcome(self) -> str:
        """How it ended, or that it is under way."""
        return UNDER_WAY if self.live is not None else self.report.outcome

    def as_json(self) -> dict[str, Any]:
        """The row as `ledger --json` prints it: the run's own keys with far box, start and end; how far it is, if it is
        under way."""
        progress = {"progress": self.live.as_json()} if self.live is not None else {}
        words = {"outcome": self.outcome, "far": self.far, **self._moments, **(self._carried if self.onto else {})}
        return self.report.as_json() | words | progress

    def as_csv(self) -> list[Any]:
        """The row as `ledger --csv` prints it, in the order of CSV_COLUMNS."""
        report = self.report
        figures = {column: rounded(value) for column, value in report.figures.items()}
        words = {"job": report.job, "run": report.run, "far": self.far, **self._moments, **self._carried}
        cells = {**words, **figures, "outcome": self.outcome, "reason": report.reason}
        shown = (cells[column] for column in CSV_COLUMNS)
        # A reason that an older version wrote down may hold what a far box said, as it was said.
        return [escaped(cell) if isinstance(cell, str) else cell for cell in shown]

    @property
    def _carried(self) -> dict[str, str | None]:
        return {"onto": self.onto, "landed": stamp(self.landed) if self.landed else None}

    @property
    def _moments(self) -> dict[str, str | None]:
        return {"started": stamp(self.started), "ended": stamp(self.ended) if self.ended else None}


@dataclass(frozen=True, slots=True)
class Hold:
    """A held run: what the guard saw, and when a person released it."""

    job: str
    run: str
    at: datetime
    why: str
    removed: int
    changed: int
    of_files: int
    released: datetime | None


class RunPage(WirePage):
    """Every run, from its begin to its end."""

    table = "run"

    def __init__(self, file: LedgerFile, live: LiveRuns) -> None:
        super().__init__(file)
        self._live = live

    def begin(self, job: str, run: str, far: str, started: datetime, onto: str = "") -> None:
        """Note that a run has begun, over the line or `onto` a disk that will be carried; until `end` its outcome is
        empty."""
        with self.file.writing() as db:
            db.execute(_BEGIN, {"job": job, "run": run, "far": far, "started": stamp(started), "onto": onto})

    def land(self, job: str, runs: Collection[str], at: datetime) -> list[str]:
        """The disk that these runs were written onto was found standing at the far box; answers those that were."""
        known = [row.report.run for row in self.rows(job=job, carried=True) if row.onto and row.report.run in runs]
        with self.file.writing() as db:
            db.executemany(
                "UPDATE run SET landed=? WHERE job=? AND run=? AND landed IS NULL",
                [(stamp(at), job, run) for run in known],
            )
        return known

    def end(self, report: RunReport, ended: datetime) -> None:
        """Write down how a run ended, with every figure it counted, and at most MOST_PROBLEMS of its problems by name;
        those of the job's runs of PROBLEMS_KEPT_DAYS ago are forgotten. Raises HomeTrouble."""
        known = {"ended": stamp(ended), "outcome": report.outcome, "reason": report.reason, **report.figures}
        with self.file.writing() as db:
            written = db.execute(_END, {"job": report.job, "run": report.run, **known}).rowcount
            if report.nature is not None:
                seen = report.nature
                db.execute(
                    "INSERT OR REPLACE INTO run_nature (job, run, sampled, dense, endings_changed)"
                    " VALUES (?, ?, ?, ?, ?)",
                    (report.job, report.run, seen.sampled, seen.dense, seen.endings_changed),
                )
            # What is about no entry comes first: it is asked for later. How many there were is in the run's own row.
            kept = sorted(report.problems, key=lambda one: bool(one.path))[:MOST_PROBLEMS]
            db.executemany(
                "INSERT INTO run_problem (job, run, path, why) VALUES (?, ?, ?, ?)",
                [(report.job, report.run, problem.path, problem.why) for problem in kept],
            )
            old = f"{ended - timedelta(days=PROBLEMS_KEPT_DAYS):%Y-%m-%d}"  # a run's id begins with its day
            db.execute("DELETE FROM run_problem WHERE job=? AND run<?", (report.job, old))
        # Either its begin stands in a history that was set aside meanwhile, or a damaged index does not find it.
        if not written:
            self.file.refuse_if_unsound(LookupError("a run that has ended is not found in it"))

    def note_sent(self, job: str, run: str, sizes: ByteCounts, seconds: float) -> None:
        """What a run under way has sent so far, on the wire too, and how long it has lived: that counts also if it
        never says its end."""
        with self.file.writing() as db:
            db.execute(
                "UPDATE run SET bytes_sent=?, wire_up=?, wire_down=?, total_s=? "
                "WHERE job=? AND run=? AND outcome IS NULL",
                (sizes.sent, sizes.wire_up, sizes.wire_down, seconds, job, run),
            )

    def rename(self, job: str, old: str, new: str) -> None:
        """The run turned out to need another id: the far copy holds one that is later than our clock."""
        with self.file.writing() as db:
            db.execute("UPDATE run SET run=? WHERE job=? AND run=?", (new, job, old))

    def mark_cut(self, job: str, reason: str = GONE) -> list[str]:
        """Mark runs of `job` without an end as cut. The caller holds the job's lock, so no run is still alive."""
        with self.file.writing() as db:
            found = [row[0] for row in db.execute("SELECT run FROM run WHERE job=? AND outcome IS NULL", (job,))]
            db.execute("UPDATE run SET outcome='cut', reason=? WHERE job=? AND outcome IS NULL", (reason, job))
        return found

    def rows(
        self, *, job: str = "", since: datetime | None = None, begins: str = "", newest: int = 0, carried: bool = False
    ) -> list[RunRow]:
        """Runs, newest first; of one job, since a moment, those whose id `begins` so, at most `newest` of them (0:
        all). With `carried` also those that wrote onto a disk: they tell nothing of the line and the nights."""
        where, given = ["1" if carried else OVER_THE_LINE], []
        if job:
            where.append("job = ?")
            given.append(job)
        if since is not None:
            where.append("started >= ?")
            given.append(stamp(since))
        if begins:
            where.append("substr(run, 1, length(?)) = ?")
            given += [begins, begins]
        query = f"SELECT {_COLUMNS} FROM run WHERE {' AND '.join(where)} ORDER BY started DESC, run DESC"
        with self.file.guarded():
            rows = self.file.db.execute(query + (f" LIMIT {int(newest)}" if newest else ""), given).fetchall()
            return [self._as_row(row) for row in rows]

    def newest_good(self, job: str, before: datetime | None = None, *, far: str = "") -> RunRow | None:
        """The newest run whose listing was committed: begun no later than `before`, to `far`, if these are given."""
        row = self._of_newest_good(_COLUMNS, job, before, far)
        return self._as_row(row) if row else None

    def newest_good_begun(self, job: str, before: datetime | None = None, *, far: str = "") -> datetime | None:
        """When the newest run whose listing was committed was begun; of those that `newest_good` looks at."""
        row = self._of_newest_good("started", job, before, far)
        return from_stamp(row[0]) if row else None

    def _of_newest_good(self, columns: str, job: str, before: datetime | None, far: str) -> tuple[Any, ...] | None:
        where, given = [f"job=? AND {IS_GOOD} AND {AT_FAR_BOX}"], [job, *GOOD]
        if before is not None:
            where.append("started <= ?")
            given.append(stamp(before))
        if far:
            where.append("far = ?")
            given.append(far)
        query = f"SELECT {columns} FROM run WHERE {' AND '.join(where)} ORDER BY started DESC LIMIT 1"
        with self.file.guarded():
            found: tuple[Any, ...] | None = self.file.db.execute(query, given).fetchone()
        return found

    def _as_row(self, row: tuple[Any, ...]) -> RunRow:
        found, has_end = _row_of(row)
        return found if has_end else self._without_end(found)

    def _without_end(self, row: RunRow) -> RunRow:
        """A run whose end nobody has written: it is under way, with what it sent so far, or its process is gone."""
        report, live = row.report, self._live.of(row.report.job)
        if live is None or not live.is_run(report.run):
            # Asked once more: a run writes its end before it lets go of its lock, and may have done both meanwhile.
            query = f"SELECT {_COLUMNS} FROM run WHERE job=? AND run=?"
            again = self.file.db.execute(query, (report.job, report.run)).fetchone()
            found, has_end = _row_of(again) if again else (row, False)
            if not has_end:
                found.report.reason = GONE
            return found
        if live.token:
            # Both are written now and then, and whichever was written later is nearer to the truth.
            sizes = report.bytes
            sizes.sent = max(sizes.sent, live.advance.reading.done)
            sizes.wire_up, sizes.wire_down = max(sizes.wire_up, live.wire_up), max(sizes.wire_down, live.wire_down)
            report.seconds.total = max(0.0, (live.at - live.since).total_seconds())  # the clock may be put back
        return replace(row, live=live)

    def first_good(self, job: str, far: str) -> datetime | None:
        """When the oldest run to `far` whose listing was committed came to its end; None if there is none."""
        # What came on a disk was there when the disk was.
        when = "min(coalesce(landed, ended, started))"
        query = f"SELECT {when} FROM run WHERE job=? AND far=? AND {_KNOWN_GOOD} AND {AT_FAR_BOX}"
        with self.file.guarded():
            (at,) = self.file.db.execute(query, (job, far)).fetchone()
        return from_stamp(at) if at else None

    def last_counted(self, far: str, before: datetime) -> datetime | None:
        """When a run to `far` that made its copy last ended, no later than `before`."""
        query = f"SELECT max(ended) FROM run WHERE far=? AND ended<=? AND {IS_GOOD} AND {OVER_THE_LINE}"
        with self.file.guarded():
            (at,) = self.file.db.execute(query, (far, stamp(before), *GOOD)).fetchone()
        return from_stamp(at) if at else None

    def problems_of(self, job: str, run: str) -> list[Problem]:
        """The entries that run could not copy."""
        with self.file.guarded():
            rows = self.file.db.execute("SELECT path, why FROM run_problem WHERE job=? AND run=?", (job, run))
            return [Problem(*row) for row in rows]

    def far_problems(self, far: str, before: datetime) -> list[str]:
        """What the last run to `far` that made its copy, begun no later than `before`, met there that is about none of
        its files."""
        query = (
            "SELECT why FROM run_problem WHERE path='' AND (job, run) ="
            f" (SELECT job, run FROM run WHERE far=? AND started<=? AND {IS_GOOD} AND {OVER_THE_LINE}"
            " ORDER BY started DESC, run DESC LIMIT 1)"
        )
        with self.file.guarded():
            return [row[0] for row in self.file.db.execute(query, (far, stamp(before), *GOOD))]

    def natures(self, job: str, since: datetime) -> dict[str, EncryptionSigns]:
        """What the runs of a job since a moment saw in the content, by run."""
        with self.file.guarded():
            rows = self.file.db.execute(
                "SELECT n.run, sampled, dense, endings_changed FROM run r"
                " JOIN run_nature n ON n.job = r.job AND n.run = r.run WHERE r.job=? AND r.started>=?"
                f" AND {OVER_THE_LINE}",
                (job, stamp(since)),
            ).fetchall()
        return {run: EncryptionSigns(*seen) for run, *seen in rows}


class AnswerPage(Page):
    """When each far box last proved its host key."""

    def note(self, far: str, at: datetime) -> None:
        """The far box proved its host key at this moment."""
        with self.file.writing() as db:
            db.execute(
                "INSERT INTO answer (far, at) VALUES (?, ?) ON CONFLICT (far) DO UPDATE SET at = max(at, excluded.at)",
                (far, stamp(at)),
            )

    def last(self, far: str, before: datetime | None = None) -> datetime | None:
        """When the far box last proved its host key, no later than `before` if that is given: if the last
        answer was noted by a clock that was ahead, the newest that a probe or a good run tells of instead."""
        with self.file.guarded():
            row = self.file.db.execute("SELECT at FROM answer WHERE far=?", (far,)).fetchone()
            if row is None or before is None or row[0] <= stamp(before):
                return from_stamp(row[0]) if row else None
            (at,) = self.file.db.execute(
                "SELECT max(at) FROM (SELECT max(at) AS at FROM probe WHERE far=?1 AND answered=1 AND at<=?2"
                f" UNION ALL SELECT max(started) FROM run WHERE far=?1 AND started<=?2 AND {IS_GOOD}"
                f" AND {OVER_THE_LINE})",
                (far, stamp(before), *GOOD),
            ).fetchone()
        return from_stamp(at) if at else None


class HoldPage(Page):
    """What the guard held, until a person released it and a run went through."""

    def note(self, hold: Hold) -> None:
        """Write down a held run; it takes the place of an older one of the same job. As long as nobody releases it, a
        job is held since its first one."""
        with self.file.writing() as db:
            db.execute(
                "INSERT INTO hold (job, run, at, why, removed, changed, of_files, released)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, NULL)"
                " ON CONFLICT (job) DO UPDATE SET run=excluded.run, why=excluded.why,"
                " removed=excluded.removed, changed=excluded.changed, of_files=excluded.of_files, released=NULL,"
                " at=CASE WHEN released IS NULL AND at<excluded.at THEN at ELSE excluded.at END",
                (hold.job, hold.run, stamp(hold.at), hold.why, hold.removed, hold.changed, hold.of_files),
            )

    def of(self, job: str) -> Hold | None:
        """The hold that stands against `job`, released or not."""
        with self.file.guarded():
            row = self.file.db.execute(
                "SELECT job, run, at, why, removed, changed, of_files, released FROM hold WHERE job=?", (job,)
            ).fetchone()
        if row is None:
            return None
        _, run, at, why, removed, changed, of_files, released = row
        freed = from_stamp(released) if released else None
        return Hold(job, run, from_stamp(at), why, removed, changed, of_files, freed)

    def release(self, job: str, at: datetime) -> bool:
        """A person has looked: the next run may change as much as the held one wanted. False if none is held."""
        with self.file.writing() as db:
            return db.execute("UPDATE hold SET released=? WHERE job=?", (stamp(at), job)).rowcount > 0

    def drop(self, job: str) -> None:
        """The job has run again; nothing stands against it any more."""
        with self.file.writing() as db:
            db.execute("DELETE FROM hold WHERE job=?", (job,))


def _row_of(row: tuple[Any, ...]) -> tuple[RunRow, bool]:
    """The row, and whether an end of it is known."""
    job, run, far, started, onto, landed, ended, outcome, reason, *figures = row
    report = RunReport(job, run, outcome or "cut", *parts_of(figures), reason=reason)
    end, there = (from_stamp(one) if one else None for one in (ended, landed))
    return RunRow(far, from_stamp(started), end, report, onto=onto, landed=there), outcome is not None
