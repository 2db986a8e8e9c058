"""Where two histories are heading: when a disk will be full, and whether the nights grow heavier.

Arithmetic only: numbers in, numbers out, or None if the history does not carry a statement. A slope counts
as one when its 95 % interval by Student's t distribution does not hold zero (NIST/SEMATECH e-Handbook, 4.1.4.1 and
1.3.6.7.2, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from otherroof.forecast.line import FittedLine, fit
from otherroof.forecast.student import standard_errors
from otherroof.forecast.theil_sen import median_line

# Below this a line through the points says more about chance than about growth.
LEAST_POINTS = 5
LEAST_DAYS = 6.0
# A hundred years: what lies beyond has no date. The calendar itself ends (year 9999), where adding days raises
# OverflowError.
FARTHEST_DAYS = 36_500.0


@dataclass(frozen=True, slots=True)
class FillDays:
    """Days from the last reading until a disk is full: most likely, soonest, and latest (None: perhaps never).

    `soonest` and `latest` are for the fastest and the slowest growth in the 95 % intervals of two lines' slopes, which
    are `by_squares` and `by_medians` in bytes a day, through so many `readings`.
    """

    days: float
    soonest: float
    latest: float | None
    readings: int
    by_squares: float
    by_medians: float


def days_until_full(points: Sequence[tuple[float, float]], total: float) -> FillDays | None:
    """When a disk of `total` bytes will be full, from readings (day, bytes used), oldest first.

    None if there are too few readings, or they do not show growth. Growth goes on from the last reading,
    or from the line if that stands higher, so that a recent heavy night is not averaged away. The likely day is that of
    least squares, which feel a few heavy nights at once: whoever has to buy a disk had better know too early. One great
    heap that never comes again turns them, and not the line of medians, so the range is as wide as both lines' ranges.
    """
    if len(points) < LEAST_POINTS or points[-1][0] - points[0][0] < LEAST_DAYS:
        return None
    line = fit(points)
    if line is None or line.slope <= 0:
        return None
    margin = _margin(line, len(points))
    if line.slope < margin:
        return None
    medians = median_line(points)
    if medians is None:
        return None
    last_day, last_used = points[-1]
    left = max(0.0, total - max(last_used, line.at(last_day)))
    left_by_medians = max(0.0, total - max(last_used, medians.at(last_day)))
    latest = max(_under(left, line.slope - margin), _under(left_by_medians, medians.least))
    return FillDays(
        days=left / line.slope,
        soonest=min(left / (line.slope + margin), _under(left_by_medians, medians.most)),
        latest=latest if math.isfinite(latest) else None,
        readings=len(points),
        by_squares=line.slope,
        by_medians=medians.slope,
    )


def growth_a_week(nights: Sequence[float]) -> float | None:
    """By how much the bytes of a night grow in a week, from one figure a night, oldest first.

    None if two weeks are not there yet, or the nights show no clear direction.
    """
    if len(nights) < 14:
        return None
    line = fit([(float(place), value) for place, value in enumerate(nights)])
    if line is None or abs(line.slope) < _margin(line, len(nights)) or line.slope == 0:
        return None
    return line.slope * 7


def _under(room: float, rate: float) -> float:
    """Days until so much room is full at `rate` bytes a day: with one that may also be zero, never."""
    return room / rate if rate > 0 else math.inf


def _margin(line: FittedLine, count: int) -> float:
    """By how much the true slope may differ from that of a line through `count` points, with a chance of 95 %."""
    # Two figures, slope and intercept, were taken from the points.
    return standard_errors(count - 2) * line.slope_error
