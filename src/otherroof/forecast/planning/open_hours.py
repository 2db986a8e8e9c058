"""When so many bytes have crossed a line that is not always open: window, limits by hour, a month's allowance.

Pure: hours and rates in, a moment out. It goes from one change of the hours to the next as the clock on the household's
wall shows them, also on the days when clocks change. It must not know what is sent.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

from otherroof.base.local_time import first_moment, midnight, morning_after, next_month, wall_time
from otherroof.settings import FarBox, Job
from otherroof.settings.windows import DayStretch, limit_at, strictest

# What takes longer has to be done in another way, and is not told to the day.
FARTHEST = timedelta(days=3650)


@dataclass(frozen=True, slots=True)
class HourlyLimit:
    """Limits in Mbit/s by stretch of the day, 0 for none, and what holds at all other times."""

    limits: Mapping[str, float] = field(default_factory=dict)
    otherwise: float = 0.0


def hourly_limits(job: Job, far: FarBox) -> tuple[HourlyLimit, ...]:
    """What the settings limit, for the job and for its far box."""
    return tuple(HourlyLimit(one.limits, one.limit_mbit) for one in (job, far) if one.limits or one.limit_mbit)


@dataclass(frozen=True, slots=True)
class MonthAllowance:
    """Bytes in a calendar month, both ways, and how many of this month's are used; `others_a_day` is what else is to go
    through it each day (0: no such bound)."""

    bytes: float = 0.0
    used: float = 0.0
    others_a_day: float = 0.0


@dataclass(frozen=True)
class OpenHours:
    """When a copy may be under way, and how fast; `limits` all hold at once, the least of them counts."""

    zone: ZoneInfo
    window: str | None = None
    limits: tuple[HourlyLimit, ...] = ()
    month: MonthAllowance = MonthAllowance()

    @cached_property
    def stretch(self) -> DayStretch | None:
        """The window, None if it is always open."""
        return DayStretch.parse(self.window) if self.window else None

    @cached_property
    def changes(self) -> tuple[int, ...]:
        """Minutes of the day at which a limit may change."""
        stretches = [DayStretch.parse(text) for limit in self.limits for text in limit.limits]
        return tuple(sorted({minute % 1440 for one in stretches for minute in (one.start, one.end)}))

    def limit(self, moment: datetime) -> float:
        """The limit in Mbit/s at that moment; 0 for none."""
        return strictest(*(limit_at(one.limits, one.otherwise, moment, self.zone) for one in self.limits))

    def next_change(self, moment: datetime) -> datetime | None:
        """When a limit changes next; None if none ever does."""
        today = wall_time(moment, self.zone).date()
        candidates = [
            first_moment(midnight(today + timedelta(days=away)) + timedelta(minutes=minute), self.zone)
            for away in (0, 1)
            for minute in self.changes
        ]
        return min((one for one in candidates if one > moment), default=None)

    def seconds_a_day(self, day: date) -> float:
        """How long the window is open in the 24 hours from noon of `day`; all of them without one."""
        noon = first_moment(midnight(day) + timedelta(hours=12), self.zone)
        end = first_moment(midnight(day) + timedelta(hours=36), self.zone)
        if self.stretch is None:
            return (end - noon).total_seconds()
        opens, until = self.stretch.next_open(noon, self.zone), None
        if opens < end:
            until = self.stretch.open_until(opens, self.zone)
        return (until - opens).total_seconds() if until is not None else 0.0


@dataclass(frozen=True, slots=True)
class Load:
    """What is to cross: bytes from here, bytes that an allowance counts for each of them, and the seconds that pass
    each time before the first of them does (login, looking through the folder)."""

    up: float
    counted: float = 1.0
    before_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Crossed:
    """When the last byte has crossed, how many nights it took, and how long bytes were under way in seconds."""

    at: datetime
    nights: int
    busy_s: float


def cross(load: Load, mbit: float, begin: datetime, hours: OpenHours) -> Crossed | None:
    """When `load` has crossed at `mbit` Mbit/s of TCP payload or what the limits leave, begun at `begin`.

    A night runs from noon to noon. None if that takes longer than FARTHEST.
    """
    walk = _Walk(load, mbit, begin.astimezone(UTC), hours)
    while walk.left > 1e-6:
        if walk.moment - begin > FARTHEST:
            return None
        walk.step()
    return Crossed(walk.moment, max(1, len(walk.mornings)), walk.busy_s)


class _Walk:
    """From one change of the hours to the next."""

    def __init__(self, load: Load, mbit: float, begin: datetime, hours: OpenHours) -> None:
        self._load, self._mbit, self._hours = load, mbit, hours
        self.moment, self.left, self.busy_s = begin, load.up, 0.0
        self.mornings: set[date] = set()
        self._waits_s = load.before_s
        self._month_ends = next_month(begin, hours.zone)
        self._room = self._fresh_room(begin) - hours.month.used

    def step(self) -> None:
        hours, moment = self._hours, self.moment
        if moment >= self._month_ends:
            self._room, self._month_ends = self._fresh_room(moment), next_month(moment, hours.zone)
        if self._room <= 0:
            self._pause(self._month_ends)
            return
        until: datetime | None = None
        if hours.stretch is not None:
            until = hours.stretch.open_until(moment, hours.zone)
            if until is None:
                self._pause(hours.stretch.next_open(moment, hours.zone))
                return
        self._send(min(one for one in (until, hours.next_change(self.moment), self._month_ends) if one is not None))

    def _send(self, until: datetime) -> None:
        open_s = (until - self.moment).total_seconds()
        waited = min(self._waits_s, open_s)
        self._waits_s -= waited
        limit = self._hours.limit(self.moment)
        rate = (min(self._mbit, limit) if limit else self._mbit) * 1e6 / 8
        sent = min(self.left, rate * (open_s - waited), self._room / self._load.counted)
        took = sent / rate if sent else 0.0
        if sent:
            self._note_nights(took + waited)
        self.left -= sent
        self.busy_s += took
        self._room -= sent * self._load.counted
        done = self.left <= 1e-6 or self._room <= 1e-6
        self.moment = self.moment + timedelta(seconds=waited + took) if done else until
        if self._room <= 1e-6:
            self._room = 0.0

    def _note_nights(self, seconds: float) -> None:
        """Every night that a part of the next `seconds` is in: a line that is always open sends through many."""
        # A breath before the end: what is there at noon needs no further night.
        end = self.moment + timedelta(seconds=max(0.0, seconds - 1e-3))
        morning, last = (morning_after(one, self._hours.zone) for one in (self.moment, end))
        while morning <= last:
            self.mornings.add(morning)
            morning += timedelta(days=1)

    def _pause(self, until: datetime) -> None:
        self.moment, self._waits_s = until, self._load.before_s

    def _fresh_room(self, moment: datetime) -> float:
        month = self._hours.month
        if not month.bytes:
            return math.inf
        days = (next_month(moment, self._hours.zone) - moment).total_seconds() / 86_400
        return month.bytes - month.others_a_day * days
