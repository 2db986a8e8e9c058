"""The sign that asks a run to stop: it goes up for the right reason, stays up, and never delays a wait."""

from __future__ import annotations

from datetime import timedelta

import pytest

from otherroof.base.clock import SteppedClock, SystemClock
from otherroof.base.errors import RunCut
from otherroof.jobs.stop_sign import StopSign
from support.simulated import utc

NOW = utc(2026, 6, 10, 6)


def test_it_goes_up_when_the_window_closes_and_not_before() -> None:
    clock = SteppedClock(NOW)
    sign = StopSign(clock, until=NOW + timedelta(minutes=30))
    clock.step(1799)
    assert not sign.asked()
    clock.step(1)
    assert "window" in sign.asked()


def test_the_first_reason_stays() -> None:
    sign = StopSign(SteppedClock(NOW))
    sign.ask("the service stops")
    sign.ask("something else")
    assert sign.asked() == "the service stops"
    with pytest.raises(RunCut, match="the service stops"):
        sign.check()


def test_it_goes_up_when_the_month_is_used_up() -> None:
    sign = StopSign(SteppedClock(NOW), room=1000)
    sign.crossed(1000)
    assert not sign.asked()
    sign.crossed(1001)
    assert "month" in sign.asked()


def test_it_goes_up_when_the_month_whose_allowance_it_has_ends() -> None:
    clock = SteppedClock(NOW)
    sign = StopSign(clock, room=1000, month_ends=NOW + timedelta(hours=1))
    clock.step(3599)
    assert not sign.asked()
    clock.step(1)
    assert "new month" in sign.asked()


def test_without_bounds_it_stays_down() -> None:
    sign = StopSign(SteppedClock(NOW))
    sign.crossed(10**15)
    sign.check()
    assert not sign.asked()


def test_a_wait_ends_early_when_it_goes_up() -> None:
    clock = SteppedClock(NOW)
    sign = StopSign(clock, until=NOW + timedelta(seconds=10))
    assert not sign.wait(5)
    assert clock.now() == NOW + timedelta(seconds=5)
    assert sign.wait(3600)
    assert clock.now() < NOW + timedelta(seconds=11)


def test_a_raised_sign_is_seen_at_once_on_a_real_clock() -> None:
    clock = SystemClock()
    sign = StopSign(clock)
    sign.ask("the service stops")
    begun = clock.monotonic()
    assert sign.wait(60)
    assert clock.monotonic() - begun < 1


def test_a_new_window_counts_for_a_run_under_way() -> None:
    clock = SteppedClock(NOW)
    sign = StopSign(clock, until=NOW + timedelta(hours=1))
    sign.set_window_end(None)
    clock.step(7200)
    assert not sign.asked()
