"""Straight lines, by least squares and by medians, against the NIST reference data set Norris and against scipy."""

from __future__ import annotations

import random

import pytest
from scipy import stats

from otherroof.forecast.line import fit
from otherroof.forecast.theil_sen import median_line
from support.outside import outside

# NIST Statistical Reference Datasets (StRD), linear regression, data set "Norris": 36 observations of a study of
# ozone monitors, certified values to 15 figures. https://www.itl.nist.gov/div898/strd/lls/data/Norris.shtml
NORRIS = """
0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3  449.1 448.6
778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5  10.8 11.6
557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8  339.3 339.1
888.0 887.2  998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3  228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5
"""


def norris() -> list[tuple[float, float]]:
    numbers = [float(word) for word in NORRIS.split()]
    return [(x, y) for y, x in zip(numbers[::2], numbers[1::2], strict=True)]


@outside(
    "NIST StRD", "Linear regression, Norris", "the straight line and the standard error of its slope", value="read"
)
def test_norris_comes_out_as_certified() -> None:
    points = norris()
    assert len(points) == 36
    line = fit(points)
    assert line is not None
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.slope_error == pytest.approx(0.429796848199937e-03, rel=1e-11)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-11)


@outside("SciPy", "scipy.stats.linregress", "the straight line through readings of a disk", value="recomputed")
def test_days_and_bytes_of_a_real_disk_agree_with_scipy() -> None:
    chance = random.Random(7)
    points = [(20_500.0 + day, 1.8e12 + 2.1e9 * day + chance.gauss(0, 4e9)) for day in range(60)]
    line = fit(points)
    reference = stats.linregress([x for x, _ in points], [y for _, y in points])
    assert line is not None
    assert line.slope == pytest.approx(reference.slope, rel=1e-9)
    assert line.slope_error == pytest.approx(reference.stderr, rel=1e-9)
    assert line.intercept == pytest.approx(reference.intercept, rel=1e-9)


@outside(
    "SciPy",
    "scipy.stats.theilslopes, 95 %, on NIST StRD Norris",
    "the line of medians and its interval",
    value="recomputed",
)
def test_line_of_medians_through_norris() -> None:
    line = median_line(norris())
    reference = stats.theilslopes([y for _, y in norris()], [x for x, _ in norris()], 0.95)
    assert line is not None
    assert line.slope == pytest.approx(1.0021968365553604, rel=1e-12)
    assert (line.least, line.most) == pytest.approx((1.0011153245594469, 1.0030534351145037), rel=1e-12)
    assert line.intercept == pytest.approx(-0.0640158172232077, rel=1e-9)
    assert (line.slope, line.intercept, line.least, line.most) == pytest.approx(tuple(reference), rel=1e-9)


@outside("SciPy", "scipy.stats.theilslopes", "the line of medians through readings of a disk", value="recomputed")
@pytest.mark.parametrize("seed", range(8))
def test_line_of_medians_agrees_with_scipy_with_ties_and_odd_ones(seed: int) -> None:
    chance = random.Random(seed)
    # Whole days, some of them twice, and gigabytes: so there are ties both ways.
    points = [
        (float(chance.randrange(5 + 5 * seed)), round(chance.gauss(0, 4)) + 2.0 * chance.choice([1, 1, 1, 30]))
        for _ in range(30)
    ]
    line = median_line(points)
    reference = stats.theilslopes([y for _, y in points], [x for x, _ in points], 0.95)
    assert line is not None
    assert (line.slope, line.intercept, line.least, line.most) == pytest.approx(tuple(reference), rel=1e-9, abs=1e-9)


@outside(
    "Sen, JASA 63 (1968)",
    "robustness",
    "one great clearing-up turns least squares and not the medians",
    value="recomputed",
)
def test_one_odd_reading_does_not_turn_the_line_of_medians() -> None:
    points = [(float(day), 100.0 + 2.0 * day) for day in range(30)]
    points[20] = (20.0, 0.0)
    medians, squares = median_line(points), fit(points)
    assert medians is not None
    assert squares is not None
    assert medians.slope == pytest.approx(2.0)
    assert abs(squares.slope - 2.0) > 0.1
