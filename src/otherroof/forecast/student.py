"""Student's t distribution: how many standard errors around a figure hold the truth with a chance of 95 %.

Arithmetic only. A standard error that was itself taken from few readings may be far too small by chance; two of them,
as for many readings, would hold the truth in only 86 of 100 cases with five readings and a line through them.
"""

from __future__ import annotations

import math
from functools import lru_cache

SURE = 0.95


def chance_within(t: float, freedom: int) -> float:
    """The chance that a value of Student's distribution with `freedom` degrees of freedom lies from -t to t.

    Formula: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4 (from memory; checked in
    tests/outside).
    """
    angle = math.atan(t / math.sqrt(freedom))
    sine, cosine = math.sin(angle), math.cos(angle)
    odd = freedom % 2
    # Odd: cos + 2/3 cos³ + 2·4/(3·5) cos⁵ + …; even: 1 + 1/2 cos² + 1·3/(2·4) cos⁴ + …; up to the power freedom - 2.
    total, term = 0.0, cosine if odd else 1.0
    for power in range(2 + odd, freedom + 1, 2):
        total += term
        term *= cosine * cosine * (power - 1) / power
    return 2 / math.pi * (angle + sine * total) if odd else sine * total


@lru_cache(maxsize=512)
def standard_errors(freedom: int) -> float:
    """How many standard errors on both sides hold the truth with a chance of 95 %, to nine figures."""
    low, high = 0.0, 13.0  # the most, 12.706, is that of a single degree of freedom
    while high - low > 1e-9:
        half = (low + high) / 2
        low, high = (half, high) if chance_within(half, freedom) < SURE else (low, half)
    return high
