"""Ledger: when the watch last looked, and since when it watches each job and far box.

Kept so that a clock that was set can be told from time that passed, and a new job is not late on its first day.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from otherroof.base.clock import from_stamp, stamp
from otherroof.ledger.file import Page


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


class LookPage(Page):
    """The watch's last look, and what it watches over."""

    def last(self) -> WatchLook | None:
        """The last look, None before the first."""
        with self.file.guarded():
            row = self.file.db.execute(
                "SELECT at, monotonic_s, asleep_s, boot, awake_since, jumped_at, jumped_s FROM look"
            ).fetchone()
        if row is None:
            return None
        at, monotonic_s, asleep_s, boot, awake_since, jumped_at, jumped_s = row
        jump = from_stamp(jumped_at) if jumped_at else None
        return WatchLook(from_stamp(at), monotonic_s, asleep_s, boot, from_stamp(awake_since), jump, jumped_s)

    def note(self, look: WatchLook) -> None:
        """Store this look as the last one."""
        jump = stamp(look.jumped_at) if look.jumped_at else None
        with self.file.writing() as db:
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
        with self.file.guarded():
            known = dict(self.file.db.execute("SELECT subject, since FROM watched").fetchall())
        return {subject: min(from_stamp(known[subject]), now) if subject in known else now for subject in subjects}

    def note_watched(self, subjects: Iterable[str], now: datetime) -> None:
        """These are watched: new ones from `now` on, as are those whose beginning was noted by a clock that was ahead;
        those not named are forgotten."""
        wanted = set(subjects)
        with self.file.guarded():
            known = {row[0] for row in self.file.db.execute("SELECT subject FROM watched")}
            ahead = {
                row[0] for row in self.file.db.execute("SELECT subject FROM watched WHERE since > ?", (stamp(now),))
            }
        if wanted == known and not ahead:
            return
        with self.file.writing() as db:
            new = [(subject, stamp(now)) for subject in wanted & ahead | wanted - known]
            db.executemany("INSERT OR REPLACE INTO watched VALUES (?, ?)", new)
            db.executemany("DELETE FROM watched WHERE subject=?", [(subject,) for subject in known - wanted])
