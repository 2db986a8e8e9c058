"""When a job is due, in the five fields of crontab(5) as POSIX.1 gives them, read on the household's wall clock.

Pure: text in, moments out. Written here because the scheduler library's own reader differs from POSIX in the
numbering of days and in `day of month OR day of week`, and fires twice or late when clocks change.

What differs from the letter of POSIX.1-2017, XCU, crontab: 7 is taken as Sunday; a range may have a step
(`*/15`, `8-18/2`), as most systems allow; and the month always restricts, as every cron in use does, where the
letter would have `0 0 * 1 1` mean each day of January and each Monday of the year.

When clocks change:
- A job at fixed hours is due once for each time that is written down. A time that does not exist in spring is due
  at the end of the jump (and falls together with one that is due there anyway); one that occurs twice in autumn is
  due at its first occurrence.
- A job at every hour (`*` in the hour field) follows time as it passes, not the dial: it is due in both of the two
  equal hours in autumn, and nothing is made up for an hour that never was. So `0 * * * *` stays 60 minutes apart.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from calendar import monthrange
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from itertools import islice
from zoneinfo import ZoneInfo

from otherroof.base.local_time import first_moment, last_moment, wall_time, wall_time_exists
from otherroof.base.units import count_text

PART_RULE = re.compile(r"(?:(?P<all>\*)|(?P<low>\d{1,4})(?:-(?P<high>\d{1,4}))?)(?:/(?P<step>\d{1,4}))?\Z", re.ASCII)
# Of a leap year, so that 29 February counts as a day that comes.
LONGEST_MONTH = {month: monthrange(2000, month)[1] for month in range(1, 13)}
# 29 February can be eight years away, around a century that is no leap year.
FARTHEST_YEARS = 9


@dataclass(frozen=True, slots=True)
class _Field:
    name: str
    low: int
    high: int
    hint: str = ""
    twice: int = 0  # how many of the highest numbers say again what a lower one says


_FIELDS = (
    _Field("minute", 0, 59),
    _Field("hour", 0, 23),
    _Field("day of the month", 1, 31),
    _Field("month", 1, 12, "January is 1"),
    _Field("day of the week", 0, 7, "Sunday is 0 or 7, Monday 1", twice=1),
)


@dataclass(frozen=True, slots=True)
class Crontab:
    """Times that recur. Days and weekdays are None if the field is `*`; weekdays are 0 (Sunday) to 6."""

    text: str
    minutes: tuple[int, ...]
    hours: tuple[int, ...]
    days: frozenset[int] | None
    months: frozenset[int]
    weekdays: frozenset[int] | None

    @classmethod
    def parse(cls, text: str) -> Crontab:
        """The times that `text` means. Raises ValueError with what would be right."""
        words = text.split()
        if len(words) != len(_FIELDS):
            raise ValueError(
                f"{text!r} has {count_text(len(words), 'field')}, five are wanted: minute, hour, day of the month, "
                "month, day of the week, as in '30 1 * * *' for every day at 01:30"
            )
        minutes, hours, days, months, weekdays = (_numbers(*pair) for pair in zip(words, _FIELDS, strict=True))
        # The fields' places: 2 is the day of the month, 4 the day of the week.
        free_day, free_weekday = (_is_free(words[place]) for place in (2, 4))
        if not (free_day or free_weekday) and any(words[place].startswith("*/") for place in (2, 4)):
            raise ValueError(
                f"{text!r} steps over days with * and names a day in the other field too, which systems read in "
                "different ways; write the days out (1-31/2 rather than */2) or leave one of the two as *"
            )
        found = cls(
            " ".join(words),
            tuple(sorted(minutes)),
            tuple(sorted(hours)),
            None if free_day else frozenset(days),
            frozenset(months),
            # 7 is Sunday too, and becomes 0 here.
            None if free_weekday else frozenset(day % 7 for day in weekdays),
        )
        found._refuse_never()
        return found

    def matches_day(self, day: date) -> bool:
        """Whether the job is due on `day` at all."""
        if day.month not in self.months:
            return False
        by_month = self.days is None or day.day in self.days
        # `isoweekday` has Monday 1 to Sunday 7; crontab has Sunday 0.
        by_week = self.weekdays is None or day.isoweekday() % 7 in self.weekdays
        # POSIX: if both fields name days, a day that fits either is meant: `0 0 1 * 1` is each first of the month and
        # each Monday. If one of them is `*`, only the other counts.
        restricted_twice = self.days is not None and self.weekdays is not None
        return (by_month or by_week) if restricted_twice else (by_month and by_week)

    @property
    def every_hour(self) -> bool:
        """Whether the job follows time as it passes rather than times of day."""
        # By what the field means, not by how it is written: `*`, `*/1` and `0-23` are the same.
        return len(self.hours) == 24

    def next_after(self, moment: datetime, zone: ZoneInfo) -> datetime:
        """The first moment after `moment` (aware) at which the job is due, in UTC, on the wall clock of `zone`."""
        moment = moment.astimezone(UTC)  # times that occur twice compare safely only in UTC (PEP 495)
        # The day before too: its last times may lie after `moment` if a clock is put back over midnight,
        # or be moved there if it is put forward. For the same reason two days are asked, and the earlier taken.
        days = self._days_from(wall_time(moment, zone).date() - timedelta(days=1))
        for day in days:
            found = self._first_of_day(day, moment, zone)
            if found is not None:
                later = [self._first_of_day(further, moment, zone) for further in islice(days, 1)]
                return min(candidate for candidate in (found, *later) if candidate is not None)
        raise ValueError(f"{self.text!r} is not due within {FARTHEST_YEARS} years of {moment}")

    def _first_of_day(self, day: date, moment: datetime, zone: ZoneInfo) -> datetime | None:
        walls = [datetime.combine(day, time(hour, minute)) for hour in self.hours for minute in self.minutes]
        if not self.every_hour:
            # The walls ascend, and `first_moment` never runs backwards: so halving finds the place.
            place = bisect_right(walls, moment, key=lambda wall: first_moment(wall, zone))
            return first_moment(walls[place], zone) if place < len(walls) else None
        # A time that occurs twice is due both times. Each of the two readings ascends by itself, but not both together,
        # so each is searched alone, and the earlier result counts.
        found = (_first_real(walls, moment, zone, reading) for reading in (first_moment, last_moment))
        return min((candidate for candidate in found if candidate is not None), default=None)

    def _days_from(self, start: date) -> Iterator[date]:
        for months_on in range(FARTHEST_YEARS * 12 + 1):
            year, month = start.year + (start.month - 1 + months_on) // 12, (start.month - 1 + months_on) % 12 + 1
            # Whole months are skipped unasked: 29 February is found after a hundred steps, not three thousand.
            if month in self.months and year <= date.max.year:
                first = start.day if months_on == 0 else 1
                days = (date(year, month, day) for day in range(first, monthrange(year, month)[1] + 1))
                yield from filter(self.matches_day, days)

    def _refuse_never(self) -> None:
        # With days of the week named as well it does come, on those (see `matches_day`).
        if self.days is None or self.weekdays is not None:
            return
        if not any(min(self.days) <= LONGEST_MONTH[month] for month in self.months):
            longest = max(LONGEST_MONTH[month] for month in self.months)
            days = count_text(longest, "day")
            raise ValueError(
                f"{self.text!r} never comes: no month of {_listed(self.months)} has more than {days}; "
                f"a day of the month up to {longest} is wanted, or another month"
            )


def _first_real(
    walls: list[datetime], moment: datetime, zone: ZoneInfo, reading: Callable[[datetime, ZoneInfo], datetime]
) -> datetime | None:
    # Times that are jumped over all lie at the end of the jump here; they are skipped, nothing is made up for them.
    place = bisect_right(walls, moment, key=lambda wall: reading(wall, zone))
    return next((reading(wall, zone) for wall in islice(walls, place, None) if wall_time_exists(wall, zone)), None)


def _is_free(word: str) -> bool:
    return word in ("*", "*/1")


def _numbers(word: str, field: _Field) -> set[int]:
    found: set[int] = set()
    for part in word.split(","):
        found |= _part(part, field)
    return found


def _part(part: str, field: _Field) -> set[int]:
    match = PART_RULE.match(part)
    bounds = f"{field.low} to {field.high}" + (f" ({field.hint})" if field.hint else "")
    if match is None:
        raise ValueError(f"{part!r} is not a {field.name}; numbers {bounds}, lists 1,3, ranges 1-5 or * are wanted")
    step = int(match["step"] or 1)
    low = int(match["low"] or field.low)
    high = field.high - field.twice if match["all"] else int(match["high"] or low)
    if match["step"] and not match["all"] and not match["high"]:
        raise ValueError(f"{part!r}: a step needs a range; write {low}-{field.high - field.twice}/{step} or */{step}")
    if not (field.low <= low <= field.high and field.low <= high <= field.high):
        raise ValueError(f"{part!r} is out of range for the {field.name}; {bounds} is wanted")
    if low > high:
        raise ValueError(f"{part!r} runs backwards; write {low}-{field.high - field.twice},{field.low}-{high}")
    if not 1 <= step <= field.high:
        raise ValueError(f"{part!r}: the step must be from 1 to {field.high}")
    return set(range(low, high + 1, step))


def _listed(numbers: frozenset[int]) -> str:
    return ", ".join(str(number) for number in sorted(numbers))
