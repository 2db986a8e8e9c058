"""Time that is handed in: stepped, jumped, written down and read back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from otherroof.base.clock import SteppedClock, SystemClock, from_stamp, parse_moment, stamp

START = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)


def test_stamp_is_in_utc_whatever_the_zone() -> None:
    west = timezone(timedelta(hours=-3, minutes=-30))
    assert stamp(datetime(2031, 4, 4, 22, 0, 0, 999_999, west)) == "2031-04-05T01:30:00Z"


@pytest.mark.parametrize("text", ["2031-04-05T01:30:00Z", "2031-04-05t01:30:00z", "2031-04-04T22:00:00-03:30"])
def test_stamps_of_every_lawful_form_are_read(text: str) -> None:
    assert from_stamp(text) == START
    assert from_stamp(text).tzinfo is UTC


@pytest.mark.parametrize("text", ["", "yesterday", "2031-04-05T01:30:00", "2031-13-05T01:30:00Z", "2031-04-05"])
def test_what_names_no_moment_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        from_stamp(text)


def test_stepped_clock_moves_only_when_told() -> None:
    clock = SteppedClock(START)
    assert (clock.now(), clock.monotonic()) == (START, 0)
    clock.sleep(90)
    assert (clock.now(), clock.monotonic()) == (START + timedelta(seconds=90), 90)
    clock.sleep(-5)
    assert clock.monotonic() == 90


def test_jump_moves_the_wall_clock_and_not_time() -> None:
    clock = SteppedClock(START)
    clock.jump(-3600)
    assert (clock.now(), clock.monotonic()) == (START - timedelta(hours=1), 0)


def test_clock_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="zone"):
        SteppedClock(START.replace(tzinfo=None))


def test_system_clock_is_aware_and_moves() -> None:
    clock = SystemClock()
    before = clock.monotonic()
    clock.sleep(0.01)
    clock.sleep(-1)
    assert clock.monotonic() - before >= 0.01
    assert clock.now().utcoffset() == timedelta(0)


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2031-04-05", "2031-04-05T02:30:00Z", "2031-04-06T02:29:59Z"),
        ("2031-04-05 08:59", "2031-04-05T11:29:00Z", "2031-04-05T11:29:59Z"),
        ("2031-04-05T08", "2031-04-05T10:30:00Z", "2031-04-05T11:29:59Z"),
        ("2031-04-05T08:59:30", "2031-04-05T11:29:30Z", "2031-04-05T11:29:30Z"),
        ("20310405T0859", "2031-04-05T11:29:00Z", "2031-04-05T11:29:59Z"),
        ("2031-04-05t08:59z", "2031-04-05T08:59:00Z", "2031-04-05T08:59:59Z"),
        ("2031-04-05T08:59-01:00", "2031-04-05T09:59:00Z", "2031-04-05T09:59:59Z"),
        # The clock is put back from 02:00 to 01:00 that night: 01:30 is shown twice.
        ("2031-11-02 01:30", "2031-11-02T04:00:00Z", "2031-11-02T05:00:59Z"),
        # And that day has 25 hours.
        ("2031-11-02", "2031-11-02T02:30:00Z", "2031-11-03T03:29:59Z"),
    ],
)
def test_what_a_person_leaves_open_reaches_from_its_first_to_its_last_moment(text: str, first: str, last: str) -> None:
    zone = ZoneInfo("America/St_Johns")
    assert stamp(parse_moment(text, zone)) == first
    assert stamp(parse_moment(text, zone, end=True)) == last


@pytest.mark.parametrize("text", ["", "yesterday", "08:59", "2031-13-05", "2031-04-05 25:00"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        parse_moment(text, ZoneInfo("America/St_Johns"), end=True)
