"""How many more nights a first copy takes: from what is left and what each night brought."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.copying.report import WINDOW_ENDED
from otherroof.forecast.first_copy import LEAST_NIGHTS, MOST_NIGHTS, NightRoom, night_room, nights_left
from otherroof.forecast.planning.open_hours import HourlyLimit, OpenHours
from otherroof.watch.first_copy import FirstCopy, first_copy_text
from support.watching import DAY, HOUR, NOW, ZONE, Night, job, row

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


AT = NOW + HOUR  # 09:30 on the household's wall


def test_a_night_s_room_is_from_when_its_run_is_due_to_the_end_of_its_window() -> None:
    assert night_room(AT, OpenHours(ZONE, "09:00-12:00")).seconds == 2.5 * 3600
    assert night_room(AT, OpenHours(ZONE, "22:00-04:00")).seconds == 6 * 3600
    assert night_room(AT, OpenHours(ZONE)).seconds == 24 * 3600


def test_limits_let_so_many_bytes_through_a_night_and_none_let_any() -> None:
    limits = (HourlyLimit({"22:00-23:00": 8.0}, 4.0),)
    # By hand: an hour at 8 Mbit/s and five at 4.
    assert night_room(AT, OpenHours(ZONE, "22:00-04:00", limits)).most == pytest.approx(
        (1 * 8 + 5 * 4) * 1e6 / 8 * 3600
    )
    assert night_room(AT, OpenHours(ZONE, "22:00-04:00")).most == float("inf")
    # An hour without a limit leaves the night without one.
    assert night_room(AT, OpenHours(ZONE, "22:00-04:00", (HourlyLimit({"22:00-23:00": 8.0}),))).most == float("inf")


def test_a_run_that_filled_its_time_sends_in_proportion_to_the_time_there_is() -> None:
    room = NightRoom(3600.0, 20 * GB)
    assert room.brings(10 * GB, 7200.0, filled=True) == 5 * GB
    assert room.brings(10 * GB, 7200.0, filled=False) == 10 * GB
    assert room.brings(30 * GB, 3600.0, filled=False) == 20 * GB


def first_copy(room: NightRoom | None) -> FirstCopy:
    """Eight nights of five hours that each brought 5 GB of 90, and which their window ended."""
    night = Night("cut", sent=5 * 10**9, reason=WINDOW_ENDED, total_s=5 * 3600)
    runs = tuple(row(NOW - back * DAY - 8 * HOUR, night) for back in range(8))
    found = job(newest=None, runs=runs, room=room).copy_under_way(NOW, ZONE)
    assert found is not None and found.left is not None
    return found


def test_the_date_of_a_first_copy_follows_a_window_or_a_limit_that_was_changed() -> None:
    before, same = first_copy(None), first_copy(NightRoom(5 * 3600))
    assert before.left is not None and before.left.likely == 10
    assert same.left == before.left and not same.otherwise
    assert "if the nights stay like that" in first_copy_text(same, NOW, ZONE)
    longer = first_copy(NightRoom(10 * 3600))
    assert longer.left is not None and longer.left.likely == 5
    capped = first_copy(NightRoom(5 * 3600, 10**9))
    assert capped.left is not None and capped.left.likely == 50
    said = first_copy_text(capped, NOW, ZONE)
    # What the nights brought is told as it was.
    assert "the last 8 nights brought 5.00 GB each on average, 1.00 GB by window and limits as they are now" in said
    assert "whole about 25 April 2031 by that" in said
