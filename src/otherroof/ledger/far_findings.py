"""The ledger's pages on what was found at the far end: disk space and damage.

Figures only; what they mean is decided by the watch and the forecast.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from otherroof.base.clock import from_stamp, stamp
from otherroof.ledger.file import Page


@dataclass(frozen=True, slots=True)
class SpaceReading:
    """Bytes free to the account, and in all, on the disk that a far box keeps copies on."""

    at: datetime
    free: int
    total: int


@dataclass(frozen=True, slots=True)
class DamagedFile:
    """One file whose far copy is not what its listing says. The path is shown as text.

    `name` is the path as its bytes are, empty if it is not known or no file's; `in_newest`: as far as is known it lies
    in the newest copy, from which runs make new content.
    """

    job: str
    path: str
    run: str
    at: datetime
    why: str
    name: bytes = b""
    in_newest: bool = False


class SpacePage(Page):
    """How full the far boxes' disks were."""

    def note(self, far: str, at: datetime, free: int, total: int) -> None:
        """A far box's disk had `free` of `total` bytes left at this moment."""
        with self.file.writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO space (far, at, free, total) VALUES (?, ?, ?, ?)", (far, stamp(at), free, total)
            )

    def daily(self, far: str, since: datetime, until: datetime) -> list[SpaceReading]:
        """A far box's space between two moments, oldest first: the last reading of each UTC day.

        One a day is what a trend over weeks needs, however often the box is asked.
        """
        with self.file.guarded():
            rows = self.file.db.execute(
                # SQLite's own rule: beside max(), the other columns come from the row that holds the maximum.
                "SELECT max(at), free, total FROM space WHERE far=? AND at BETWEEN ? AND ?"
                " GROUP BY substr(at, 1, 10) ORDER BY 1",
                (far, stamp(since), stamp(until)),
            ).fetchall()
        return [SpaceReading(from_stamp(at), free, total) for at, free, total in rows]


class DamagePage(Page):
    """Files whose far copies were found damaged, until that is made good."""

    def note(self, marks: Sequence[DamagedFile]) -> None:
        """Files whose far copies were found damaged; what is known already keeps its first date."""
        with self.file.writing() as db:
            db.executemany(
                "INSERT INTO damage (job, path, run, at, why, name, in_newest) VALUES (?, ?, ?, ?, ?, ?, ?)"
                " ON CONFLICT DO UPDATE SET name=excluded.name, in_newest=excluded.in_newest WHERE excluded.name<>x''",
                [
                    (mark.job, mark.path, mark.run, stamp(mark.at), mark.why, mark.name, mark.in_newest)
                    for mark in marks
                ],
            )

    def settle(self, job: str, paths: Sequence[str]) -> int:
        """Damage of `job` at `paths` was made good. Returns how many marks went."""
        with self.file.writing() as db:
            found = [db.execute("DELETE FROM damage WHERE job=? AND path=?", (job, path)).rowcount for path in paths]
            return sum(found)

    def settle_in(self, job: str, run: str, paths: Sequence[str]) -> None:
        """Damage of `job` at `paths` in the version of `run` was made good."""
        with self.file.writing() as db:
            db.executemany("DELETE FROM damage WHERE job=? AND run=? AND path=?", [(job, run, path) for path in paths])

    def left_newest(self, job: str) -> None:
        """A run has replaced what was known to be damaged in the newest copy; older versions may still need it."""
        with self.file.writing() as db:
            db.execute("UPDATE damage SET in_newest=0 WHERE job=?", (job,))

    def of(self, job: str) -> list[DamagedFile]:
        """A job's files that are known to be damaged, the oldest finding first."""
        with self.file.guarded():
            rows = self.file.db.execute(
                "SELECT job, path, run, at, why, name, in_newest FROM damage WHERE job=? ORDER BY at, path", (job,)
            ).fetchall()
        return [
            DamagedFile(job, path, run, from_stamp(at), why, name, bool(newest))
            for job, path, run, at, why, name, newest in rows
        ]
