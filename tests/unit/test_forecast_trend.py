"""What can go wrong when a household is told the day its far disk will be full."""

from __future__ import annotations

import pytest
from scipy import stats

from otherroof.forecast.line import fit
from otherroof.forecast.trend import days_until_full, growth_a_week

GB = 1e9


def steady(days: int, a_day: float, start: float = 500 * GB) -> list[tuple[float, float]]:
    return [(float(day), start + a_day * day) for day in range(days)]


def test_steady_growth_gives_the_day() -> None:
    fill = days_until_full(steady(30, 2 * GB), 1000 * GB)
    assert fill is not None
    assert fill.days == pytest.approx((500 - 58) / 2)
    assert fill.soonest == pytest.approx(fill.days)


def test_noise_widens_the_span_on_both_sides() -> None:
    points = [(day, used + (3 * GB if int(day) % 2 else -3 * GB)) for day, used in steady(30, 2 * GB)]
    fill = days_until_full(points, 1000 * GB)
    assert fill is not None
    # The line by scipy; t of 28 degrees of freedom is 2.048407 (published tables: 2.048).
    reference = stats.linregress([day for day, _ in points], [used for _, used in points])
    margin = 2.0484071 * reference.stderr
    left = 1000 * GB - max(points[-1][1], reference.intercept + 29 * reference.slope)
    assert fill.days == pytest.approx(left / reference.slope, rel=1e-9)
    # These medians are surer than least squares, so theirs is the narrower range.
    assert fill.soonest == pytest.approx(left / (reference.slope + margin), rel=1e-7)
    assert fill.latest == pytest.approx(left / (reference.slope - margin), rel=1e-7)


def test_one_great_heap_brings_the_day_nearer_and_the_range_still_holds_that_of_the_other_nights() -> None:
    points = [(day, used + (200 * GB if day >= 30 else 0)) for day, used in steady(60, 1 * GB)]
    fill = days_until_full(points, 1000 * GB)
    assert fill is not None
    medians = stats.theilslopes([used for _, used in points], [day for day, _ in points], 0.95)
    left = 1000 * GB - max(points[-1][1], medians.intercept + 59 * medians.slope)
    assert (fill.readings, fill.by_medians) == (60, pytest.approx(medians.slope))
    assert fill.latest == pytest.approx(left / medians.low_slope, rel=1e-9)
    assert fill.by_squares > 3 * GB
    assert fill.soonest < fill.days < 241 - 60 < fill.latest


def test_medians_that_may_also_stand_still_leave_the_latest_day_open() -> None:
    points = [(float(day), 500 * GB + (300 * GB if day >= 27 else 0)) for day in range(30)]
    fill = days_until_full(points, 1000 * GB)
    assert fill is not None
    assert fill.by_medians == 0
    assert fill.latest is None


@pytest.mark.parametrize("a_day", [0.0, -1 * GB])
def test_a_disk_that_does_not_fill_gets_no_day(a_day: float) -> None:
    assert days_until_full(steady(30, a_day), 1000 * GB) is None


def test_noise_without_growth_gets_no_day() -> None:
    points = [(float(day), 500 * GB + (5 * GB if day % 2 else 0)) for day in range(30)]
    assert days_until_full(points, 1000 * GB) is None


def test_three_days_of_history_do_not_carry_a_forecast() -> None:
    assert days_until_full(steady(3, 2 * GB), 1000 * GB) is None
    assert days_until_full([(day / 10, used) for day, used in steady(30, 2 * GB)], 1000 * GB) is None


def test_a_recent_heavy_night_is_not_averaged_away() -> None:
    points = [*steady(29, 1 * GB), (29.0, 900 * GB)]
    fill = days_until_full(points, 1000 * GB)
    slope = stats.linregress([day for day, _ in points], [used for _, used in points]).slope
    assert fill is not None
    assert fill.days == pytest.approx(100 * GB / slope, rel=1e-9)


def test_a_disk_that_is_over_full_has_no_days_left() -> None:
    fill = days_until_full(steady(30, 2 * GB), 510 * GB)
    assert fill is not None
    assert fill.days == 0


def test_all_readings_at_one_moment_are_no_line() -> None:
    assert fit([(1.0, 1.0), (1.0, 2.0), (1.0, 3.0)]) is None


def test_nights_that_shrink_are_told_too() -> None:
    assert growth_a_week([400.0 - 10 * night for night in range(21)]) == pytest.approx(-70)


def test_two_weeks_are_wanted_and_enough_for_nights_and_five_readings_over_six_days_for_a_disk() -> None:
    assert growth_a_week([100.0 + 10 * night for night in range(13)]) is None
    assert growth_a_week([100.0 + 10 * night for night in range(14)]) == pytest.approx(70)
    assert days_until_full([(1.5 * step, 1.0 + step) for step in range(5)], 100.0) is not None
    assert days_until_full([(1.49 * step, 1.0 + step) for step in range(5)], 100.0) is None
    assert days_until_full([(3.0 * step, 1.0 + step) for step in range(4)], 100.0) is None


def test_nights_that_grow_are_told_by_the_week() -> None:
    assert growth_a_week([100.0 + 10 * night for night in range(21)]) == pytest.approx(70)
    assert growth_a_week([100.0] * 21) is None
    assert growth_a_week([100.0, 300.0] * 14) is None
    assert growth_a_week([100.0 + 10 * night for night in range(10)]) is None


def test_room_that_was_made_once_leaves_the_soonest_day_that_of_the_other_nights() -> None:
    """By least squares alone the disk would grow slower than on any night, and be full before the soonest day."""
    points = [(day, used - (20 * GB if day >= 45 else 0)) for day, used in steady(60, 5 * GB)]
    fill = days_until_full(points, 1000 * GB)
    assert fill is not None
    assert fill.by_squares < 4.7 * GB
    assert fill.soonest == pytest.approx((1000 - 500 - 5 * 59) / 5)
