"""Stretches of the day: over midnight, on the days the clocks change, and limits by time of day."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.settings.windows import DayStretch, checked_limits, limit_at, strictest
from support.quick import examples

BERLIN = ZoneInfo("Europe/Berlin")
NIGHT = DayStretch.parse("22:00-06:30")


def at(day: str, clock: str, zone: ZoneInfo = BERLIN) -> datetime:
    return datetime.fromisoformat(f"2026-{day}T{clock}").replace(tzinfo=zone).astimezone(UTC)


@pytest.mark.parametrize(
    "text", ["22-6", "22:00", "22:00-06:60", "24:00-06:00", "25:00-06:00", "05:00-05:00", "00:00-24:00", ""]
)
def test_a_slip_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        DayStretch.parse(text)


@pytest.mark.parametrize(
    ("clock", "until"),
    [
        ("21:59", None),
        ("22:00", "06:30"),
        ("23:59", "06:30"),
    ],
)
def test_a_window_over_midnight_before_midnight(clock: str, until: str | None) -> None:
    assert NIGHT.open_until(at("06-10", clock), BERLIN) == (at("06-11", until) if until else None)


def test_a_window_over_midnight_after_midnight() -> None:
    assert NIGHT.open_until(at("06-11", "00:00"), BERLIN) == at("06-11", "06:30")
    assert NIGHT.open_until(at("06-11", "06:29"), BERLIN) == at("06-11", "06:30")
    assert NIGHT.open_until(at("06-11", "06:30"), BERLIN) is None
    assert NIGHT.next_open(at("06-11", "06:30"), BERLIN) == at("06-11", "22:00")
    assert NIGHT.next_open(at("06-11", "02:00"), BERLIN) == at("06-11", "02:00")


def test_a_night_is_an_hour_shorter_in_spring_and_longer_in_autumn() -> None:
    for day, next_day, hours in (("03-28", "03-29", 7.5), ("10-24", "10-25", 9.5)):
        opens = at(day, "22:00")
        closes = NIGHT.open_until(opens, BERLIN)
        assert closes == at(next_day, "06:30")
        assert closes - opens == timedelta(hours=hours)


def test_a_window_that_ends_in_the_hour_that_comes_twice_closes_once() -> None:
    stretch, moment = DayStretch.parse("22:00-02:30"), at("10-24", "22:00")
    closes = stretch.open_until(moment, BERLIN)
    assert closes == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert stretch.next_open(closes, BERLIN) == at("10-25", "22:00")


def test_a_window_inside_the_jump_is_not_open_that_day() -> None:
    assert DayStretch.parse("02:10-02:50").next_open(at("03-29", "00:00"), BERLIN) == at("03-30", "02:10")


def test_a_break_inside_the_jump_does_not_close_the_window_that_day() -> None:
    stretch = DayStretch.parse("03:00-02:00")
    assert stretch.open_until(at("03-29", "00:00"), BERLIN) == at("03-30", "02:00")
    assert stretch.open_until(at("03-30", "00:00"), BERLIN) == at("03-30", "02:00")


def test_a_window_on_a_day_that_the_zone_left_out() -> None:
    apia = ZoneInfo("Pacific/Apia")
    moment = datetime(2011, 12, 29, 12, tzinfo=apia)
    assert DayStretch.parse("02:00-03:00").next_open(moment, apia) == datetime(2011, 12, 31, 2, tzinfo=apia)


MINUTES = st.integers(0, 1439)
SPAN = timedelta(days=3)


@examples(50)
@given(
    MINUTES,
    MINUTES,
    st.sampled_from([datetime(2026, 3, 27, 12), datetime(2026, 10, 24, 3), datetime(2026, 6, 1), datetime(2026, 4, 4)]),
    st.sampled_from(["Europe/Berlin", "Australia/Lord_Howe", "Africa/Cairo", "UTC"]),
)
def test_opening_and_closing_take_turns_and_are_found_from_anywhere(
    start: int, end: int, naive: datetime, name: str
) -> None:
    if start == end:
        return
    zone, stretch = ZoneInfo(name), DayStretch(start, end)
    moment, finish = naive.replace(tzinfo=UTC), naive.replace(tzinfo=UTC) + SPAN
    while moment < finish:
        closes = stretch.open_until(moment, zone)
        if closes is not None:
            assert closes > moment
            assert stretch.open_until(closes - timedelta(seconds=1), zone) == closes
            assert stretch.open_until(closes, zone) is None
            moment = closes
        else:
            opens = stretch.next_open(moment, zone)
            assert opens > moment
            assert stretch.open_until(opens - timedelta(seconds=1), zone) is None
            assert stretch.open_until(opens, zone) is not None
            moment = opens


def test_the_limit_follows_the_wall_clock() -> None:
    limits = {"07:00-23:00": 6.0, "23:00-07:00": 0.0}
    told = [
        limit_at(limits, 3.0, at("06-10", clock), BERLIN) for clock in ("06:59", "07:00", "22:59", "23:00", "02:00")
    ]
    assert told == [0.0, 6.0, 6.0, 0.0, 0.0]
    assert limit_at({"07:00-12:00": 6.0}, 3.0, at("06-10", "13:00"), BERLIN) == 3.0
    assert limit_at({}, 3.0, at("06-10", "13:00"), BERLIN) == 3.0


def test_two_limits_for_one_time_are_refused() -> None:
    with pytest.raises(ValueError, match="both hold 22:00"):
        checked_limits({"07:00-23:00": 6.0, "22:00-07:00": 0.0})
    assert checked_limits({"07:00-23:00": 6.0, "23:00-24:00": 1.0, "00:00-07:00": 0.0})


def test_the_strictest_limit_counts_and_nought_means_none() -> None:
    assert strictest(0, 6, 4) == 4
    assert strictest(0, 0) == 0
    assert strictest(0, 2) == 2
