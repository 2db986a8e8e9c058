"""When runs are due, against published examples of recurring times and against the tz database as zdump(8) reads it."""

from __future__ import annotations

import re
import subprocess
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from otherroof.base.clock import from_stamp, parse_moment, stamp
from otherroof.base.local_time import month_begins, next_month
from otherroof.schedule.due import next_time
from otherroof.settings.crontab import Crontab
from otherroof.settings.windows import DayStretch
from support.lab.need import program, require_programs
from support.outside import Value, outside

BERLIN = ZoneInfo("Europe/Berlin")
NEW_YORK = ZoneInfo("America/New_York")


def due(text: str, zone: ZoneInfo, start: datetime, end: datetime) -> list[datetime]:
    """What is due from `start` on and before `end`, both on the wall clock of `zone`."""
    found, moment = [], start.replace(tzinfo=zone) - timedelta(seconds=1)
    while (moment := next_time(text, moment, zone)) < end.replace(tzinfo=zone):
        found.append(moment)
    return found


def walls(text: str, start: datetime, end: datetime) -> list[str]:
    return [f"{one.astimezone(NEW_YORK):%Y-%m-%d %H:%M %Z}" for one in due(text, NEW_YORK, start, end)]


def days(pattern: str, numbers: Any) -> list[str]:
    return [pattern.format(number) for number in numbers]


def rfc_5545(name: str, *case: object) -> Any:
    value: Value = "read" if name in READ else "from memory"
    mark = outside("RFC 5545", f"§3.8.5.3, {name}", "times of an example, as crontab fields", value=value, main=True)
    return pytest.param(*case, id=name, marks=mark)


READ = ("daily until December 24, 1997", "every 3 hours from 9:00 AM to 5:00 PM on a specific day")
FIRST = datetime(1997, 9, 2, 9)


@pytest.mark.parametrize(
    ("text", "end", "wanted"),
    [
        rfc_5545("daily until December 24, 1997", "0 9 * * *", datetime(1997, 12, 23, 19),
                 days("1997-09-{:02} 09:00 EDT", range(2, 31)) + days("1997-10-{:02} 09:00 EDT", range(1, 26))
                 + days("1997-10-{:02} 09:00 EST", range(26, 32)) + days("1997-11-{:02} 09:00 EST", range(1, 31))
                 + days("1997-12-{:02} 09:00 EST", range(1, 24))),
        rfc_5545("weekly on Tuesday and Thursday for five weeks", "0 9 * * 2,4", datetime(1997, 10, 7),
                 [*days("1997-09-{:02} 09:00 EDT", (2, 4, 9, 11, 16, 18, 23, 25, 30)), "1997-10-02 09:00 EDT"]),
        rfc_5545("monthly on the 2nd and 15th of the month for 10 occurrences", "0 9 2,15 * *", datetime(1998, 1, 16),
                 days("1997-09-{:02} 09:00 EDT", (2, 15)) + days("1997-10-{:02} 09:00 EDT", (2, 15))
                 + days("1997-11-{:02} 09:00 EST", (2, 15)) + days("1997-12-{:02} 09:00 EST", (2, 15))
                 + days("1998-01-{:02} 09:00 EST", (2, 15))),
        rfc_5545("every day in January", "0 9 * 1 *", datetime(1999, 2, 1),
                 days("1998-01-{:02} 09:00 EST", range(1, 32)) + days("1999-01-{:02} 09:00 EST", range(1, 32))),
        rfc_5545("every 3 hours from 9:00 AM to 5:00 PM on a specific day", "0 9-17/3 2 9 *", datetime(1997, 9, 3),
                 ["1997-09-02 09:00 EDT", "1997-09-02 12:00 EDT", "1997-09-02 15:00 EDT"]),
        rfc_5545("every 15 minutes for 6 occurrences", "*/15 9-10 * * *", datetime(1997, 9, 2, 10, 30),
                 days("1997-09-02 {} EDT", ("09:00", "09:15", "09:30", "09:45", "10:00", "10:15"))),
        rfc_5545("every 20 minutes from 9:00 AM to 4:40 PM every day", "*/20 9-16 * * *", datetime(1997, 9, 3),
                 [f"1997-09-02 {hour:02}:{minute:02} EDT" for hour in range(9, 17) for minute in (0, 20, 40)]),
    ],
)  # fmt: skip
def test_times_are_those_of_the_published_example(text: str, end: datetime, wanted: list[str]) -> None:
    assert walls(text, FIRST, end) == wanted


@outside(
    "RFC 5545", "§3.8.5.3, an example where an invalid date is ignored", "30 February is passed over", main=True,
    value="from memory",
)  # fmt: skip
def test_a_day_that_a_month_lacks_is_passed_over() -> None:
    found = walls("0 9 15,30 * *", datetime(2007, 1, 15, 9), datetime(2007, 3, 31))
    assert [one[:10] for one in found] == ["2007-01-15", "2007-01-30", "2007-02-15", "2007-03-15", "2007-03-30"]


@outside(
    "POSIX.1-2017", "XCU, crontab, EXAMPLES: 15 3 * * 1-5", "03:15 from Monday to Friday, 261 times in 2026",
    value="read", main=True,
)  # fmt: skip
def test_monday_to_friday_are_261_days_of_2026() -> None:
    found = due("15 3 * * 1-5", BERLIN, datetime(2026, 1, 1), datetime(2027, 1, 1))
    # 365 days with Thursdays at both ends: 52 weeks and one more Thursday.
    assert len(found) == 52 * 5 + 1 == 261
    assert {one.astimezone(BERLIN).weekday() for one in found} == {0, 1, 2, 3, 4}


@outside(
    "POSIX.1-2017", "XCU, crontab, EXAMPLES: 0 12 14 2 *", "noon on 14 February, once a year", value="read", main=True
)  # fmt: skip
def test_noon_on_14_february_comes_once_a_year() -> None:
    found = due("0 12 14 2 *", BERLIN, datetime(2026, 1, 1), datetime(2029, 1, 1))
    assert [one.astimezone(UTC) for one in found] == [
        datetime(year, 2, 14, 11, tzinfo=UTC) for year in (2026, 2027, 2028)
    ]


@outside(
    "POSIX.1-2017", "XCU, crontab, INPUT FILES: ranges of the five fields", "numbers out of range are refused",
    value="read", main=True,
)  # fmt: skip
def test_numbers_out_of_their_range_are_refused() -> None:
    wrong = {"60 * * * *": "60", "* 24 * * *": "24", "* * 0 * *": "0", "* * 32 * *": "32", "* * * 0 *": "0",
             "* * * 13 *": "13", "* * * * 8": "8", "* * * *": "4 field"}  # fmt: skip
    for text, named in wrong.items():
        with pytest.raises(ValueError, match=rf"\b{named}"):
            Crontab.parse(text)
    most = Crontab.parse("59 23 31 12 6")
    assert (most.minutes, most.hours, most.days, most.months, most.weekdays) == ((59,), (23,), {31}, {12}, {6})


def changes(zone: str, year: int) -> list[tuple[datetime, int, int]]:
    """By zdump: each moment of `year` at which the zone's clock changes, and seconds east of UTC before and after."""
    require_programs("zdump")
    argv = [program("zdump"), "-v", "-c", f"{year},{year + 1}", zone]
    text = subprocess.run(argv, capture_output=True, text=True, check=True, timeout=30).stdout
    rows = [
        (datetime.strptime(f"{moment} +0000", "%b %d %H:%M:%S %Y %z"), int(east))
        for moment, east in re.findall(r"\w{3} (\w{3} +\d+ \S+ \d{4}) UTC? = .* gmtoff=(-?\d+)$", text, re.MULTILINE)
    ]
    pairs = zip(rows[::2], rows[1::2], strict=True)
    return [(after[0], before[1], after[1]) for before, after in pairs]


@outside(
    "tz database", "zones by zdump(8), the clock put forward",
    "a time that is jumped over is due at the end of the jump, once", value="recomputed", main=True, each=True,
)  # fmt: skip
@pytest.mark.parametrize(
    ("zone", "year", "number"),
    [("Europe/Berlin", 2026, 0), ("America/New_York", 2026, 0), ("Australia/Lord_Howe", 2026, 1),
     ("America/Santiago", 2026, 1), ("Pacific/Apia", 2011, -1)],
)  # fmt: skip
def test_a_time_that_is_jumped_over_is_due_at_the_end_of_the_jump(zone: str, year: int, number: int) -> None:
    """Invariant 9. Apia left out the whole of 30 December 2011; at Santiago the day begins at 01:00."""
    end, before, after = changes(zone, year)[number]
    assert after > before, "the clock is put forward"
    middle = (end + timedelta(seconds=(before + after) / 2)).replace(tzinfo=None, second=0)
    text = f"{middle.minute} {middle.hour} {middle.day} {middle.month} *"
    assert next_time(text, end - timedelta(days=1), ZoneInfo(zone)) == end
    assert next_time(text, end, ZoneInfo(zone)) > end + timedelta(days=300)


@outside(
    "tz database", "Australia/Lord_Howe, half an hour", "02:15 on 2026-10-04 is 15:30 UTC the day before", main=True,
    value="recomputed",
)  # fmt: skip
def test_lord_howe_puts_the_clock_forward_by_half_an_hour() -> None:
    assert next_time("15 2 4 10 *", datetime(2026, 1, 1, tzinfo=UTC), ZoneInfo("Australia/Lord_Howe")) == datetime(
        2026, 10, 3, 15, 30, tzinfo=UTC
    )


@outside(
    "tz database", "zones by zdump(8), the clock put back", "a time that comes twice is due the first time, once",
    value="recomputed", main=True, each=True,
)  # fmt: skip
@pytest.mark.parametrize(
    ("zone", "number"), [("Europe/Berlin", 1), ("America/New_York", 1), ("Australia/Lord_Howe", 0)]
)
def test_a_time_that_comes_twice_is_due_the_first_time(zone: str, number: int) -> None:
    """Invariant 9."""
    moment, before, after = changes(zone, 2026)[number]
    assert after < before, "the clock is put back"
    half = timedelta(seconds=(before - after) / 2)
    middle = (moment + timedelta(seconds=after) + half).replace(tzinfo=None)  # what the clock shows halfway, twice
    text = f"{middle.minute} {middle.hour} {middle.day} {middle.month} *"
    first = next_time(text, moment - timedelta(days=1), ZoneInfo(zone))
    assert first == moment - half
    assert next_time(text, first, ZoneInfo(zone)) > moment + timedelta(days=300)


def by_date(text: str) -> datetime:
    """What date(1) of GNU coreutils takes a time on a zone's wall clock for."""
    told = subprocess.run(
        ["date", "-d", text, "+%s"], capture_output=True, check=True, timeout=30, env={"PATH": "/bin"}
    )
    return datetime.fromtimestamp(int(told.stdout), UTC)


@outside(
    "GNU coreutils", "date(1) with TZ in its argument", "when a month of the far box's allowance begins and ends",
    value="recomputed", main=True, each=True,
)  # fmt: skip
@pytest.mark.parametrize(
    ("zone", "first", "after"),
    [("Europe/Berlin", "2026-03-01", "2026-04-01"), ("Europe/Berlin", "2026-10-01", "2026-11-01"),
     ("America/New_York", "2026-12-01", "2027-01-01"), ("Pacific/Kiritimati", "2028-02-01", "2028-03-01")],
)  # fmt: skip
def test_a_month_begins_and_ends_by_the_wall_clock(zone: str, first: str, after: str) -> None:
    begin, end = (by_date(f'TZ="{zone}" {day} 00:00:00') for day in (first, after))
    for moment in (begin, begin + timedelta(days=14), end - timedelta(seconds=1)):
        assert (month_begins(moment, ZoneInfo(zone)), next_month(moment, ZoneInfo(zone))) == (begin, end)
    assert month_begins(end, ZoneInfo(zone)) == end


@outside(
    "GNU coreutils", "date(1) with TZ in its argument", "when a window over midnight opens and closes as clocks change",
    value="recomputed", main=True, each=True,
)  # fmt: skip
@pytest.mark.parametrize("evening", ["2026-01-15", "2026-03-28", "2026-10-24"])
def test_a_window_opens_and_closes_by_the_wall_clock(evening: str) -> None:
    morning = date.fromisoformat(evening) + timedelta(days=1)
    opens, closes = by_date(f'TZ="Europe/Berlin" {evening} 22:30'), by_date(f'TZ="Europe/Berlin" {morning} 06:15')
    window = DayStretch.parse("22:30-06:15")
    second = timedelta(seconds=1)
    assert window.open_until(opens - second, BERLIN) is None
    assert window.next_open(opens - second, BERLIN) == opens
    assert window.open_until(opens, BERLIN) == window.open_until(closes - second, BERLIN) == closes
    assert window.open_until(closes, BERLIN) is None


@outside(
    "RFC 3339", "§5.8, examples", "moments as listings and the ledger hold them, and as a person asks for a version",
    value="read", main=True, each=True,
)  # fmt: skip
@pytest.mark.parametrize(
    ("text", "unix"),
    [("1985-04-12T23:20:50.52Z", 482196050.52), ("1996-12-19T16:39:57-08:00", 851042397.0),
     ("1937-01-01T12:00:27.87+00:20", -1041337172.13)],
)  # fmt: skip
def test_a_time_stamp_means_the_moment_of_the_rfc(text: str, unix: float) -> None:
    for moment in (from_stamp(text), from_stamp(text.lower()), parse_moment(text, BERLIN)):
        assert moment.timestamp() == pytest.approx(unix, abs=1e-3)
        assert moment.utcoffset() == timedelta(0)
    told = subprocess.run(
        ["date", "-u", "-d", text, "+%Y-%m-%dT%H:%M:%SZ"], capture_output=True, check=True, timeout=30
    )
    assert stamp(from_stamp(text)) == told.stdout.decode().strip()


@outside("RFC 3339", "§5.8, the leap second of 1990", "refused, and no crash", value="from memory", main=True)
def test_a_leap_second_is_refused_in_words() -> None:
    for text in ("1990-12-31T23:59:60Z", "1990-12-31T15:59:60-08:00"):
        with pytest.raises(ValueError, match="second"):
            from_stamp(text)
