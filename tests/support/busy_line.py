"""A model of a line with one queue, of others who use it, and of processors that answer late: who sends how much of it
under courtesy, and how long the queue gets. No clock, no socket, no process.

A late answer lengthens the round trip that is seen, and nothing else: that is what a busy processor does at either end.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from otherroof.far.courtesy import Courtesy, Sample

STEP_S = 0.01
LOOK_S = 0.1
SMOOTHED = 4  # steps: TCP's smoothed round trip goes over about so many at these rates
OFTEN_LARGER = 1.3  # times the line's rate: what TCP sends if nothing holds it
At = Callable[[float], float]


def never(_: float) -> float:
    """Nothing of it at any time."""
    return 0.0


@dataclass
class BusyLine:
    """`rate` bytes a second, `floor_s` of round trip, `deep_s` of queue. Of the time since the beginning: `late_s` in
    which answers come late, `others` bytes a second that others send whatever happens, `data` bytes a second that home
    has to send (None: always enough), `missed_s` by which a look is late."""

    rate: float = 20e6 / 8
    floor_s: float = 0.040
    deep_s: float = 0.1
    late_s: At = never
    others: At = never
    data: At | None = None
    missed_s: At = never


@dataclass
class Ride:
    """What went on, step by step: our share of the line, and the queue in seconds."""

    shares: list[float] = field(default_factory=list)
    queues: list[float] = field(default_factory=list)

    def share(self, begin_s: float, end_s: float) -> float:
        """Our part of the line from one moment to another."""
        part = self.shares[round(begin_s / STEP_S) : round(end_s / STEP_S)]
        return sum(part) / len(part)

    def least_share(self, begin_s: float, for_s: float) -> float:
        """The least share of any stretch of that length."""
        last = len(self.shares) * STEP_S - for_s
        return min(self.share(begin_s + n, begin_s + n + for_s) for n in range(int(last - begin_s)))

    def queue_s(self, part: float, begin_s: float, end_s: float) -> float:
        """That part of the moments has no longer queue."""
        found = sorted(self.queues[round(begin_s / STEP_S) : round(end_s / STEP_S)])
        return found[int(len(found) * part)]


def ride(line: BusyLine, seconds: float, courtesy: Courtesy) -> Ride:
    """Send over that line for so long under `courtesy`."""
    found, queue, delivered, look_at, tcp = Ride(), 0.0, 0.0, LOOK_S, line.rate * 0.1
    trips: list[float] = []
    courtesy.look(Sample(-LOOK_S, line.floor_s + line.late_s(0.0), 0))  # logging in leaves the line empty
    for step in range(round(seconds / STEP_S)):
        at = step * STEP_S
        tcp = courtesy.rate or min(tcp * 1.1, line.rate * OFTEN_LARGER)
        has = tcp if line.data is None else line.data(at)
        ours, others = min(tcp, has), line.others(at)
        queue += (ours + others) * STEP_S
        out = min(queue, line.rate * STEP_S)
        queue = min(queue - out, line.rate * line.deep_s)
        mine = out * ours / (ours + others) if ours else 0.0
        delivered += mine
        found.shares.append(mine / (line.rate * STEP_S))
        found.queues.append(queue / line.rate)
        trips.append(line.floor_s + queue / line.rate + line.late_s(at))
        if at >= look_at:
            of_late = trips[-SMOOTHED:]
            courtesy.look(Sample(at, sum(of_late) / len(of_late), int(delivered), waits=has >= tcp))
            delivered, look_at = 0.0, at + LOOK_S + line.missed_s(at)
    return found


Kind = Literal["even", "long tail", "on and off", "rare and long"]


def lateness(kind: Kind, mean_s: float, holds_s: float, seed: int) -> At:
    """Answers that come late by `mean_s` on average, in one of four ways; each value holds for `holds_s`."""
    dice, values = random.Random(seed), list[float]()

    def one() -> float:
        if kind == "even":
            return dice.uniform(0, 2 * mean_s)
        if kind == "long tail":
            return dice.expovariate(1 / mean_s)
        if kind == "on and off":
            return dice.choice((0.0, 2 * mean_s))
        return 10 * mean_s if dice.random() < 0.1 else 0.0

    def at(when: float) -> float:
        while len(values) <= when / holds_s:
            values.append(one())
        return values[int(when / holds_s)]

    return at
