"""How fast something goes and how long it takes still, from looks now and then."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.forecast.pace import KNOWN_AFTER_S, OVER_S, RecentPace


def looks(*pairs: tuple[float, float]) -> RecentPace:
    pace = RecentPace()
    for moment, count in pairs:
        pace.look(moment, count)
    return pace


def test_an_even_pace_leaves_no_range() -> None:
    pace = looks(*((second, 100.0 * second) for second in range(61)))
    assert pace.seconds == OVER_S
    assert pace.gained() == pytest.approx(3000)
    left = pace.left(500)
    assert left is not None
    assert (left.least, left.most) == pytest.approx((5, 5))


def test_the_fastest_and_the_slowest_ten_seconds_are_the_range() -> None:
    pace = looks((0, 0), (10, 100), (20, 300), (30, 700))
    left = pace.left(4000)
    assert left is not None
    assert (left.least, left.most) == pytest.approx((4000 / 40, 4000 / 10))


def test_what_was_long_ago_counts_no_more() -> None:
    assert looks((0, 0), (100, 1_000_000), (115, 1_000_000), (130, 1_000_030)).gained() == pytest.approx(30)


def test_ten_seconds_without_anything_leave_the_end_open() -> None:
    left = looks((0, 0), (10, 100), (20, 100), (30, 200)).left(100)
    assert left is not None
    assert left.most == math.inf
    assert left.least == pytest.approx(10)


def test_ten_seconds_with_next_to_nothing_are_a_pause_and_no_pace() -> None:
    left = looks((0, 0), (10, 1000), (20, 1001), (30, 2000)).left(6000)
    assert left is not None
    assert left.most == math.inf, "not an hour and forty minutes for what takes two"
    slow = looks((0, 0), (10, 1000), (20, 1200), (30, 2000)).left(6000)
    assert slow is not None
    assert slow.most == pytest.approx(6000 / 20)


@pytest.mark.parametrize(
    "pairs",
    [(), ((0, 5),), ((0, 0), (KNOWN_AFTER_S - 1, 50)), ((0, 50), (20, 50))],
    ids=["none", "one", "soon", "idle"],
)
def test_too_little_tells_nothing_of_the_time_left(pairs: tuple[tuple[float, float], ...]) -> None:
    assert looks(*pairs).left(100) is None


def test_what_was_counted_before_it_began_does_not_count() -> None:
    pace = looks((0, 0), (20, 5000))
    pace.begin()
    pace.look(21, 0)
    assert (pace.seconds, pace.gained(), pace.left(10)) == (0, 0, None)


def test_a_clock_or_a_count_that_goes_back_is_not_looked_at() -> None:
    pace = looks((0, 10), (10, 20), (5, 30), (20, 15), (30, 40))
    assert pace.gained() == 30


@given(st.lists(st.tuples(st.floats(0.1, 20), st.integers(0, 10**9)), min_size=1, max_size=60), st.integers(1, 10**12))
def test_the_range_holds_what_the_whole_half_minute_says(steps: list[tuple[float, int]], remaining: int) -> None:
    pace = RecentPace()
    moment = count = 0.0
    for seconds, more in steps:
        pace.look(moment, count)
        moment, count = moment + seconds, count + more
    left = pace.left(remaining)
    if left is not None:
        at_the_mean = remaining * pace.seconds / pace.gained()
        assert left.least <= at_the_mean * (1 + 1e-6)
        assert at_the_mean <= left.most * (1 + 1e-6)
