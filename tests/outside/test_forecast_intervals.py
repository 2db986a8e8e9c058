"""The span of a fill date and what counts as unusual, against published tables of statistics."""

from __future__ import annotations

import math

import pytest
from scipy import stats

from otherroof.forecast.first_copy import mean_and_margin
from otherroof.forecast.student import chance_within, standard_errors
from otherroof.forecast.trend import days_until_full, growth_a_week
from otherroof.watch.unusual import FAR_ABOVE, stands_out
from support.outside import outside


@outside(
    "NIST/SEMATECH e-Handbook of Statistical Methods", "1.3.6.7.2, upper critical values of Student's t, 0.025",
    "standard errors on both sides for 95 %", value="read", each=True,
)  # fmt: skip
@pytest.mark.parametrize(
    ("freedom", "published"),
    [(1, 12.706), (2, 4.303), (3, 3.182), (4, 2.776), (5, 2.571), (10, 2.228), (28, 2.048), (30, 2.042), (60, 2.000),
     (100, 1.984)],
)  # fmt: skip
def test_standard_errors_are_those_of_the_published_table(freedom: int, published: float) -> None:
    assert round(standard_errors(freedom), 3) == published


@outside("SciPy", "scipy.stats.t", "Student's distribution for every count of readings in a year", value="recomputed")
def test_every_number_of_readings_agrees_with_scipy() -> None:
    for freedom in range(1, 366):
        assert standard_errors(freedom) == pytest.approx(stats.t.ppf(0.975, freedom), abs=2e-9)
        assert chance_within(2.0, freedom) == pytest.approx(2 * stats.t.cdf(2.0, freedom) - 1, abs=1e-12)


@outside(
    "NIST/SEMATECH e-Handbook of Statistical Methods", "4.1.4.1, confidence limits of a slope",
    "likely day that a disk is full, with five readings; never a narrower span",
    value="recomputed",
)  # fmt: skip
@outside(
    "scipy", "stats.theilslopes, method separate",
    "soonest and latest day that a disk is full, with five readings", value="recomputed",
)  # fmt: skip
def test_five_readings_give_the_span_of_students_t_widened_by_that_of_the_line_of_medians() -> None:
    gb = 1e9
    points = [(0.0, 100 * gb), (2.0, 105 * gb), (4.0, 107 * gb), (6.0, 113 * gb), (8.0, 116 * gb)]
    # By hand: mean day 4, Σ(x-4)² = 40, Σ(x-4)(y-ȳ) = 80 GB, slope 2 GB a day; residuals -0.2 0.8 -1.2 0.8 -0.2 GB,
    # Σ = 2.8, over 3 degrees of freedom and 40: standard error 0.152753 GB a day; t = 3.182446.
    margin = 3.182446 * math.sqrt(2.8 / 3 / 40)
    fill = days_until_full(points, 200 * gb)
    assert fill is not None
    left = 200 - 116.2  # the line stands at 116.2 GB on the last day
    assert fill.days == pytest.approx(left / 2, rel=1e-9)
    medians = stats.theilslopes([y / gb for _, y in points], [x for x, _ in points], 0.95, method="separate")
    left_by_medians = 200 - max(116.0, medians.intercept + medians.slope * 8)
    assert fill.soonest == pytest.approx(min(left / (2 + margin), left_by_medians / medians.high_slope), rel=1e-6)
    assert fill.latest == pytest.approx(max(left / (2 - margin), left_by_medians / medians.low_slope), rel=1e-6)


@outside(
    "NIST/SEMATECH e-Handbook of Statistical Methods", "4.1.4.1, confidence limits of a slope",
    "soonest and latest day that a disk is full, if one heap turns least squares and not the medians",
    value="recomputed",
)  # fmt: skip
def test_a_heap_that_came_once_widens_the_span_to_that_of_students_t() -> None:
    days = [2.0 * day for day in range(14)]
    used = [
        100 + 2 * day + (0.1 if number % 2 else -0.1) + (12 if number in (5, 8) else 0)
        for number, day in enumerate(days)
    ]
    fill = days_until_full([(day, 1e9 * gb) for day, gb in zip(days, used, strict=True)], 400e9)
    assert fill is not None
    line = stats.linregress(days, used)
    margin = stats.t.ppf(0.975, 12) * line.stderr
    left = 400 - max(used[-1], line.intercept + line.slope * days[-1])
    assert fill.soonest == pytest.approx(left / (line.slope + margin), rel=1e-6)
    assert fill.latest == pytest.approx(left / (line.slope - margin), rel=1e-6)


@outside(
    "NIST/SEMATECH e-Handbook of Statistical Methods", "1.3.6.7.2 with 3 and 12 degrees of freedom",
    "growth between two standard errors and the published ones is no statement", value="read",
)  # fmt: skip
def test_growth_of_two_and_a_half_standard_errors_says_nothing_with_five_readings_and_something_with_fifty() -> None:
    for count, told in ((5, False), (50, True)):
        zigzag = [(2.0 * day, 1.0 if day % 2 else -1.0) for day in range(count)]
        mean = math.fsum(x for x, _ in zigzag) / count
        spread = math.fsum((x - mean) ** 2 for x, _ in zigzag)
        bent = math.fsum((x - mean) * y for x, y in zigzag) / spread
        left = math.fsum((y - bent * (x - mean) - math.fsum(v for _, v in zigzag) / count) ** 2 for x, y in zigzag)
        error = math.sqrt(left / (count - 2) / spread)
        grown = [(x, 100 + y + (2.5 * error - bent) * x) for x, y in zigzag]
        assert (days_until_full(grown, 1e6) is not None) is told
    nights = [100.0 + (3.0 if night % 2 else -3.0) for night in range(14)]
    assert growth_a_week(nights) is None


@outside(
    "Rousseeuw and Croux, JASA 1993", "§1, the median absolute deviation times 1.4826",
    "how far above its middle a night is unusual", value="from memory, recomputed",
)  # fmt: skip
def test_the_deviation_is_scaled_as_for_normal_values() -> None:
    scale = 1 / stats.norm.ppf(0.75)
    assert round(scale, 4) == 1.4826
    history = [8.0, 9.0, 10.0, 11.0, 12.0]  # median 10, deviations 2 1 0 1 2, their median 1
    border = 10 + FAR_ABOVE * scale
    assert not stands_out(border - 0.001, history, 0.0)
    assert stands_out(border + 0.001, history, 0.0)


@outside(
    "SciPy", "scipy.stats.t.interval and scipy.stats.sem", "range of a night's mean, for the day a first copy is whole",
    value="recomputed",
)  # fmt: skip
def test_the_range_of_the_mean_of_some_nights_agrees_with_scipy() -> None:
    for nights in ([21.0, 24.5, 19.0], [23.1, 0.0, 22.4, 25.0, 18.9, 24.0], [float(n * n % 17) for n in range(14)]):
        mean, margin = mean_and_margin(nights)
        low, high = stats.t.interval(0.95, len(nights) - 1, loc=mean, scale=stats.sem(nights))
        assert (mean - margin, mean + margin) == pytest.approx((low, high), abs=1e-7)
