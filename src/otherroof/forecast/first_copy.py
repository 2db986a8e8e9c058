"""How far a first copy is, and how many more nights it takes: from what is left and what each night brought.

Arithmetic only. It knows no clock, no run and no window: nights come as bytes, one figure each; nights go out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

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
