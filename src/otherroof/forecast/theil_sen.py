"""A straight line through points that a few odd ones do not turn: the median of the slopes between all pairs.

Arithmetic only. It stands beside least squares, which one heavy night or one great clearing-up can turn; the interval
of the slope is Sen's (checked against scipy and the NIST reference data set Norris in tests/outside).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from otherroof.forecast.student import SURE


@dataclass(frozen=True, slots=True)
class MedianLine:
    """y = intercept + slope · x; the true slope lies from `least` to `most` with a chance of 95 %."""

    slope: float
    intercept: float
    least: float
    most: float

    def at(self, x: float) -> float:
        """The line's height over `x`."""
        return self.intercept + self.slope * x


def median_line(points: Sequence[tuple[float, float]]) -> MedianLine | None:
    """The line of Theil (1950) and Sen (JASA 63, 1968) through `points` (x, y); None for fewer than three, or all at
    one x.

    The intercept is the median of y less the slope times the median of x. The interval goes by the normal
    approximation for Kendall's score, with its correction for ties.
    """
    from statistics import NormalDist, median  # a hundredth of a second, of which a look without readings has no use

    count = len(points)
    slopes = sorted(
        (later[1] - earlier[1]) / (later[0] - earlier[0])
        for place, earlier in enumerate(points)
        for later in points[place + 1 :]
        if later[0] != earlier[0]
    )
    if count < 3 or not slopes:
        return None
    slope = median(slopes)
    intercept = median(y for _, y in points) - slope * median(x for x, _ in points)
    # Sen 1968, equation 2.6: the variance of the score, less what ties in x and in y take from it.
    variance = (_score(count) - _ties(x for x, _ in points) - _ties(y for _, y in points)) / 18
    margin = NormalDist().inv_cdf((1 + SURE) / 2) * math.sqrt(max(0.0, variance))
    upper = min(round((len(slopes) + margin) / 2), len(slopes) - 1)
    lower = max(round((len(slopes) - margin) / 2) - 1, 0)
    return MedianLine(slope, intercept, slopes[lower], slopes[upper])


def _score(count: int) -> float:
    return count * (count - 1) * (2 * count + 5)


def _ties(values: Iterable[float]) -> float:
    return sum(_score(times) for times in Counter(values).values())
