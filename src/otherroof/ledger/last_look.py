"""Ledger: when the watch last looked, and since when it watches each job and far box.

Kept so that a clock that was set can be told from time that passed, and a new job is not late on its first day.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import datetime

from otherroof.base.clock import from_stamp, stamp


@dataclass(frozen=True, slots=True)
class WatchLook:
    """One look: the clock on the wall, seconds since this machine started (`monotonic_s`, and of these spent
    asleep), which start that was, since when the watch has looked without a long break, and the last clock jump."""

    at: datetime
    monotonic_s: float
    asleep_s: float
    boot: str
    awake_since: datetime
    jumped_at: datetime | None = None
    jumped_s: float = 0.0


class LookStore:
    """Queries on looks; mixed into the Ledger, which gives the connection."""

    db: sqlite3.Connection

    def writing(self) -> AbstractContextManager[sqlite3.Connection]:
        raise NotImplementedError

    def guarded(self) -> AbstractContextManager[None]:
        raise NotImplementedError

    def last_look(self) -> WatchLook | None:
        """The last look, None before the first."""
        with self.guarded():
            row = self.db.execute(
                "SELECT at, monotonic_s, asleep_s, boot, awake_since, jumped_at, jumped_s FROM look"
            ).fetchone()
        if row is None:
            return None
        at, monotonic_s, asleep_s, boot, awake_since, jumped_at, jumped_s = row
        jump = from_stamp(jumped_at) if jumped_at else None
        return WatchLook(from_stamp(at), monotonic_s, asleep_s, boot, from_stamp(awake_since), jump, jumped_s)

    def note_look(self, look: WatchLook) -> None:
        """Store this look as the last one."""
        jump = stamp(look.jumped_at) if look.jumped_at else None
        with self.writing() as db:
            db.execute(
                "INSERT OR REPLACE INTO look VALUES (1, ?, ?, ?, ?, ?, ?, ?)",
                (
                    stamp(look.at),
                    look.monotonic_s,
                    look.asleep_s,
                    look.boot,
                    stamp(look.awake_since),
                    jump,
                    look.jumped_s,
                ),
            )

    def watched_since(self, subjects: Iterable[str], now: datetime) -> dict[str, datetime]:
        """Since when each of `subjects` is watched; `now` for those that are not yet."""
        with self.guarded():
            known = dict(self.db.execute("SELECT subject, since FROM watched").fetchall())
        return {subject: min(from_stamp(known[subject]), now) if subject in known else now for subject in subjects}

    def note_watched(self, subjects: Iterable[str], now: datetime) -> None:
        """These are watched: new ones from `now` on, as are those whose beginning was noted by a clock that was ahead;
        those not named are forgotten."""
        wanted = set(subjects)
        with self.guarded():
            known = {row[0] for row in self.db.execute("SELECT subject FROM watched")}
            ahead = {row[0] for row in self.db.execute("SELECT subject FROM watched WHERE since > ?", (stamp(now),))}
        if wanted == known and not ahead:
            return
        with self.writing() as db:
            new = [(subject, stamp(now)) for subject in wanted & ahead | wanted - known]
            db.executemany("INSERT OR REPLACE INTO watched VALUES (?, ?)", new)
            db.executemany("DELETE FROM watched WHERE subject=?", [(subject,) for subject in known - wanted])
