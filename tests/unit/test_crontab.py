"""Crontab fields: what is taken, what is refused and how, and that the quick search finds what a slow walk finds."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.settings.crontab import Crontab
from support.quick import examples

ZONES = (
    "Europe/Berlin",
    "America/St_Johns",  # until 2011 put back at 00:01, into the day before
    "Australia/Lord_Howe",  # moves by half an hour
    "Africa/Cairo",  # put forward over midnight
    "Pacific/Apia",  # left out 30 December 2011
    "America/Havana",
    "UTC",
)


@pytest.mark.parametrize(
    ("text", "right"),
    [
        ("30 2 31 2 *", "never comes: no month of 2 has more than 29 days"),
        ("0 0 31 4,6 *", "never comes: no month of 4, 6 has more than 30 days"),
        ("60 * * * *", "out of range for the minute; 0 to 59"),
        ("0 24 * * *", "out of range for the hour; 0 to 23"),
        ("0 0 0 * *", "out of range for the day of the month; 1 to 31"),
        ("0 0 * 13 *", "out of range for the month; 1 to 12"),
        ("0 0 * * 8", "Sunday is 0 or 7"),
        ("* * * *", "4 fields, five are wanted"),
        ("@daily", "1 field, five are wanted"),
        ("0 0 * * mon", "Sunday is 0 or 7, Monday 1"),
        ("0 0 * * 1#1", "is not a day of the week"),
        ("0 22-2 * * *", "write 22-23,0-2"),
        ("0 0 * * 6-1", "write 6-6,0-1"),
        ("5/15 * * * *", "write 5-59/15"),
        ("*/0 * * * *", "the step must be from 1"),
        ("*/99 * * * *", "the step must be from 1"),
        ("1,,2 * * * *", "is not a minute"),
        ("-1 * * * *", "is not a minute"),
        ("٣ * * * *", "is not a minute"),
        ("0 0 */2 * 1", "write the days out"),
        ("", "0 fields"),
    ],
)
def test_a_slip_is_refused_with_what_would_be_right(text: str, right: str) -> None:
    with pytest.raises(ValueError) as caught:
        Crontab.parse(text)
    assert right in str(caught.value)


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("0 0 * * 7", "0 0 * * 0"),
        ("0 0 * * 5-7", "0 0 * * 0,5,6"),
        ("0 0 * * 0-7", "0 0 * * 0-6"),
        ("*/20 * * * *", "0,20,40 * * * *"),
        ("0 8-18/5 * * *", "0 8,13,18 * * *"),
        ("  0   0 * *\t* ", "0 0 * * *"),
        ("0 0 */1 * 1", "0 0 * * 1"),
    ],
)
def test_ways_of_writing_the_same_times(text: str, same: str) -> None:
    ours, theirs = Crontab.parse(text), Crontab.parse(same)
    moment = datetime(2026, 1, 1, tzinfo=UTC)
    for _ in range(20):
        following = ours.next_after(moment, ZoneInfo("Europe/Berlin"))
        assert following == theirs.next_after(moment, ZoneInfo("Europe/Berlin"))
        moment = following


def test_the_month_restricts_weekdays_too() -> None:
    found = Crontab.parse("0 0 * 1 1").next_after(datetime(2026, 2, 1, tzinfo=UTC), ZoneInfo("UTC"))
    assert found == datetime(2027, 1, 4, tzinfo=UTC)


def test_several_times_inside_the_jump_are_one_run_at_its_end() -> None:
    zone = ZoneInfo("Europe/Berlin")
    jobs = Crontab.parse("0,30 2,3 * * *")
    first = jobs.next_after(datetime(2026, 3, 28, 12, tzinfo=UTC), zone)
    assert first == datetime(2026, 3, 29, 1, 0, tzinfo=UTC)
    assert jobs.next_after(first, zone) == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)


def test_both_equal_hours_count_for_a_job_every_few_minutes() -> None:
    zone, moment, found = ZoneInfo("Europe/Berlin"), datetime(2026, 10, 24, 23, 59, tzinfo=UTC), []
    while (moment := Crontab.parse("*/20 * * * *").next_after(moment, zone)) < datetime(2026, 10, 25, 3, tzinfo=UTC):
        found.append(moment)
    assert found == [datetime(2026, 10, 25, tzinfo=UTC) + timedelta(minutes=20 * step) for step in range(9)]


def test_an_hourly_job_is_not_made_up_for_an_hour_that_never_was() -> None:
    found = Crontab.parse("15 * * * *").next_after(datetime(2026, 3, 29, 0, 15, tzinfo=UTC), ZoneInfo("Europe/Berlin"))
    assert found == datetime(2026, 3, 29, 1, 15, tzinfo=UTC)


def test_an_hour_that_comes_twice_over_midnight_is_walked_in_the_order_it_passes() -> None:
    # St John's was put back at 00:01 on 7 November 2010, to 23:01 on the 6th.
    zone, moment, shown = ZoneInfo("America/St_Johns"), datetime(2010, 11, 7, 1, 45, tzinfo=UTC), []
    for _ in range(5):
        following = Crontab.parse("0,30 * * * *").next_after(moment, zone)
        assert moment < following <= moment + timedelta(minutes=30)
        moment = following
        shown.append(f"{moment.astimezone(zone):%d. %H:%M}")
    assert shown == ["06. 23:30", "07. 00:00", "06. 23:30", "07. 00:00", "07. 00:30"]


def _number(low: int, high: int) -> st.SearchStrategy[str]:
    numbers = st.integers(low, high)
    ranges = st.tuples(numbers, numbers).map(lambda pair: f"{min(pair)}-{max(pair)}")
    return st.lists(st.one_of(numbers.map(str), ranges), min_size=1, max_size=3).map(",".join)


TEXTS = st.tuples(
    st.one_of(_number(0, 59), st.just("*/17")),
    st.one_of(_number(0, 23), st.just("*"), st.just("0-3")),
    st.one_of(_number(1, 28), st.just("*")),
    st.one_of(_number(1, 12), st.just("*")),
    st.one_of(_number(0, 7), st.just("*")),
).map(" ".join)
# Around every change of clocks in the zones above, and on ordinary days.
STARTS = st.datetimes(datetime(2009, 1, 1), datetime(2027, 1, 1)) | st.sampled_from(
    [
        datetime(2026, 3, 28, 23, 30),
        datetime(2026, 10, 24, 22, 30),
        datetime(2010, 11, 7, 1, 0),
        datetime(2010, 3, 14, 2, 0),
        datetime(2026, 4, 4, 13, 0),
        datetime(2026, 10, 3, 13, 0),
        datetime(2026, 4, 23, 20, 0),
        datetime(2026, 10, 29, 19, 0),
        datetime(2011, 12, 30, 8, 0),
        datetime(2026, 3, 8, 3, 0),
        datetime(2026, 11, 1, 3, 0),
    ]
)


# Minutes before the start at which the walk begins: no dial is put on or back by more than a day.
BEFORE = 26 * 60


def _walked(text: str, start: datetime, minutes: int, zone: ZoneInfo) -> list[datetime]:
    """Every moment at which `text` is due, by looking at the wall clock minute after minute."""
    fields = Crontab.parse(text)
    dial = {(hour, minute) for hour in fields.hours for minute in fields.minutes}
    found: list[datetime] = []
    moment = start
    seen: set[datetime] = set()
    top = (start - timedelta(minutes=BEFORE)).astimezone(zone).replace(tzinfo=None, fold=0)
    for step in range(-BEFORE, minutes):
        moment = start + timedelta(minutes=step)
        wall = moment.astimezone(zone).replace(tzinfo=None, fold=0)
        if fields.every_hour:
            due = (wall.hour, wall.minute) in dial and fields.matches_day(wall.date())
        else:
            # Due is what the dial passes for the first time, also in one leap.
            passed = []
            while top < wall:
                top += timedelta(minutes=1)
                passed.append(top)
            new = [one for one in passed if one not in seen]
            seen.update(new)
            due = any((one.hour, one.minute) in dial and fields.matches_day(one.date()) for one in new)
        if due and step > 0:
            found.append(moment)
    return found


@examples(60)
@given(TEXTS, STARTS, st.sampled_from(ZONES))
def test_the_search_finds_what_a_walk_minute_by_minute_finds(text: str, naive: datetime, name: str) -> None:
    zone, start = ZoneInfo(name), naive.replace(second=0, microsecond=0, tzinfo=UTC)
    minutes = 2 * 1440
    expected = _walked(text, start, minutes, zone)
    found, moment = [], start
    while (moment := Crontab.parse(text).next_after(moment, zone)) < start + timedelta(minutes=minutes):
        found.append(moment)
    assert found == expected


@examples(200)
@given(TEXTS, st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1)), st.sampled_from(ZONES))
def test_the_next_time_is_always_later_and_on_a_whole_minute(text: str, naive: datetime, name: str) -> None:
    start = naive.replace(tzinfo=UTC)
    found = Crontab.parse(text).next_after(start, ZoneInfo(name))
    assert found > start
    assert found.tzinfo is UTC
    assert found.second == found.microsecond == 0
