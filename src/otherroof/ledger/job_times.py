"""Ledger: when each job last began and ended, and when recurring things (probe, digest) last happened.

They let a service that was killed go on where it was. What follows from them is decided elsewhere.
"""

from __future__ import annotations

import sqlite3
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from otherroof.base.clock import from_stamp, stamp

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


class JobTimesStore:
    """Queries on turns and marks; mixed into the Ledger, which gives the connection."""

    db: sqlite3.Connection

    def writing(self) -> AbstractContextManager[sqlite3.Connection]:
        raise NotImplementedError

    def guarded(self) -> AbstractContextManager[None]:
        raise NotImplementedError

    def turns(self) -> dict[str, JobTimes]:
        """Every job's turn by the job's name."""
        with self.guarded():
            rows = self.db.execute("SELECT job, times, since, begun, ended, ending, tries, waiting FROM turn")
            return {row[0]: _as_turn(row) for row in rows}

    def note_job_times(self, turn: JobTimes) -> None:
        """Write down how far a job is, in place of what was known."""
        begun, ended = (stamp(moment) if moment else None for moment in (turn.begun, turn.ended))
        with self.writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO turn (job, times, since, begun, ended, ending, tries, waiting)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (turn.job, turn.times, stamp(turn.since), begun, ended, turn.ending, turn.tries, turn.waiting),
            )

    def marks(self) -> dict[str, datetime]:
        """When each recurring thing last happened, by its name."""
        with self.guarded():
            return {name: from_stamp(at) for name, at in self.db.execute("SELECT name, at FROM mark")}

    def note_last_time(self, name: str, at: datetime) -> None:
        """The thing called `name` happened at `at`."""
        with self.writing() as db:
            db.execute("INSERT OR REPLACE INTO mark (name, at) VALUES (?, ?)", (name, stamp(at)))

    def wire_bytes_since(self, far: str, since: datetime) -> int:
        """Bytes on the wire, both ways, in runs to `far` that began since then."""
        with self.guarded():
            (count,) = self.db.execute(
                "SELECT coalesce(sum(wire_up + wire_down), 0) FROM run WHERE far=? AND started>=?", (far, stamp(since))
            ).fetchone()
        return int(count)


def _as_turn(row: tuple[str, str, str, str | None, str | None, Ending | None, int, str]) -> JobTimes:
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
