"""A straight line through points by least squares, with the standard error of its slope.

Arithmetic only. Sums are taken about the means, which keeps twelve figures where the plain sums lose them
(checked against the NIST reference data set Norris in tests/outside).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FittedLine:
    """y = intercept + slope · x, and the slope's standard error."""

    slope: float
    intercept: float
    slope_error: float

    def at(self, x: float) -> float:
        """The line's height over `x`."""
        return self.intercept + self.slope * x


def fit(points: Sequence[tuple[float, float]]) -> FittedLine | None:
    """The least-squares line through `points` (x, y); None for fewer than three, or all at one x.

    Formulas: NIST/SEMATECH e-Handbook of Statistical Methods, 4.1.4.1 (from memory), ordinary least squares.
    """
    count = len(points)
    if count < 3:
        return None
    mean_x = math.fsum(x for x, _ in points) / count
    mean_y = math.fsum(y for _, y in points) / count
    spread = math.fsum((x - mean_x) ** 2 for x, _ in points)
    if spread <= 0:
        return None
    slope = math.fsum((x - mean_x) * (y - mean_y) for x, y in points) / spread
    intercept = mean_y - slope * mean_x
    left = math.fsum((y - intercept - slope * x) ** 2 for x, y in points)
    # Two figures, slope and intercept, were taken from the points; what is left has two degrees of freedom less.
    variance = left / (count - 2)
    return FittedLine(slope, intercept, slope_error=math.sqrt(variance / spread))
