"""The sign that asks a run to stop: it goes up for the right reason and stays up."""

from __future__ import annotations

import threading
from datetime import datetime, timedelta

from otherroof.base.clock import SteppedClock
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
    assert not sign.asked()


def test_a_new_window_counts_for_a_run_under_way() -> None:
    clock = SteppedClock(NOW)
    sign = StopSign(clock, until=NOW + timedelta(hours=1))
    sign.set_window_end(None)
    clock.step(7200)
    assert not sign.asked()


def test_a_window_that_is_taken_away_while_the_sign_is_asked_is_no_fault() -> None:
    signs: list[StopSign] = []

    class MeanwhileReadAnew(SteppedClock):
        def now(self) -> datetime:
            for sign in signs:
                sign.set_window_end(None)
            return super().now()

    clock = MeanwhileReadAnew(NOW)
    signs.append(StopSign(clock, until=NOW + timedelta(hours=1)))
    assert not signs[0].asked()


def test_a_signal_that_comes_while_the_sign_is_raised_raises_it_too() -> None:
    sign = StopSign(SteppedClock(NOW))

    def interrupted() -> None:
        with sign._lock:  # as within `ask`, where the handler interrupts it
            sign.ask("SIGINT was received")

    thread = threading.Thread(target=interrupted, daemon=True)
    thread.start()
    thread.join(10)
    assert not thread.is_alive(), "it waits for itself"
    assert sign.asked() == "SIGINT was received"
