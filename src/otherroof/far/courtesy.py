"""Keeps a copy from being felt on the line: it slows down as soon as packets begin to queue.

After the principle of RFC 6817: the delay above the line's own is the measure, and the sender gives way at a small
delay, long before loss. Pure: it is told round-trip times and what was delivered, and answers a rate. Who reads the
kernel's figures and sets the rate lives in `pacing`.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

# Three states follow from one measure, the queue: how much longer a round trip takes now than the line's own.
# none       the rate rises, little by little, to somewhat more than what arrives
# some       what arrives is what the line can carry: the rate follows it, a little above or below
# draining   for a moment the rate is halved, to see what the round trip is without us
# A fourth stands beside them. A round trip cannot tell which way the queue is: if more comes in than goes out, as in a
# restore, it is that of the answers. There is no rate then. To hold back small requests for it would leave the line
# empty for seconds, and what trickles out would be taken for all that the line can carry.
AIM = 0.5  # of the delay that is allowed: the mean stays there, so that peaks stay below the whole
SHOWS = 0.25  # of AIM: from here on the line is full, and what is delivered is what it can carry
SETTLE_S = 0.5  # seconds in which a queue is brought back to its target
DEEPEST_CUT = 0.4  # of the rate, at one look
FASTEST_RISE = 0.06  # largest rise in one round trip: a queue must have time to show before the rate rises again
LEAST_RATE = 16_000.0  # bytes a second; a copy that stops altogether would lose its connection
FLOOR_KEPT_S = 600.0  # RFC 6817 §4.1 keeps the base delay over some minutes, since routes change
FLOOR_PARTS = 10
FILTER = 2  # samples whose least counts as the delay now (RFC 6817 §3.4.2): one late answer is no queue
HEADROOM = 1.25  # the limit stays below this multiple of what is really delivered
DRAIN_EVERY_S = 60.0  # every so often the queue is drained; else its delay would in time be taken for the line's own
DRAIN_S = 0.4
DRAIN_TO = 0.5  # of the rate
SMOOTH = 0.3  # weight of the newest sample in the mean delivery rate, which is uneven


@dataclass(frozen=True, slots=True)
class Sample:
    """One look at the connections: monotonic time, least smoothed round trip in seconds, bytes delivered since.

    `came`: bytes that came in since and that no rate is kept for; what is paced both ways counts as delivered.
    """

    at: float
    round_trip_s: float
    delivered: int
    came: int = 0


class Courtesy:
    """The rate for all connections to one far box together. 0: no limit, nothing queues yet."""

    def __init__(self, allowed_s: float) -> None:
        self.aim_s = allowed_s * AIM  # the mean delay that is kept
        self._rate = 0.0
        self._at: float | None = None
        self._flow: float | None = None
        self._inflow = 0.0
        self._drained_at = float("-inf")
        self._floors: deque[tuple[float, float]] = deque()
        self._recent: deque[float] = deque(maxlen=FILTER)

    @property
    def rate(self) -> float:
        """Bytes a second; 0 for no limit."""
        return self._rate * DRAIN_TO if self._draining else self._rate

    @property
    def _draining(self) -> bool:
        return self._at is not None and self._at - self._drained_at < DRAIN_S

    def floor_s(self) -> float:
        """The line's own round trip, in seconds: the least seen of late."""
        return min((value for _, value in self._floors), default=0.0)

    def look(self, sample: Sample) -> float:
        """Take in a sample and answer the rate from now on."""
        self._note_floor(sample)
        self._recent.append(sample.round_trip_s)
        before, self._at = self._at, sample.at
        # A first look has nothing to compare with: what was delivered since is not known.
        if before is None or sample.at <= before:
            return self.rate
        if self._rate and sample.at - self._drained_at > DRAIN_EVERY_S:
            self._drained_at = sample.at
        passed = sample.at - before
        self._inflow += SMOOTH * (sample.came / passed - self._inflow)
        # Nothing is learnt about the rate while it is held down. The round trips are: they have just been noted above.
        if self._draining:
            return self.rate
        queue_s = max(0.0, min(self._recent) - self.floor_s())
        # What arrived at the other end, not what was sent: only that tells what the line carries.
        now = sample.delivered / passed
        flow = self._flow = now if self._flow is None else self._flow + SMOOTH * (now - self._flow)
        if self._inflow > flow:
            self._rate = 0.0  # what is sent next begins as the first did
            return 0.0
        if self._rate == 0.0:
            # As long as nothing queues nobody is disturbed, and TCP finds the line's rate faster than any rule here.
            if queue_s <= self.aim_s:
                return 0.0
            # The first limit is no draining: this moment counts as the end of one, so the next comes in a minute.
            self._drained_at = sample.at - DRAIN_S
        if queue_s > self.aim_s * SHOWS:
            # A queue of q seconds holds q × flow bytes. Sending at flow × (1 − (q − aim) / SETTLE_S) takes away, in
            # SETTLE_S seconds, just what is above the aim; below the aim the same line lets it grow back. Both ends are
            # bounded, since a single sample may be wrong.
            step = max(-DEEPEST_CUT, min(FASTEST_RISE, (self.aim_s - queue_s) / SETTLE_S))
            wanted = flow * (1 + step)
        else:
            # No queue: either there is room, or home's own disk is the slower part. So the rate rises by a part for
            # each round trip, as the effect of the last rise shows only after one, and stops a little above what really
            # arrives: else it would rise without bound while a disk is slow, and come down on the line all at once.
            trips = min(1.0, passed / max(sample.round_trip_s, 0.001))
            wanted = min(self._rate * (1 + FASTEST_RISE * trips), max(self._rate, flow * HEADROOM))
        self._rate = max(LEAST_RATE, wanted)
        return self.rate

    def _note_floor(self, sample: Sample) -> None:
        # The least of ten minutes, kept as the least of each minute: the oldest minute is forgotten as a whole, and ten
        # numbers are enough, however many samples there are.
        part = FLOOR_KEPT_S / FLOOR_PARTS
        if self._floors and sample.at - self._floors[-1][0] < part:
            began, value = self._floors[-1]
            self._floors[-1] = (began, min(value, sample.round_trip_s))
        else:
            self._floors.append((sample.at, sample.round_trip_s))
        while len(self._floors) > 1 and sample.at - self._floors[0][0] > FLOOR_KEPT_S:
            self._floors.popleft()
