"""Stretches of the day such as `22:00-06:30`, read on the household's wall clock.

Pure. Two uses: a window in which a job may run, and limits that differ by time of day.

When clocks change: a window opens at the first moment the wall clock shows its beginning or anything later and
closes at the first moment it shows its end or anything later, so it opens once a night and never flaps. A limit
simply follows what the clock on the wall shows.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from otherroof.base.local_time import first_moment, midnight, wall_time

STRETCH_RULE = re.compile(r"\s*(\d{1,2}):(\d{2})\s*-\s*(\d{1,2}):(\d{2})\s*\Z", re.ASCII)
DAY_MINUTES = 24 * 60


@dataclass(frozen=True, slots=True)
class DayStretch:
    """From one time of day to another, in minutes since midnight; over midnight if the end is not later."""

    start: int
    end: int

    @classmethod
    def parse(cls, text: str) -> DayStretch:
        """The stretch that `text` names. Raises ValueError with what would be right."""
        match = STRETCH_RULE.match(text)
        if match is None:
            raise ValueError(f"{text!r} is not a stretch of the day; two times such as 22:00-06:30 are wanted")
        hours_minutes = [int(number) for number in match.groups()]
        start, end = (hours_minutes[at] * 60 + hours_minutes[at + 1] for at in (0, 2))
        # 24:00 is a way to write the end of a day, not its beginning.
        if max(hours_minutes[1], hours_minutes[3]) > 59 or start >= DAY_MINUTES or end > DAY_MINUTES:
            raise ValueError(f"{text!r} names a time that no clock shows; 00:00 to 24:00 is wanted")
        # `00:00-24:00` as well as `06:00-06:00`.
        if start == end % DAY_MINUTES:
            raise ValueError(f"{text!r} is the whole day or nothing; leave it out for the whole day")
        return cls(start, end)

    def holds(self, minute: int) -> bool:
        """Whether the stretch holds this minute of the day as the wall clock shows it."""
        if self.start < self.end:
            return self.start <= minute < self.end
        return minute >= self.start or minute < self.end

    def open_until(self, moment: datetime, zone: ZoneInfo) -> datetime | None:
        """When the stretch that holds `moment` ends, in UTC; None if none does."""
        for opens, closes in self._stretches_near(moment, zone):
            if opens <= moment < closes:
                return closes
        return None

    def next_open(self, moment: datetime, zone: ZoneInfo) -> datetime:
        """`moment` itself if it lies within, else when the stretch begins next, in UTC."""
        if self.open_until(moment, zone) is not None:
            return moment.astimezone(UTC)
        return min(opens for opens, _ in self._stretches_near(moment, zone) if opens > moment)

    def _stretches_near(self, moment: datetime, zone: ZoneInfo) -> list[tuple[datetime, datetime]]:
        # One day back for a stretch over midnight; some days on, since a stretch inside a jump of the clock,
        # or on a day that a zone leaves out, is empty.
        today = wall_time(moment, zone).date()
        found: list[tuple[datetime, datetime]] = []
        for opens, closes in (self._on(today + timedelta(days=away), zone) for away in range(-1, 4)):
            # If one begins as another ends, the time between lies inside a jump of the clock.
            begun = found.pop()[0] if found and found[-1][1] == opens else opens
            if begun < closes:
                found.append((begun, closes))
        return found

    def _on(self, day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
        opens = midnight(day) + timedelta(minutes=self.start)
        # A stretch over midnight ends on the next day.
        over = DAY_MINUTES if self.end <= self.start else 0
        closes = midnight(day) + timedelta(minutes=self.end + over)
        return first_moment(opens, zone), first_moment(closes, zone)


def checked_limits(limits: Mapping[str, float]) -> Mapping[str, float]:
    """`limits` if each key is a stretch of the day and no two overlap; raises ValueError otherwise."""
    taken: dict[int, str] = {}
    for text in limits:
        stretch = DayStretch.parse(text)
        # Minute by minute: slower than comparing ends, and right over midnight without a case of its own.
        for minute in filter(stretch.holds, range(DAY_MINUTES)):
            if minute in taken:
                clock = f"{minute // 60:02}:{minute % 60:02}"
                raise ValueError(f"{taken[minute]!r} and {text!r} both hold {clock}; one limit for each time is wanted")
            taken[minute] = text
    return limits


def limit_at(limits: Mapping[str, float], otherwise: float, moment: datetime, zone: ZoneInfo) -> float:
    """The limit in Mbit/s for the time that the wall clock shows, 0 for none; `otherwise` if no stretch holds it."""
    wall = wall_time(moment, zone)
    minute = wall.hour * 60 + wall.minute
    return next((limit for text, limit in limits.items() if _read(text).holds(minute)), otherwise)


def strictest(*limits: float) -> float:
    """The lowest of several limits in Mbit/s, where 0 means none."""
    return min((limit for limit in limits if limit > 0), default=0.0)


# Asked for again and again while a run goes on; the settings hold few texts.
@lru_cache(maxsize=256)
def _read(text: str) -> DayStretch:
    return DayStretch.parse(text)
