"""A token bucket that all connections to one far box share, so that a limit is a limit on their sum.

It decides how long a sender has to wait; the waiting is done by the sender, outside the lock.
"""

from __future__ import annotations

import threading
from collections.abc import Callable

from otherroof.base.clock import Clock, SystemClock

BURST_S = 0.05  # seconds of the rate that may go out at once
LEAST_BURST = 65_536  # bytes; one gathered send must always fit


class Pacer:
    """Limits bytes a second over all who ask it. A rate of 0 is no limit.

    `limit` may be given as a function, asked at every send: a limit that changes with the time of day or with
    the state of the line needs no restart.
    """

    def __init__(self, limit: float | Callable[[], float] = 0.0, clock: Clock | None = None) -> None:
        self._limit = limit if callable(limit) else lambda: limit
        self._clock = clock or SystemClock()
        self._lock = threading.Lock()
        self._debt = 0.0
        self._at = self._clock.monotonic()

    def wait_for(self, count: int) -> float:
        """Book `count` bytes and answer the seconds to wait before the next send."""
        rate = self._limit()
        with self._lock:
            now = self._clock.monotonic()
            if rate <= 0:
                self._debt, self._at = 0.0, now
                return 0.0
            self._debt = max(0.0, self._debt - (now - self._at) * rate) + count
            self._at = now
            return max(0.0, (self._debt - max(LEAST_BURST, rate * BURST_S)) / rate)

    def pay(self, count: int) -> None:
        """Book `count` bytes and sleep as long as the limit asks."""
        seconds = self.wait_for(count)
        if seconds > 0:
            self._clock.sleep(seconds)


def bytes_per_s(mbit_s: float) -> float:
    """A limit in Mbit/s (10⁶ bits) as bytes a second."""
    return mbit_s * 1e6 / 8
