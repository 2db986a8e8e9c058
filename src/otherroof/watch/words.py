"""Moments, counts and lists as a household reads them. Text only, the same for alerts, digest and page."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
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


def moment_text(moment: datetime, zone: ZoneInfo) -> str:
    """`moment` in the household's zone: `Mon 3 March 2031, 04:10`."""
    here = moment.astimezone(zone)
    return f"{_DAYS[here.weekday()]} {day_text(moment, zone)}, {here:%H:%M}"


def day_text(moment: datetime, zone: ZoneInfo) -> str:
    """The day of `moment` in the household's zone: `3 March 2031`."""
    return day_name(moment.astimezone(zone).date())


def day_name(day: date) -> str:
    """A day: `3 March 2031`."""
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}"


def short_day_text(moment: datetime, zone: ZoneInfo) -> str:
    """The day without its year, for a table: `Mon 3 Mar`."""
    here = moment.astimezone(zone)
    return f"{_DAYS[here.weekday()]} {here.day} {_MONTHS[here.month - 1][:3]}"


def count_text(count: int, singular: str, plural: str = "") -> str:
    """`1 file`, `2,000 files`; `plural` for one that does not just add an s."""
    return f"{count:,} {singular if count == 1 else plural or singular + 's'}"


def list_text(names: Sequence[str], most: int = 6) -> str:
    """`a`, `a and b`, `a, b and c`; of a long list the first ones and how many follow."""
    if len(names) > most:
        return f"{', '.join(names[:most])} and {len(names) - most} more"
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def printable(text: str) -> str:
    """`text` on one line that any channel can carry, whatever a file name or another machine put into it."""
    # Control characters could move a terminal's cursor, or begin a new header in a mail; halves of surrogates are no
    # text.
    shown = "".join(letter if letter.isprintable() else " " for letter in text)
    return " ".join(shown.encode("utf-8", "replace").decode("utf-8").split())
