"""What a round trip is made of: the line, its queue, answers that come late, answers that were held back."""

from __future__ import annotations

import pytest

from otherroof.far.round_trips import OfLate, RoundTrips, Trip, least_of, may_be_held_back_s


@pytest.mark.parametrize(
    ("arrived", "packet", "held_back_s"),
    [
        (62_500, 1400, 0.1 * 1400 / 62_500),  # a fourth of 20 Mbit/s: 45 packets, 2 ms from one to the next
        (2_800, 1400, 0.040),  # one each 50 ms: it is answered after 40
        (65_483, 65_483, 0.040),  # over loopback packets are that large
        (0, 1400, 0.040),
    ],
)
def test_the_far_end_may_hold_an_answer_back_until_the_next_packet_but_not_for_more_than_40_ms(
    arrived: int, packet: int, held_back_s: float
) -> None:
    assert may_be_held_back_s(0.1, arrived, packet) == pytest.approx(held_back_s)


def test_the_least_of_all_connections_counts_but_only_those_that_carry_much_are_sure() -> None:
    busy, idle = Trip(60_000, 0.120, 0.002), Trip(60, 0.050, 0.040)
    assert least_of([busy, Trip(40_000, 0.110, 0.003), idle]) == pytest.approx((0.050, 0.107))


def test_one_connection_that_is_slower_than_the_others_shows_no_queue() -> None:
    seen_s, sure_s = least_of([Trip(50_000, 0.300), Trip(40_000, 0.041), Trip(45_000, 0.150)])
    assert (seen_s, sure_s) == (0.041, 0.041)


def noted(*delays: float) -> RoundTrips:
    trips = RoundTrips()
    trips.note(0.0, 0.040, 0.040)
    for number, delay in enumerate(delays, 1):
        trips.note(number / 10, 0.040 + delay, 0.040 + delay)
    return trips


def test_two_late_answers_may_be_a_queue_and_four_are_one() -> None:
    assert (noted(0.1).soon_s, noted(0.1).stands_s) == (0, 0)
    assert noted(0.1, 0.2).soon_s == pytest.approx(0.1)
    assert noted(0.1, 0.2).stands_s == 0
    assert noted(0.1, 0.2, 0.1, 0.3).stands_s == pytest.approx(0.1)
    assert noted(0.1, 0.2, 0.1, 0.3, 0.0).stands_s == 0, "one that is not late tells that none stands"


def test_what_was_held_back_counts_for_the_line_itself_but_not_as_a_queue() -> None:
    trips = RoundTrips()
    for number in range(4):
        trips.note(number / 10, 0.060, 0.020)
    assert trips.floor_s == pytest.approx(0.060), "the line may be as long as that"
    assert (trips.soon_s, trips.stands_s) == (0, 0)


def test_the_least_and_the_most_of_a_time_are_forgotten_with_it() -> None:
    least, most = OfLate(60.0, min), OfLate(60.0, max)
    for second in range(200):
        for kept in (least, most):
            kept.note(float(second), 5.0 if second < 30 else 1.0 if second < 60 else 3.0)
    assert (least.value, most.value) == (3.0, 3.0)
    least.note(201.0, 2.0)
    assert least.value == 2.0
    assert OfLate(60.0, min).value == 0.0
