"""The ledger's page on drills: when a copy was last brought back for practice, and how long all of it would take.

Figures only; whether that is soon enough is decided by the watch.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass, field, fields
from datetime import datetime
from itertools import takewhile
from typing import Any, Literal

from otherroof.base.clock import from_stamp, stamp
from otherroof.ledger.file import WirePage

# whole: all that was brought back was as it should be; damaged: something was not; timed: not all of it came within the
# time that a drill may take, and what came until then tells how long all would take; cut: it was stopped, or its
# process ended without a word; failed: it could not be carried out.
DrillOutcome = Literal["whole", "damaged", "timed", "cut", "failed"]
ANSWERS = ("whole", "damaged", "timed")


@dataclass(frozen=True, slots=True)
class DrillFigures:
    """What a drill counted. Sizes in bytes, times in seconds; `of_files` and `of_size` are the whole version's.

    `back_s` is how long all of it would take to come back, `soonest_s` and `latest_s` the range; None if that could not
    be told. `check_code` is how the job's own check of the restored files ended; None if it has none.
    """

    files: int = 0
    size: int = 0
    of_files: int = 0
    of_size: int = 0
    damaged: int = 0
    changed_at_home: int = 0
    wire_up: int = 0
    wire_down: int = 0
    took_s: float = 0.0
    back_s: float | None = None
    soonest_s: float | None = None
    latest_s: float | None = None
    check_code: int | None = None
    check_said: str = ""


@dataclass(frozen=True, slots=True)
class DrillRow:
    """One drill. `version` is the run whose version was brought back, empty if it did not come to that; `from_nothing`:
    as if this home had lost everything but settings and keys. `outcome` is empty while it is under way."""

    job: str
    far: str
    started: datetime
    from_nothing: bool
    version: str = ""
    ended: datetime | None = None
    outcome: DrillOutcome | Literal[""] = ""
    reason: str = ""
    figures: DrillFigures = field(default_factory=DrillFigures)


_FIGURES = tuple(one.name for one in fields(DrillFigures))
_COLUMNS = ("job", "far", "started", "from_nothing", "version", "ended", "outcome", "reason", *_FIGURES)


class DrillPage(WirePage):
    """Every drill, from its beginning to its end."""

    table = "drill"

    def begin(self, row: DrillRow) -> int:
        """Note that a drill has begun; its number, for `end`. One of the same job that never ended was cut."""
        with self.file.writing() as db:
            db.execute(
                "UPDATE drill SET outcome='cut', reason='the process ended without saying why'"
                " WHERE job=? AND outcome=''",
                (row.job,),
            )
            number = db.execute(
                "INSERT INTO drill (job, far, started, from_nothing) VALUES (?, ?, ?, ?)",
                (row.job, row.far, stamp(row.started), row.from_nothing),
            ).lastrowid
        assert number is not None
        return number

    def end(self, number: int, row: DrillRow) -> None:
        """Note how the drill of this number ended."""
        named = ("version", "ended", "outcome", "reason", *_FIGURES)
        ended = stamp(row.ended) if row.ended is not None else None
        values = (row.version, ended, row.outcome, row.reason, *astuple(row.figures), number)
        with self.file.writing() as db:
            db.execute(f"UPDATE drill SET {', '.join(f'{one}=?' for one in named)} WHERE number=?", values)

    def rows(self, job: str, far: str, before: datetime, newest: int = 0) -> list[DrillRow]:
        """Drills of a job at a far box that began no later than `before`, newest first; at most `newest` (0: all)."""
        query = f"SELECT {', '.join(_COLUMNS)} FROM drill WHERE job=? AND far=? AND started<=? ORDER BY started DESC"
        with self.file.guarded():
            found = self.file.db.execute(query + (f" LIMIT {int(newest)}" if newest else ""), (job, far, stamp(before)))
            return [_as_row(row) for row in found.fetchall()]

    def last(self, job: str, far: str, before: datetime) -> DrillRow | None:
        """The newest drill that came to an answer."""
        found = self.rows(job, far, before)
        return next((row for row in found if row.outcome in ANSWERS), None)

    def fruitless(self, job: str, far: str, before: datetime) -> list[DrillRow]:
        """Those that ended without an answer since the last one that came to one, newest first."""
        found = takewhile(lambda row: row.outcome not in ANSWERS, self.rows(job, far, before))
        return [row for row in found if row.outcome]


def _as_row(row: tuple[Any, ...]) -> DrillRow:
    job, far, started, from_nothing, version, ended, outcome, reason, *figures = row
    return DrillRow(
        job,
        far,
        from_stamp(started),
        bool(from_nothing),
        version,
        from_stamp(ended) if ended else None,
        outcome,
        reason,
        DrillFigures(*figures),
    )
