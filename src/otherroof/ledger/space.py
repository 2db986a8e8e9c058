"""The ledger's pages on what was found at the far end and in the content: disk space, damage, the nature of changes.

Figures only; what they mean is decided by the watch and the forecast.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime

from otherroof.base.clock import from_stamp, stamp
from otherroof.copying.report import EncryptionSigns


@dataclass(frozen=True, slots=True)
class SpaceReading:
    """Bytes free to the account, and in all, on the disk that a far box keeps copies on."""

    at: datetime
    free: int
    total: int


@dataclass(frozen=True, slots=True)
class DamagedFile:
    """One file whose far copy is not what its listing says. The path is shown as text."""

    job: str
    path: str
    run: str
    at: datetime
    why: str


class SpaceStore:
    """Queries on space, damage and nature; mixed into the Ledger, which gives the connection."""

    db: sqlite3.Connection

    def writing(self) -> AbstractContextManager[sqlite3.Connection]:
        raise NotImplementedError

    def guarded(self) -> AbstractContextManager[None]:
        raise NotImplementedError

    def note_space(self, far: str, at: datetime, free: int, total: int) -> None:
        """A far box's disk had `free` of `total` bytes left at this moment."""
        with self.writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO space (far, at, free, total) VALUES (?, ?, ?, ?)", (far, stamp(at), free, total)
            )

    def spaces(self, far: str, since: datetime, until: datetime) -> list[SpaceReading]:
        """A far box's space between two moments, oldest first: the last reading of each UTC day.

        One a day is what a trend over weeks needs, however often the box is asked.
        """
        with self.guarded():
            rows = self.db.execute(
                "SELECT max(at), free, total FROM space WHERE far=? AND at BETWEEN ? AND ?"
                " GROUP BY substr(at, 1, 10) ORDER BY 1",
                (far, stamp(since), stamp(until)),
            ).fetchall()
        return [SpaceReading(from_stamp(at), free, total) for at, free, total in rows]

    def last_unanswered(self, far: str, before: datetime) -> datetime | None:
        """When a far box last did not answer a probe, no later than `before`."""
        with self.guarded():
            row = self.db.execute(
                "SELECT at FROM probe WHERE far=? AND answered=0 AND at<=? ORDER BY at DESC LIMIT 1",
                (far, stamp(before)),
            ).fetchone()
        return from_stamp(row[0]) if row else None

    def note_damage(self, marks: Sequence[DamagedFile]) -> None:
        """Files whose far copies were found damaged; what is known already keeps its first date."""
        with self.writing() as db:
            db.executemany(
                "INSERT OR IGNORE INTO damage (job, path, run, at, why) VALUES (?, ?, ?, ?, ?)",
                [(mark.job, mark.path, mark.run, stamp(mark.at), mark.why) for mark in marks],
            )

    def drop_damage(self, job: str, paths: Sequence[str]) -> int:
        """Damage of `job` at `paths` was made good. Returns how many marks went."""
        with self.writing() as db:
            found = [db.execute("DELETE FROM damage WHERE job=? AND path=?", (job, path)).rowcount for path in paths]
            return sum(found)

    def damages(self, job: str) -> list[DamagedFile]:
        """A job's files that are known to be damaged, the oldest finding first."""
        with self.guarded():
            rows = self.db.execute(
                "SELECT job, path, run, at, why FROM damage WHERE job=? ORDER BY at, path", (job,)
            ).fetchall()
        return [DamagedFile(job, path, run, from_stamp(at), why) for job, path, run, at, why in rows]

    def natures(self, job: str, since: datetime) -> dict[str, EncryptionSigns]:
        """What the runs of a job since a moment saw in the content, by run."""
        with self.guarded():
            rows = self.db.execute(
                "SELECT n.run, sampled, dense, endings_changed FROM run r"
                " JOIN run_nature n ON n.job = r.job AND n.run = r.run WHERE r.job=? AND r.started>=?",
                (job, stamp(since)),
            ).fetchall()
        return {run: EncryptionSigns(*seen) for run, *seen in rows}
