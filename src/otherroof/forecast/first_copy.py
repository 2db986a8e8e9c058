"""How far a first copy is, and how many more nights it takes: from what is left and what each night brought.

Arithmetic only. It knows no clock and no run: nights come as bytes, one figure each; nights go out. What window and
limits leave of a night is reckoned here too, so that the date follows the settings and not only the past.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from otherroof.forecast.planning.open_hours import OpenHours
from otherroof.forecast.student import standard_errors

# Two nights say nothing yet of how much nights differ.
LEAST_NIGHTS = 3
# Of a line that has become faster or slower the older nights say little.
MOST_NIGHTS = 14


@dataclass(frozen=True, slots=True)
class NightsLeft:
    """Further nights until a first copy is whole: most likely, fewest and most (None: at this pace perhaps never).

    `mean` is the bytes of a night. Fewest and most belong to the ends of the 95 % interval of that mean.
    """

    mean: float
    likely: int
    fewest: int
    most: int | None


@dataclass(frozen=True, slots=True)
class NightRoom:
    """What window and limits leave of the nights to come: how many seconds of a run, and at most how many bytes."""

    seconds: float
    most: float = math.inf

    def brings(self, sent: float, took_s: float, *, filled: bool) -> float:
        """What a run that sent so many bytes in `took_s` seconds would send now. One that had `filled` its time, and
        ended with its window, sends in proportion to the time that there is now; no run more than the limits let."""
        if filled and took_s > 0:
            sent = sent * self.seconds / took_s
        return min(sent, self.most)


def night_room(begin: datetime, hours: OpenHours) -> NightRoom:
    """The room of a run that is due at `begin`, by window and limits; a day without a window."""
    until = begin + timedelta(days=1)
    if hours.stretch is not None:
        begin = hours.stretch.next_open(begin, hours.zone)
        until = hours.stretch.open_until(begin, hours.zone) or begin
    seconds = (until - begin).total_seconds()
    most = 0.0
    while begin < until:
        limit, change = hours.limit(begin), hours.next_change(begin)
        if not limit:
            return NightRoom(seconds)
        upto = until if change is None else min(change, until)
        most += limit * 1e6 / 8 * (upto - begin).total_seconds()
        begin = upto
    return NightRoom(seconds, most)


def mean_and_margin(values: Sequence[float]) -> tuple[float, float]:
    """The mean of at least two values, and by how much the true mean may differ from it, with a chance of 95 %.

    Formula: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.2 (from memory): t · s / √n with n - 1 degrees of
    freedom.
    """
    count = len(values)
    mean = math.fsum(values) / count
    spread = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (count - 1))
    return mean, standard_errors(count - 1) * spread / math.sqrt(count)


def nights_left(nights: Sequence[float], left: float) -> NightsLeft | None:
    """How many more nights `left` bytes take, by what the last nights brought, in bytes, oldest first.

    A night that brought nothing is a 0 among them. None with fewer than LEAST_NIGHTS, or if they brought nothing.
    """
    nights = nights[-MOST_NIGHTS:]
    if len(nights) < LEAST_NIGHTS:
        return None
    mean, margin = mean_and_margin(nights)
    if mean <= 0:
        return None
    slow = mean - margin
    return NightsLeft(
        mean=mean,
        likely=math.ceil(left / mean),
        fewest=math.ceil(left / (mean + margin)),
        most=math.ceil(left / slow) if slow > 0 else None,
    )
