"""Courtesy beside a busy processor: answers that come late for another reason than a queue must not stop a copy, and a
real queue must be kept short nevertheless. On a model of line and lateness."""

from __future__ import annotations

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from otherroof.far.courtesy import Courtesy
from support.busy_line import BusyLine, Kind, Ride, lateness, ride

ALLOWED_S = 0.040
BEGINS_S = 5.0  # so long nothing is late: what the line is by itself is known
KINDS: tuple[Kind, ...] = ("even", "long tail", "on and off", "rare and long")


def sent_over(line: BusyLine, seconds: float = 60.0) -> Ride:
    return ride(line, seconds, Courtesy(ALLOWED_S))


@pytest.mark.parametrize("late_s", [0.030, 0.100, 0.500])
def test_answers_that_are_all_equally_late_cost_a_quarter_of_the_rate_at_most(late_s: float) -> None:
    """As of a far box that is slow, or a route that is longer now. A part is left, since it might be others."""
    found = sent_over(BusyLine(late_s=lambda at: late_s if at > BEGINS_S else 0.0), 90.0)
    assert found.share(20.0, 90.0) > 0.68
    assert found.least_share(20.0, 10.0) > 0.60, "no collapse later on"


@pytest.mark.parametrize(("kind", "mean_s"), [("even", 0.020), ("long tail", 0.020), ("rare and long", 0.020)])
def test_answers_of_which_some_are_late_cost_a_tenth_at_most(kind: Kind, mean_s: float) -> None:
    found = sent_over(BusyLine(late_s=lateness(kind, mean_s, 0.05, seed=1)))
    assert found.share(5.0, 60.0) > 0.90
    assert found.queue_s(0.95, 5.0, 60.0) < ALLOWED_S, "ours is still seen behind them"


@settings(max_examples=8, deadline=None)
@given(
    kind=st.sampled_from(KINDS),
    mean_s=st.floats(0.005, 0.050),
    holds_s=st.floats(0.02, 5.0),
    seed=st.integers(0, 1000),
)
@example(kind="even", mean_s=0.040, holds_s=0.2, seed=3)
@example(kind="long tail", mean_s=0.040, holds_s=1.0, seed=3)
def test_however_late_answers_come_a_copy_does_not_all_but_stop(
    kind: Kind, mean_s: float, holds_s: float, seed: int
) -> None:
    found = sent_over(BusyLine(late_s=lateness(kind, mean_s, holds_s, seed)))
    assert found.share(5.0, 60.0) > 0.25


def test_home_that_has_nothing_to_send_for_moments_gets_back_to_what_it_can_send_each_time() -> None:
    line = BusyLine()
    has = lateness("on and off", line.rate, 0.3, seed=2)  # as much as twice the line, or nothing
    line.data = lambda at: has(at) + 0.1 * line.rate
    line.late_s = lateness("even", 0.020, 0.05, seed=3)
    found = sent_over(line)
    could = sum(min(1.0, line.data(n / 10) / line.rate) for n in range(50, 600)) / 550
    assert found.share(5.0, 60.0) > 0.85 * could
    assert found.queue_s(0.95, 5.0, 60.0) < ALLOWED_S


@pytest.mark.parametrize("part", [0.0, 0.3, 0.5, 0.7, 0.8])
def test_a_real_queue_is_kept_as_short_as_ever_whatever_others_send(part: float) -> None:
    line = BusyLine()
    line.others = lambda at: part * line.rate if at > 10.0 else 0.0
    found = sent_over(line, 75.0)
    assert found.queue_s(0.95, 15.0, 75.0) < ALLOWED_S
    assert found.share(15.0, 75.0) > 0.85 * (1 - part)


def test_a_real_queue_behind_late_answers_is_bounded() -> None:
    line = BusyLine(late_s=lambda at: 0.100 if at > BEGINS_S else 0.0, deep_s=1.0)
    line.others = lambda at: 0.5 * line.rate if at > 30.0 else 0.0
    found = sent_over(line, 90.0)
    assert found.queue_s(0.95, 35.0, 90.0) < 2 * ALLOWED_S
    assert found.share(35.0, 90.0) > 0.35


def test_looks_that_come_late_themselves_change_little() -> None:
    missed = lateness("on and off", 0.15, 0.1, seed=5)
    found = sent_over(BusyLine(late_s=lateness("even", 0.020, 0.05, seed=4), missed_s=missed))
    assert found.share(5.0, 60.0) > 0.85
    assert found.queue_s(0.95, 5.0, 60.0) < 2 * ALLOWED_S


def test_lateness_that_ends_is_forgotten_and_the_line_is_used_in_full_again() -> None:
    late = lateness("even", 0.080, 0.2, seed=6)
    found = sent_over(BusyLine(late_s=lambda at: late(at) if BEGINS_S < at < 40.0 else 0.0), 90.0)
    assert found.share(65.0, 90.0) > 0.95
    assert found.queue_s(0.95, 65.0, 90.0) < ALLOWED_S


def test_lateness_that_is_not_our_doing_counts_as_the_lines_own_for_what_is_read() -> None:
    """What is read looks at its own round trips: each that is later than this is held against it."""
    courtesy = Courtesy(ALLOWED_S)
    ride(BusyLine(late_s=lambda at: 0.100 if at > BEGINS_S else 0.0), 90.0, courtesy)
    assert courtesy.own_trip_s() == pytest.approx(courtesy.floor_s() + 0.100, abs=0.02)
