"""How fast something goes, and how long it still takes: from a count that is looked at now and then.

Arithmetic only. It knows no clock and no copy; whoever looks gives the moment and the count.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from itertools import pairwise

OVER_S = 30.0  # seconds that a rate is taken over
KNOWN_AFTER_S = 9.0  # seconds of looks, before which nothing is said of the time left
PARTS = 3  # of these seconds: the fastest and the slowest of them say how far the time left can be trusted
PAUSE = 0.1  # of the mean: a part that brought less was a pause, and as a pace it would make days of minutes


@dataclass(frozen=True, slots=True)
class TimeLeft:
    """At least and at most so many seconds; `most` is infinite if a part of the last half minute brought next to
    nothing."""

    least: float
    most: float


class RecentPace:
    """The looks of the last half minute, at a count that only grows."""

    def __init__(self) -> None:
        self._looks: deque[tuple[float, float]] = deque()

    def begin(self) -> None:
        """Something new is counted: what was seen until now says nothing of it."""
        self._looks.clear()

    def look(self, moment: float, count: float) -> None:
        """At `moment`, in seconds on a clock that nobody sets, so many were counted."""
        if self._looks and (moment <= self._looks[-1][0] or count < self._looks[-1][1]):
            return
        self._looks.append((moment, count))
        # The look before the half minute stays, so that there is one at its beginning.
        while len(self._looks) > 2 and self._looks[1][0] <= moment - OVER_S:
            self._looks.popleft()

    @property
    def seconds(self) -> float:
        """How long has been looked, OVER_S at most."""
        return min(OVER_S, self._looks[-1][0] - self._looks[0][0]) if self._looks else 0.0

    def gained(self, ago: float = OVER_S, until: float = 0.0) -> float:
        """How much came between `ago` and `until` seconds before the last look."""
        if not self._looks:
            return 0.0
        last = self._looks[-1][0]
        return self._count_at(last - until) - self._count_at(last - ago)

    def left(self, remaining: float) -> TimeLeft | None:
        """How long `remaining` more will take; None as long as too little was seen."""
        seconds = self.seconds
        if seconds < KNOWN_AFTER_S or self.gained() <= 0:
            return None
        part = seconds / PARTS
        rates = [self.gained(part * (number + 1), part * number) / part for number in range(PARTS)]
        slowest = min(rates)
        paused = slowest < PAUSE * self.gained() / seconds
        return TimeLeft(remaining / max(rates), math.inf if paused else remaining / slowest)

    def _count_at(self, moment: float) -> float:
        """The count at a moment between two looks, as if it had grown evenly there."""
        first, last = self._looks[0], self._looks[-1]
        if moment <= first[0]:
            return first[1]
        for (before, low), (after, high) in pairwise(self._looks):
            if moment <= after:
                return low + (high - low) * (moment - before) / (after - before)
        return last[1]
