"""How many more nights a first copy takes: from what is left and what each night brought."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.forecast.first_copy import LEAST_NIGHTS, MOST_NIGHTS, nights_left

GB = 1e9


def test_nights_that_are_all_alike_leave_no_range() -> None:
    found = nights_left([20 * GB] * 5, 90 * GB)
    assert found is not None
    assert (found.mean, found.likely, found.fewest, found.most) == (20 * GB, 5, 5, 5)


def test_three_nights_give_the_range_of_their_mean() -> None:
    # By hand: mean 20, s = 2, s/√3 = 1.154701; t with 2 degrees of freedom = 4.302653: 20 ± 4.968276.
    found = nights_left([18 * GB, 22 * GB, 20 * GB], 300 * GB)
    assert found is not None
    assert (found.likely, found.fewest, found.most) == (15, 13, 20)  # 300 over 20, 24.968 and 15.032


def test_nights_that_brought_nothing_count_and_may_leave_the_end_open() -> None:
    found = nights_left([20 * GB, 0.0, 0.0, 20 * GB], 100 * GB)
    assert found is not None
    assert (found.mean, found.likely, found.most) == (10 * GB, 10, None)


def test_of_too_few_nights_or_such_as_brought_nothing_nothing_is_said() -> None:
    assert nights_left([20 * GB] * (LEAST_NIGHTS - 1), 90 * GB) is None
    assert nights_left([0.0] * 9, 90 * GB) is None


def test_nights_of_long_ago_do_not_count() -> None:
    assert nights_left([500 * GB] * 30 + [1 * GB] * MOST_NIGHTS, 10 * GB) == nights_left(
        [1 * GB] * MOST_NIGHTS, 10 * GB
    )


BYTES = st.integers(0, 10**12).map(float)


@given(st.lists(BYTES, min_size=LEAST_NIGHTS, max_size=40), BYTES, BYTES)
def test_the_range_holds_the_likely_night_and_more_to_do_never_ends_sooner(
    nights: list[float], left: float, more: float
) -> None:
    found, later = nights_left(nights, left), nights_left(nights, left + more)
    if found is None or later is None:
        assert sum(nights[-MOST_NIGHTS:]) == 0
        return
    assert found.fewest <= found.likely
    assert found.most is None or found.likely <= found.most
    assert (later.fewest, later.likely) >= (found.fewest, found.likely)
    # So many nights of the mean bring it all, and one fewer does not.
    assert found.likely * found.mean >= left * (1 - 1e-12)
    assert (found.likely - 1) * found.mean <= left * (1 + 1e-12)
    assert pytest.approx(found.mean) == sum(nights[-MOST_NIGHTS:]) / len(nights[-MOST_NIGHTS:])
