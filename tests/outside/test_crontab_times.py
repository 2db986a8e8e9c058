"""Times that recur, against POSIX and against common sense on the days the clocks change."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from otherroof.settings.crontab import Crontab
from support.outside import COMMON, outside

BERLIN = ZoneInfo("Europe/Berlin")


def due_between(text: str, start: datetime, end: datetime, zone: ZoneInfo) -> list[datetime]:
    found, moment = [], start
    while (moment := Crontab.parse(text).next_after(moment, zone)) < end:
        found.append(moment)
    return found


@outside(
    "POSIX.1-2017",
    "XCU, crontab, EXAMPLES: 0 0 1,15 * 1",
    "day of the month or day of the week",
    value="read",
    main=True,
)
def test_day_of_month_or_day_of_week_as_in_the_standards_example() -> None:
    # POSIX.1-2017, XCU, crontab, EXAMPLES: "0 0 1,15 * 1" runs on the first and fifteenth of each month, and on
    # every Monday; the days of January 2026 follow from the calendar.
    start, end = datetime(2025, 12, 31, 12, tzinfo=BERLIN), datetime(2026, 1, 31, 12, tzinfo=BERLIN)
    assert [one.astimezone(BERLIN).day for one in due_between("0 0 1,15 * 1", start, end, BERLIN)] == [
        1,
        5,
        12,
        15,
        19,
        26,
    ]


@outside(
    "POSIX.1-2017", "XCU, crontab: 0 is Sunday", "days of the week are numbered from Sunday", value="read", main=True
)
@pytest.mark.parametrize("sunday", ["0", "7"])
def test_days_are_numbered_from_sunday(sunday: str) -> None:
    # POSIX.1-2017: "[0,6] with 0=Sunday"; 7 as Sunday is common practice, no source. 4 January 2026 is a Sunday.
    start = datetime(2026, 1, 1, tzinfo=UTC)
    assert Crontab.parse(f"0 0 * * {sunday}").next_after(start, ZoneInfo("UTC")).date() == date(2026, 1, 4)
    assert Crontab.parse("0 0 * * 1").next_after(start, ZoneInfo("UTC")).date() == date(2026, 1, 5)


@outside(
    "tz database",
    "Europe/Berlin, 2026",
    "02:30 is due once on the days the clocks change",
    value="recomputed",
    main=True,
)
@pytest.mark.parametrize(
    ("day", "hour_utc"),
    [
        # tz database, Europe/Berlin: on 2026-03-29 clocks go from 02:00 to 03:00 (01:00 UTC), on 2026-10-25 from
        # 03:00 back to 02:00 (01:00 UTC). The time that is jumped over is taken at the end of the jump, the one
        # that comes twice at its first occurrence: common sense, no source.
        (date(2026, 3, 29), datetime(2026, 3, 29, 1, 0, tzinfo=UTC)),
        (date(2026, 10, 25), datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
    ],
)
def test_a_nightly_job_is_due_exactly_once_on_the_days_the_clocks_change(day: date, hour_utc: datetime) -> None:
    """Invariant 9: schedules are read in the household's zone and survive daylight-saving changes."""
    start = datetime(day.year, day.month, day.day, tzinfo=BERLIN) - timedelta(minutes=1)
    next_day = datetime(day.year, day.month, day.day, tzinfo=BERLIN) + timedelta(days=1)
    assert due_between("30 2 * * *", start, next_day, BERLIN) == [hour_utc]


@outside(COMMON, "", "a nightly job is due on each day of a year", value="recomputed", main=True)
def test_a_nightly_job_is_due_once_on_every_day_of_the_year_2026() -> None:
    start, end = datetime(2025, 12, 31, 23, 59, tzinfo=BERLIN), datetime(2027, 1, 1, tzinfo=BERLIN)
    days = [one.astimezone(BERLIN).date() for one in due_between("30 2 * * *", start, end, BERLIN)]
    assert days == [date(2026, 1, 1) + timedelta(days=number) for number in range(365)]


@outside(COMMON, "", "an hourly job is due every 3600 seconds as clocks change", value="recomputed", main=True)
def test_an_hourly_job_follows_time_as_it_passes() -> None:
    # Common sense, no source: what is meant to happen every hour happens every 3600 seconds.
    for start in (datetime(2026, 3, 28, 20, tzinfo=BERLIN), datetime(2026, 10, 24, 20, tzinfo=BERLIN)):
        found = due_between("0 * * * *", start, start + timedelta(hours=16), BERLIN)
        steps = {later - earlier for earlier, later in pairwise(found)}
        assert steps == {timedelta(hours=1)}


@outside(
    "Gregorian calendar", "bull Inter gravissimas, 1582: 2100 is no leap year", "29 February over such a century",
    value="from memory", main=True,
)  # fmt: skip
def test_leap_day_is_found_over_a_century_that_has_none() -> None:
    # Gregorian calendar: 2100 is not a leap year.
    found = Crontab.parse("0 12 29 2 *").next_after(datetime(2096, 3, 1, tzinfo=UTC), ZoneInfo("UTC"))
    assert found == datetime(2104, 2, 29, 12, tzinfo=UTC)
