"""Time that is handed in: stepped, jumped, written down and read back."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from otherroof.base.clock import SteppedClock, SystemClock, from_stamp, stamp

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
