"""Ledger: when each job last began and ended, and when recurring things (probe, digest) last happened.

They let a service that was killed go on where it was. What follows from them is decided elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from otherroof.base.clock import from_stamp, stamp
from otherroof.ledger.file import Page

# settled: nothing more to do for that time; unreached: the far box did not answer; cut: stopped on purpose, goes on
# later; busy: another process was running the same job.
Ending = Literal["settled", "unreached", "cut", "busy"]


@dataclass(frozen=True, slots=True)
class JobTimes:
    """When a job last began and how that ended.

    Its `times` count from `since` on. The last attempt began at `begun`; if `ended` is None after that, it never
    said how it ended. `tries` counts attempts in a row that came to nothing, with one under way. `waiting` tells
    people what it waits for.
    """

    job: str
    times: str
    since: datetime
    begun: datetime | None = None
    ended: datetime | None = None
    ending: Ending | None = None
    tries: int = 0
    waiting: str = ""


class JobTimesPage(Page):
    """How far each job is with the time it is due."""

    def by_job(self) -> dict[str, JobTimes]:
        """Every job's times by the job's name."""
        with self.file.guarded():
            rows = self.file.db.execute("SELECT job, times, since, begun, ended, ending, tries, waiting FROM turn")
            return {row[0]: _as_job_times(row) for row in rows}

    def note(self, times: JobTimes) -> None:
        """Write down how far a job is, in place of what was known."""
        begun, ended = (stamp(moment) if moment else None for moment in (times.begun, times.ended))
        with self.file.writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO turn (job, times, since, begun, ended, ending, tries, waiting)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (times.job, times.times, stamp(times.since), begun, ended, times.ending, times.tries, times.waiting),
            )


class MarkPage(Page):
    """When recurring things last happened."""

    def by_name(self) -> dict[str, datetime]:
        """When each recurring thing last happened, by its name."""
        with self.file.guarded():
            return {name: from_stamp(at) for name, at in self.file.db.execute("SELECT name, at FROM mark")}

    def note(self, name: str, at: datetime) -> None:
        """The thing called `name` happened at `at`."""
        with self.file.writing() as db:
            db.execute("INSERT OR REPLACE INTO mark (name, at) VALUES (?, ?)", (name, stamp(at)))

    def forget(self, name: str) -> None:
        """The thing called `name` counts as one that never happened."""
        with self.file.writing() as db:
            db.execute("DELETE FROM mark WHERE name = ?", (name,))


def _as_job_times(row: tuple[str, str, str, str | None, str | None, Ending | None, int, str]) -> JobTimes:
    job, times, since, begun, ended, ending, tries, waiting = row
    return JobTimes(
        job,
        times,
        from_stamp(since),
        from_stamp(begun) if begun else None,
        from_stamp(ended) if ended else None,
        ending,
        tries,
        waiting,
    )
