"""The limit on a line: over any stretch of time no more goes out than it allows, however many send."""

from __future__ import annotations

import threading
from datetime import UTC, datetime

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.far.pacing.bucket import BURST_S, LEAST_BURST, Pacer, bytes_per_s

START = datetime(2031, 4, 5, tzinfo=UTC)


def test_no_limit_is_no_wait() -> None:
    clock = SteppedClock(START)
    pacer = Pacer(0, clock)
    for _ in range(1000):
        pacer.pay(10**9)
    assert clock.monotonic() == 0


@pytest.mark.parametrize("mbit", [0.1, 1, 20, 400])
@pytest.mark.parametrize("size", [100, 1400, 32_768])
def test_long_run_keeps_to_the_limit(mbit: float, size: int) -> None:
    clock = SteppedClock(START)
    rate = bytes_per_s(mbit)
    pacer = Pacer(rate, clock)
    sent, seconds = 0, min(60, 20_000 * size / rate)
    while clock.monotonic() < seconds:
        pacer.pay(size)
        sent += size
    burst = max(LEAST_BURST, rate * BURST_S)
    assert sent <= rate * clock.monotonic() + burst + size
    assert sent >= rate * seconds


def test_time_that_passes_unused_is_not_saved_up() -> None:
    clock = SteppedClock(START)
    rate = bytes_per_s(8)
    pacer = Pacer(rate, clock)
    clock.step(3600)
    begun, sent = clock.monotonic(), 0
    while clock.monotonic() - begun < 10:
        pacer.pay(10_000)
        sent += 10_000
    assert sent <= rate * 10 + LEAST_BURST + 10_000


def test_limit_that_changes_holds_from_the_next_send_on() -> None:
    clock = SteppedClock(START)
    limit = [bytes_per_s(8)]
    pacer = Pacer(lambda: limit[0], clock)
    pacer.pay(2_000_000)
    limit[0] = 0.0
    before = clock.monotonic()
    pacer.pay(10**9)
    assert clock.monotonic() == before
    limit[0] = bytes_per_s(1)
    pacer.pay(LEAST_BURST)
    pacer.pay(125_000)
    assert clock.monotonic() - before == pytest.approx(1.0)


def test_many_senders_share_one_limit() -> None:
    clock = SteppedClock(START)
    rate = bytes_per_s(8)
    pacer = Pacer(rate, clock)
    waits: list[float] = []
    threads = [
        threading.Thread(target=lambda: waits.extend(pacer.wait_for(10_000) for _ in range(100))) for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    # Nobody slept, so the last to ask must be told to wait for all the others.
    assert max(waits) == pytest.approx((4_000_000 - LEAST_BURST) / rate)


def test_limit_is_in_millions_of_bits() -> None:
    assert bytes_per_s(8) == 1_000_000
