"""Windows, crontab fields and promises at their edges: a minute too many or too few would be a night without a copy."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from otherroof.settings.crontab import Crontab
from otherroof.settings.promises import longest_pause, promises_that_cannot_be_kept
from otherroof.settings.windows import DayStretch, checked_limits, limit_at, strictest

ZONE = ZoneInfo("UTC")
HOUR, MINUTE, DAY = timedelta(hours=1), timedelta(minutes=1), timedelta(days=1)


def at(clock: str, day: int = 5) -> datetime:
    return datetime.fromisoformat(f"2031-04-{day:02}T{clock}").replace(tzinfo=UTC)


# -- windows --


@pytest.mark.parametrize(
    ("text", "start", "end"), [("22:15-06:45", 1335, 405), ("00:00-23:59", 0, 1439), ("06:30-24:00", 390, 1440)]
)
def test_a_stretch_has_its_minutes(text: str, start: int, end: int) -> None:
    stretch = DayStretch.parse(text)
    assert (stretch.start, stretch.end) == (start, end)


@pytest.mark.parametrize("text", ["24:00-06:00", "06:00-24:01", "06:60-07:00", "06:00-07:60", "25:00-26:00"])
def test_times_that_no_clock_shows_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="no clock shows"):
        DayStretch.parse(text)


@pytest.mark.parametrize(
    ("text", "holds", "not_held"),
    [
        ("08:15-09:45", ["08:15", "09:44"], ["08:14", "09:45"]),
        ("22:15-06:45", ["22:15", "06:44", "00:00"], ["22:14", "06:45"]),
    ],
)
def test_a_stretch_holds_its_first_minute_and_not_its_end(text: str, holds: list[str], not_held: list[str]) -> None:
    stretch = DayStretch.parse(text)
    for clocks, held in ((holds, True), (not_held, False)):
        for clock in clocks:
            hour, minute = map(int, clock.split(":"))
            assert stretch.holds(hour * 60 + minute) is held
            assert (stretch.open_until(at(clock), ZONE) is not None) is held


def test_a_stretch_over_midnight_is_open_until_the_next_morning() -> None:
    stretch = DayStretch.parse("22:15-06:45")
    assert stretch.open_until(at("23:00"), ZONE) == at("06:45", day=6)
    assert stretch.open_until(at("00:30", day=6), ZONE) == at("06:45", day=6), "it began the evening before"
    assert stretch.next_open(at("07:00"), ZONE) == at("22:15")


def test_a_limit_by_the_clock_begins_and_ends_at_its_minute() -> None:
    limits = {"08:30-17:45": 5.0}
    told = {clock: limit_at(limits, 50.0, at(clock), ZONE) for clock in ("08:29", "08:30", "17:44", "17:45")}
    assert told == {"08:29": 50.0, "08:30": 5.0, "17:44": 5.0, "17:45": 50.0}


def test_two_limits_for_one_minute_are_refused() -> None:
    with pytest.raises(ValueError, match="both hold 09:59"):
        checked_limits({"08:00-10:00": 5.0, "09:59-11:00": 3.0})
    assert checked_limits({"08:00-10:00": 5.0, "10:00-11:00": 3.0})


def test_the_strictest_limit_holds_and_nought_is_none() -> None:
    assert (strictest(5, 3, 0), strictest(0, 0), strictest()) == (3, 0, 0)


# -- crontab fields (POSIX, crontab) --


def due(text: str, since: datetime, count: int = 3, zone: ZoneInfo = ZONE) -> list[datetime]:
    found, crontab = [since], Crontab.parse(text)
    while len(found) <= count:
        found.append(crontab.next_after(found[-1], zone))
    return found[1:]


def test_days_of_the_week_begin_with_sunday_as_0_or_7() -> None:
    """6 April 2031 is a Sunday."""
    for text in ("0 3 * * 0", "0 3 * * 7"):
        assert due(text, at("00:00"))[0] == at("03:00", day=6)
    assert due("0 3 * * 1", at("00:00"))[0] == at("03:00", day=7)
    assert [one.isoweekday() for one in due("0 3 * * 1-5", at("00:00"), 6)] == [1, 2, 3, 4, 5, 1]


def test_a_day_of_the_month_and_one_of_the_week_are_either() -> None:
    assert [one.day for one in due("0 3 10 * 1", at("00:00"), 4)] == [7, 10, 14, 21]


def test_29_february_comes_though_eight_years_may_pass() -> None:
    """1900, 2100 and 2200 are no leap years."""
    assert due("0 3 29 2 *", datetime(2096, 3, 1, tzinfo=UTC), 1) == [datetime(2104, 2, 29, 3, tzinfo=UTC)]


def test_every_second_hour_is_a_time_of_day_and_comes_once_in_autumn() -> None:
    """On 26 October 2031 Berlin's clocks show 02:00 to 03:00 twice."""
    zone, since = ZoneInfo("Europe/Berlin"), datetime(2031, 10, 25, 22, 30, tzinfo=UTC)
    assert not Crontab.parse("0 */2 * * *").every_hour
    wall = [one.astimezone(zone).hour for one in due("0 */2 * * *", since, 4, zone)]
    assert wall == [2, 4, 6, 8]
    assert [one.astimezone(zone).hour for one in due("0 * * * *", since, 4, zone)] == [1, 2, 2, 3]


def test_every_hour_is_not_made_up_in_spring() -> None:
    """On 30 March 2031 they go from 02:00 to 03:00."""
    zone, since = ZoneInfo("Europe/Berlin"), datetime(2031, 3, 29, 23, 30, tzinfo=UTC)
    found = due("30 * * * *", since, 3, zone)
    assert [(one.astimezone(zone).hour, one.astimezone(zone).minute) for one in found] == [(1, 30), (3, 30), (4, 30)]


@pytest.mark.parametrize("text", ["0 5-3 * * *", "0 3 * * 5-1", "61 3 * * *", "0 24 * * *", "0 3 0 * *", "0 3 32 * *"])
def test_a_slip_of_the_pen_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        Crontab.parse(text)


# -- promises --


def test_the_longest_pause_is_looked_for_through_a_whole_year() -> None:
    assert longest_pause("0 3 * * *", ZONE) == DAY
    assert longest_pause("0 3 * * 1", ZONE) == 7 * DAY
    assert longest_pause("0 3 1 1,2,12 *", ZONE) == datetime(2026, 12, 1) - datetime(2026, 2, 1)


@pytest.mark.parametrize(("hours", "kept"), [(24, False), (25, True)])
def test_a_promise_leaves_some_time_for_the_run(hours: int, kept: bool) -> None:
    job = SimpleNamespace(at="0 3 * * *", promise_hours=hours)
    parts: Any = SimpleNamespace(home=SimpleNamespace(zone="UTC"), jobs={"photos": job}, where="/etc/otherroof")
    assert (promises_that_cannot_be_kept(parts) == []) is kept
