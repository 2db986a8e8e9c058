"""Keeps a copy from being felt on the line: it slows down as soon as packets begin to queue.

After the principle of RFC 6817: the delay above the line's own is the measure, and the sender gives way at a small
delay, long before loss. Pure: it is told round-trip times and what was delivered, and answers a rate. Who reads the
kernel's figures and sets the rate lives in `pacing`; what a delay is made of, in `round_trips`.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from otherroof.far.round_trips import OfLate, RoundTrips

# What is done follows from one measure, the queue: how much longer a round trip takes now than the line's own.
# none       the rate rises, little by little, to somewhat more than what arrives
# some       what arrives is what the line can carry: the rate follows it, a little above
# too much   it does so too, until it is sure that the queue stands: then the rate goes below what arrives
# draining   for a moment the rate is lowered, to see what the round trip is without us
# A fifth stands beside them. A round trip cannot tell which way the queue is: if more comes in than goes out, as in a
# restore, it is that of the answers. There is no rate then. To hold back small requests for it would leave the line
# empty for seconds, and what trickles out would be taken for all that the line can carry.
AIM = 0.5  # of the delay that is allowed: the mean stays there, so that peaks stay below the whole
SHOWS = 0.25  # of AIM: from here on the line is full, and what is delivered is what it can carry
SETTLE_S = 0.5  # seconds in which a queue is brought back to its target
DEEPEST_CUT = 0.4  # of the rate, at one look
FASTEST_RISE = 0.06  # largest rise in one round trip: a queue must have time to show before the rate rises again
# Up to what passed just now it may rise faster: a delay that is gone as soon as that was hardly a queue.
FASTEST_BACK = 0.3
LATELY_S = 3.0
LEAST_RATE = 16_000.0  # bytes a second; a copy that stops altogether would lose its connection
HEADROOM = 1.25  # the limit stays below this multiple of what is really delivered
NEARLY = 0.85  # of the rate: if so much arrives it is the rate that holds back more
SMOOTH = 0.3  # weight of the newest sample in the mean delivery rate, which is uneven
# A busy processor, a far disk or a longer route delay answers too, and no cut helps: what arrives becomes less with
# each cut, and the next is taken from that, until the copy all but stops. So what a round trip is while we give way is
# not our doing, and does not count (draft-irtf-iccrg-ledbat-plus-plus slows down for this, BBR to see its least round
# trip). It may still be others who fill the line: as long as it does not count some of the line is left to them.
DRAIN_EVERY_S = 60.0  # else our own queue would in time be taken for the line's own
DRAIN_S = 0.4  # and one round trip
DRAIN_TO = 0.5  # of the rate
# In doubt we give way for longer, and nearly altogether, so that even on the tenth part of a line a queue of ours goes.
DOUBTFUL = 0.5  # of the best of a minute: with no more than that there is hardly a queue of ours
IN_DOUBT_S, IN_DOUBT_TO = 1.0, 0.125
AGAIN_S = 1.5  # if a delay remained, it is soon seen whether it does again
KNOWN_S = 5.0  # once that is known, it is looked at so often whether it is still so
OURS_S = 10.0  # if none remained
MATTERS = 0.5  # of AIM: a shorter delay need not be left out
DRAINS = 3  # the middle one of them counts: one alone may have met a busy moment, or a calm one
LEFT = 0.75  # of the best of a minute is the most, while a delay does not count
BEST_KEPT_S = 60.0
LEAST_PART = 1 / 64  # of that best: more than enough to go until drains tell


@dataclass(frozen=True, slots=True)
class Sample:
    """One look at the connections: monotonic time, least smoothed round trip in seconds, bytes delivered since.

    `came`: bytes that came in since and that no rate is kept for; what is paced both ways counts as delivered.
    `sure_s`: what of the round trip is surely the line's; all of it if it is not given. `waits`: something waits here
    to be sent; if not, it is not the rate that holds it back.
    """

    at: float
    round_trip_s: float
    delivered: int
    came: int = 0
    sure_s: float | None = None
    waits: bool = True


class Courtesy:
    """The rate for all connections to one far box together. 0: no limit, nothing queues yet."""

    def __init__(self, allowed_s: float) -> None:
        self.aim_s = allowed_s * AIM  # the mean delay that is kept
        self._trips = RoundTrips()
        self._drains = _Drains(self.aim_s)
        self._best = OfLate(BEST_KEPT_S, max)
        self._lately = OfLate(LATELY_S, max)
        self._most = 0.0
        self._rate = 0.0
        self._at: float | None = None
        self._flow: float | None = None
        self._inflow = 0.0
        self._waited = True

    @property
    def rate(self) -> float:
        """Bytes a second; 0 for no limit."""
        return self._rate * self._drains.part

    def floor_s(self) -> float:
        """The line's own round trip, in seconds: the least seen of late."""
        return self._trips.floor_s

    def own_trip_s(self) -> float:
        """What of a round trip is not our doing, in seconds: the line's own, and what remains while we give way."""
        return self._trips.floor_s + self._drains.remains_s

    def look(self, sample: Sample) -> float:
        """Take in a sample and answer the rate from now on."""
        seen_s = sample.round_trip_s
        self._trips.note(sample.at, seen_s, seen_s if sample.sure_s is None else sample.sure_s)
        before, self._at = self._at, sample.at
        # A first look has nothing to compare with: what was delivered since is not known.
        if before is None or sample.at <= before:
            return self.rate
        passed = sample.at - before
        self._inflow += SMOOTH * (sample.came / passed - self._inflow)
        # Nothing is learnt about the rate while it is held down. The round trips are: they have just been noted above.
        if self._rate and self._gives_way(sample.at):
            return self.rate
        now = sample.delivered / passed
        # At both ends of the time something waited, or else the rate was used.
        waits = (sample.waits and self._waited) or 0 < self._rate * NEARLY <= now
        self._waited = sample.waits
        flow = self._note_flow(sample.at, now, waits)
        if self._inflow > flow:
            self._rate = 0.0  # what is sent next begins as the first did
        elif self._rate:
            self._rate = self._bounded(self._wanted(flow, passed / max(seen_s, 0.001), waits))
        # As long as nothing queues nobody is disturbed, and TCP finds the line's rate faster than any rule here.
        elif waits and self._beyond(self._trips.soon_s) > self.aim_s:
            self._rate = self._bounded(self._cut(flow, self._beyond(self._trips.soon_s)))
            self._drains.begin_none(sample.at)
        return self.rate

    def _note_flow(self, at: float, now: float, waits: bool) -> float:
        """What arrives at the other end, not what was sent: only that tells what the line carries."""
        # If nothing waits to be sent, home or its disk is the slower part, and less than before tells nothing of the
        # line: BBR, too, takes such a sample only if it is more.
        if self._flow is None:
            self._flow = now
        elif waits or now > self._flow:
            self._flow += SMOOTH * (now - self._flow)
        self._best.note(at, self._flow)
        self._lately.note(at, self._flow)
        return self._flow

    def _gives_way(self, at: float) -> bool:
        """Drain when it is time to; whether that goes on."""
        counted = not self._drains.remains_s
        doubtful = self._beyond(self._trips.stands_s) > self.aim_s and self._rate <= self._best.value * DOUBTFUL
        goes_on = self._drains.look(at, self._trips, doubtful)
        if counted and self._drains.remains_s:
            self._most = self._best.value * LEFT
            self._rate = max(self._rate, self._best.value * DOUBTFUL)
        return goes_on

    def _wanted(self, flow: float, trips: float, waits: bool) -> float:
        """The rate that the queue asks for, if `flow` arrives and so many round trips have passed."""
        queue_s, stands_s = self._beyond(self._trips.soon_s), self._beyond(self._trips.stands_s)
        if stands_s > self.aim_s:
            return min(self._rate, self._cut(flow if waits else self._rate, stands_s))
        if queue_s > self.aim_s:
            return max(flow, min(self._rate, flow * (1 + FASTEST_RISE))) if waits else self._rate
        if queue_s > self.aim_s * SHOWS:
            wanted = flow * (1 + min(FASTEST_RISE, (self.aim_s - queue_s) / SETTLE_S))
            return wanted if waits else max(self._rate, wanted)
        if not waits:
            return max(self._rate, flow)
        # No queue: there is room. So the rate rises by a part for each round trip, as the effect of the last rise shows
        # only after one, and stops a little above what really arrives: else it would rise without bound while something
        # else is slow, and come down on the line all at once.
        trips = min(1.0, trips)
        back = min(self._rate * (1 + FASTEST_BACK * trips), self._lately.value)
        return max(back, min(self._rate * (1 + FASTEST_RISE * trips), max(self._rate, flow * HEADROOM)))

    def _cut(self, flow: float, queue_s: float) -> float:
        # A queue of q seconds holds q × flow bytes. Sending at flow × (1 − (q − aim) / SETTLE_S) takes away, in
        # SETTLE_S seconds, just what is above the aim. Bounded, since a single sample may be wrong.
        return flow * (1 - min(DEEPEST_CUT, (queue_s - self.aim_s) / SETTLE_S))

    def _bounded(self, wanted: float) -> float:
        if self._drains.remains_s:
            wanted = min(wanted, self._most)
        return max(LEAST_RATE, self._best.value * LEAST_PART, wanted)

    def _beyond(self, delay_s: float) -> float:
        return max(0.0, delay_s - self._drains.remains_s)


class _Drains:
    """The moments in which we give way, and the delay that remained then."""

    def __init__(self, aim_s: float) -> None:
        self._aim_s = aim_s
        self._began_at = float("-inf")
        self._for_s = 0.0
        self._remained: deque[float] = deque([0.0] * DRAINS, maxlen=DRAINS)
        self._was_ours = False  # the last one in doubt showed that the delay was our doing
        self.part = 1.0  # of the rate that holds now

    @property
    def remains_s(self) -> float:
        """The delay that is not our doing, in seconds; 0 if it is too short to matter."""
        middle = sorted(self._remained)[DRAINS // 2]
        return middle if middle > self._aim_s * MATTERS else 0.0

    def begin_none(self, at: float) -> None:
        """The first limit is no draining: this moment counts as the end of one, so the next comes in a minute."""
        self._began_at, self._for_s, self.part = at, 0.0, 1.0

    def look(self, at: float, trips: RoundTrips, doubtful: bool) -> bool:
        """Begin one when it is time to, and note at its end what remains. Whether one is under way."""
        if self.part < 1:
            if at - self._began_at < self._for_s:
                return True
            self._remained.append(trips.soon_s)
            self._was_ours = self.part == IN_DOUBT_TO and trips.soon_s <= self._aim_s
            self.part = 1.0
        elif at - self._began_at - self._for_s > self._pause_s(doubtful):
            self._began_at = at
            self._for_s = trips.floor_s + (IN_DOUBT_S if doubtful else DRAIN_S)
            self.part = IN_DOUBT_TO if doubtful else DRAIN_TO
        return self.part < 1

    def _pause_s(self, doubtful: bool) -> float:
        if doubtful:
            return OURS_S if self._was_ours else AGAIN_S
        return KNOWN_S if max(self._remained) > self._aim_s else DRAIN_EVERY_S
