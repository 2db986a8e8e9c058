"""The clock on the household's wall: from what it shows to moments in UTC, also on the days it is put forward or back,
and how moments and days are worded: long in sentences, short and in order in tables.

Pure: `zoneinfo` gives the zone's rules, nothing here asks what time it is.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, tzinfo
from zoneinfo import ZoneInfo

# Written out here, because strftime would follow whatever language the process was started in.
_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def wall_time(moment: datetime, zone: ZoneInfo) -> datetime:
    """What the wall clock shows at `moment`: a date and time without a zone."""
    return moment.astimezone(zone).replace(tzinfo=None, fold=0)


def wall_time_exists(wall: datetime, zone: ZoneInfo) -> bool:
    """Whether the wall clock ever shows `wall`; it does not while it is being put forward over it."""
    # There and back through UTC (PEP 495): a time that the clock jumps over comes back as another one.
    return wall_time(wall.replace(tzinfo=zone).astimezone(UTC), zone) == wall


def first_moment(wall: datetime, zone: ZoneInfo) -> datetime:
    """The first moment, in UTC, at which the wall clock shows `wall` or anything later.

    A time that occurs twice gives the first; one that is jumped over gives the end of the jump. Never runs
    backwards: a later `wall` never gives an earlier moment.
    """
    return _moment(wall, zone, 0)


def last_moment(wall: datetime, zone: ZoneInfo) -> datetime:
    """As `first_moment`, but a time that occurs twice gives its second occurrence."""
    return _moment(wall, zone, 1)


def midnight(day: date) -> datetime:
    """The beginning of `day` as the wall clock shows it."""
    return datetime.combine(day, time.min)


def morning_after(moment: datetime, zone: ZoneInfo) -> date:
    """The day on whose morning the night of `moment` ends; a night runs from noon to noon on the wall clock, so that a
    run before midnight and one after it belong together."""
    # Wall-clock arithmetic on purpose: noon is noon also on the day when clocks change.
    return (wall_time(moment, zone) + timedelta(hours=12)).date()


def month_begins(now: datetime, zone: ZoneInfo) -> datetime:
    """The beginning of the calendar month on the household's wall clock, in UTC."""
    return first_moment(midnight(wall_time(now, zone).date().replace(day=1)), zone)


def next_month(now: datetime, zone: ZoneInfo) -> datetime:
    """When the next calendar month begins on the household's wall clock, in UTC."""
    first = wall_time(now, zone).date().replace(day=1)
    # The first and 32 days is always in the next month, and never in the one after.
    return first_moment(midnight((first + timedelta(days=32)).replace(day=1)), zone)


def moment_text(moment: datetime, zone: tzinfo) -> str:
    """`moment` in the household's zone: `Mon 3 March 2031, 04:10`."""
    here = moment.astimezone(zone)
    return f"{_DAYS[here.weekday()]} {day_text(moment, zone)}, {here:%H:%M}"


def day_text(moment: datetime, zone: tzinfo) -> str:
    """The day of `moment` in the household's zone: `3 March 2031`."""
    return day_name(moment.astimezone(zone).date())


def day_name(day: date) -> str:
    """A day: `3 March 2031`."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def between_days(first: date, last: date) -> str:
    """Two days as a range in which they lie: `between 15 and 19 March 2031`; what both have in common is said once."""
    early, late = day_name(first).split(), day_name(last).split()
    while len(early) > 1 and early[-1] == late[len(early) - 1]:
        early.pop()
    return f"between {' '.join(early)} and {' '.join(late)}"


def short_day_text(moment: datetime, zone: tzinfo) -> str:
    """The day without its year, for a table: `Mon 3 Mar`."""
    return short_day_name(moment.astimezone(zone).date())


def short_day_name(day: date) -> str:
    """A day without its year, for a table: `Mon 3 Mar`."""
    return f"{_DAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1][:3]}"


def table_day_text(day: date) -> str:
    """`day` for a column of a table: `2031-03-03`."""
    return f"{day:%Y-%m-%d}"


def table_time_text(moment: datetime, zone: tzinfo) -> str:
    """`moment` in the household's zone for a column of a table, and for what a person types: `2031-03-03 04:10`."""
    return f"{moment.astimezone(zone):%Y-%m-%d %H:%M}"


def _moment(wall: datetime, zone: ZoneInfo, fold: int) -> datetime:
    return (
        wall.replace(tzinfo=zone, fold=fold).astimezone(UTC)
        if wall_time_exists(wall, zone)
        else _end_of_jump(wall, zone)
    )


def _end_of_jump(wall: datetime, zone: ZoneInfo) -> datetime:
    # PEP 495: for a time that is jumped over, fold=0 takes the offset of before, fold=1 that of after.
    early = wall.replace(tzinfo=zone, fold=1).astimezone(UTC)
    late = wall.replace(tzinfo=zone, fold=0).astimezone(UTC)
    # So `early` lies before the jump and `late` after it. Halve the time between until they are a second apart: zones
    # change on whole seconds, and `zoneinfo` has no question that asks for the change itself.
    after = late.astimezone(zone).utcoffset()
    while late - early > timedelta(seconds=1):
        half = early + timedelta(seconds=(late - early) // timedelta(seconds=2))
        if half.astimezone(zone).utcoffset() == after:
            late = half
        else:
            early = half
    return late
