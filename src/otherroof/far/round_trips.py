"""What round trips tell of a line: its own, and what waits beyond it, told apart from answers that are merely late.

A queue on the line delays every packet for as long as it stands; a busy processor, here or there, delays some of them.
So the least of several looks counts. Pure: it is told of looks in order, and knows no rate.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass

FLOOR_KEPT_S = 600.0  # RFC 6817 §4.1 keeps the base delay over some minutes, since routes change
# RFC 6817 §3.4.2 takes the least of some samples for the delay now, since one late answer is no queue. Two tell soon
# that one may begin, four that it stands. On two processors with six busy programs every third look had 20 ms too much
# and more; of the least of four, every sixth.
SOON, STANDS = 2, 4
# RFC 9293 §3.8.6.3 lets the far end hold its answer back until a second packet comes. Linux does so for 40 ms
# (TCP_DELACK_MIN) if its program has not yet read the first: on a busy far box, that is each time.
HELD_BACK_S = 0.040


@dataclass(frozen=True, slots=True)
class Trip:
    """One connection at one look: bytes it carried since the last, its round trip, and how much of that the far end may
    have held its answers back, both in seconds."""

    carried: int
    seen_s: float
    held_back_s: float = 0.0


def may_be_held_back_s(passed_s: float, arrived: int, packet: int) -> float:
    """How long the far end may have waited for one more packet before it answered, in seconds: as long as there is
    between two of them, if `arrived` bytes came in `passed_s` seconds, `packet` bytes each."""
    return min(HELD_BACK_S, passed_s * packet / arrived) if arrived > 0 else HELD_BACK_S


def least_of(trips: Sequence[Trip]) -> tuple[float, float]:
    """The least round trip of the connections, and the least of what is surely the line's, in seconds."""
    # The least, since a queue on the line delays all of them, anything else perhaps just one. One that carries little
    # is no witness: its round trip may be an old one, and most of it the far end's.
    most = max(trip.carried for trip in trips)
    sure = (trip.seen_s - trip.held_back_s for trip in trips if trip.carried * 2 >= most)
    return min(trip.seen_s for trip in trips), min(sure)


class OfLate:
    """The least or the most of what was seen in the last `kept_s` seconds, by `choose`; 0 if nothing was."""

    PARTS = 10

    def __init__(self, kept_s: float, choose: Callable[[float, float], float]) -> None:
        self._kept_s = kept_s
        self._choose = choose
        self._parts: deque[tuple[float, float]] = deque()

    def note(self, at: float, value: float) -> None:
        """Seen at this moment."""
        # Kept as that of each part of the time: the oldest part is forgotten as a whole, and ten numbers are enough,
        # however many looks there are.
        if self._parts and at - self._parts[-1][0] < self._kept_s / self.PARTS:
            began, before = self._parts[-1]
            self._parts[-1] = (began, self._choose(before, value))
        else:
            self._parts.append((at, value))
        while len(self._parts) > 1 and at - self._parts[0][0] > self._kept_s:
            self._parts.popleft()

    @property
    def value(self) -> float:
        """What it is now."""
        if not self._parts:
            return 0.0
        found = self._parts[0][1]
        for _, value in self._parts:
            found = self._choose(found, value)
        return found


class RoundTrips:
    """The line's own round trip, and the delay beyond it."""

    def __init__(self) -> None:
        self._floor = OfLate(FLOOR_KEPT_S, min)
        self._recent: deque[float] = deque(maxlen=STANDS)

    def note(self, at: float, seen_s: float, sure_s: float) -> None:
        """One more look: what was seen, and what of it is surely the line's."""
        self._floor.note(at, seen_s)
        self._recent.append(sure_s)

    @property
    def floor_s(self) -> float:
        """The line's own round trip, in seconds: the least of ten minutes; 0 before the first look."""
        return self._floor.value

    @property
    def soon_s(self) -> float:
        """The delay beyond the line's own, in seconds, as the last two looks show it."""
        return max(0.0, min(list(self._recent)[-SOON:]) - self.floor_s)

    @property
    def stands_s(self) -> float:
        """The same if the last four looks all show it."""
        return max(0.0, min(self._recent) - self.floor_s) if len(self._recent) == STANDS else 0.0
