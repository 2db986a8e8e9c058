"""The rate that courtesy finds on a simulated line: one queue, a floor of round trip, other people's traffic."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from otherroof.far.courtesy import IN_DOUBT_TO, LEAST_RATE, Courtesy, Sample

STEP_S = 0.1
ALLOWED_S = 0.040


@dataclass
class Line:
    """A line of `rate` bytes a second with a round trip of `floor_s` and a queue that holds `deep_s`."""

    rate: float
    floor_s: float
    deep_s: float = 0.3
    queue: float = 0.0

    def carry(self, ours: float, others: float = 0.0) -> tuple[float, float]:
        """What of ours was delivered in one step, and the round trip at its end."""
        offered = (ours + others) * STEP_S
        out = min(self.queue + offered, self.rate * STEP_S)
        self.queue = min(max(0.0, self.queue + offered - out), self.rate * self.deep_s)
        share = ours / (ours + others) if ours + others else 0.0
        return out * share, self.floor_s + self.queue / self.rate


def ride(
    line: Line, steps: int, others: float = 0.0, courtesy: Courtesy | None = None
) -> tuple[list[float], list[float]]:
    """The share of the line used and the added delay, step by step; without a limit TCP fills the queue."""
    courtesy = courtesy or Courtesy(ALLOWED_S)
    courtesy.look(Sample(-STEP_S, line.floor_s, 0))  # logging in leaves the line empty
    shares, delays = [], []
    for step in range(steps):
        ours = courtesy.rate or line.rate * 1.5
        delivered, trip = line.carry(ours, others)
        courtesy.look(Sample(step * STEP_S, trip, int(delivered)))
        shares.append(delivered / (line.rate * STEP_S))
        delays.append(trip - line.floor_s)
    return shares, delays


@pytest.mark.parametrize(("mbit", "floor_s"), [(20, 0.040), (100, 0.020), (2, 0.060), (5, 0.010)])
def test_an_idle_line_is_nearly_filled_without_a_queue_that_is_felt(mbit: float, floor_s: float) -> None:
    shares, delays = ride(Line(mbit * 1e6 / 8, floor_s), 600)
    settled = slice(200, None)
    assert sum(shares[settled]) / len(shares[settled]) > 0.85
    late = sorted(delays[settled])
    assert late[int(len(late) * 0.95)] < ALLOWED_S


def test_it_gives_way_to_somebody_else_s_traffic() -> None:
    line, courtesy = Line(20e6 / 8, 0.040), Courtesy(ALLOWED_S)
    ride(line, 300, 0.0, courtesy)
    alone = courtesy.rate
    for step in range(300, 600):
        delivered, trip = line.carry(courtesy.rate, line.rate * 0.7)
        courtesy.look(Sample(step * STEP_S, trip, int(delivered)))
    assert courtesy.rate < alone * 0.5


def test_it_never_stops_altogether_however_long_the_queue() -> None:
    line, courtesy = Line(100_000.0, 0.040, deep_s=2.0), Courtesy(ALLOWED_S)
    ride(line, 100, 0.0, courtesy)
    for step in range(100, 1000):
        delivered, trip = line.carry(courtesy.rate, 2 * line.rate)
        assert courtesy.look(Sample(step * STEP_S, trip, int(delivered))) >= LEAST_RATE * IN_DOUBT_TO


def test_a_line_on_which_nothing_queues_is_not_limited() -> None:
    courtesy = Courtesy(ALLOWED_S)
    for step in range(1000):
        courtesy.look(Sample(step * STEP_S, 0.040 + 0.005 * (step % 2), 100_000))
    assert courtesy.rate == 0


def test_a_longer_route_becomes_the_new_floor_after_some_minutes() -> None:
    courtesy = Courtesy(ALLOWED_S)
    for step in range(100):
        courtesy.look(Sample(step * STEP_S, 0.020, 100_000))
    for step in range(100, 100 + int(900 / STEP_S)):
        courtesy.look(Sample(step * STEP_S, 0.080, 100_000))
    assert courtesy.floor_s() == pytest.approx(0.080)


def test_its_own_queue_does_not_become_the_floor_in_an_hour() -> None:
    line, courtesy = Line(20e6 / 8, 0.040), Courtesy(ALLOWED_S)
    ride(line, int(3600 / STEP_S), 0.0, courtesy)
    assert courtesy.floor_s() < 0.050


def test_one_late_answer_is_no_queue() -> None:
    courtesy = Courtesy(ALLOWED_S)
    for step in range(200):
        courtesy.look(Sample(step * STEP_S, 0.5 if step % 10 == 0 else 0.040, 100_000))
    assert courtesy.rate == 0


# On a line of 20 Mbit/s each way a small file of some 4 kB is brought back by four requests of some 100 bytes each.
REQUESTS, ANSWERS = 400, 4_000  # bytes for each file


def bring_back(line: Line, seconds: float, courtesy: Courtesy, begins: float = 0.0) -> float:
    """How many files a second came over the last half: requests go at the rate, and their answers fill the line."""
    came_late, steps = 0.0, round(seconds / STEP_S)
    for step in range(steps):
        # With no rate, as many are asked for as keep the line and its queue full.
        files = min((courtesy.rate or 1e9) * STEP_S / REQUESTS, line.rate * STEP_S * 1.05 / ANSWERS)
        came, trip = line.carry(files * ANSWERS / STEP_S)
        courtesy.look(Sample(begins + step * STEP_S, trip, int(files * REQUESTS), int(came)))
        came_late += came if step >= steps // 2 else 0.0
    return came_late / ANSWERS / (seconds / 2)


def test_requests_are_not_held_back_for_the_queue_that_their_answers_make() -> None:
    line, courtesy = Line(20e6 / 8, 0.040, deep_s=0.1), Courtesy(ALLOWED_S)
    courtesy.look(Sample(-STEP_S, line.floor_s, 0))
    assert bring_back(line, 30.0, courtesy) > 0.95 * line.rate / ANSWERS
    assert courtesy.rate == 0
    assert courtesy.floor_s() == line.floor_s, "what is known of the line is kept for what is sent next"


def test_what_was_sent_before_holds_back_no_requests_and_what_is_sent_after_is_courteous_again() -> None:
    out, back, courtesy = Line(20e6 / 8, 0.040), Line(20e6 / 8, 0.040, deep_s=0.1), Courtesy(ALLOWED_S)
    ride(out, 300, 0.0, courtesy)
    assert courtesy.rate > 0
    assert bring_back(back, 10.0, courtesy, begins=30.0) > 0.95 * back.rate / ANSWERS
    out.queue, delays = 0.0, []
    for step in range(400, 800):
        delivered, trip = out.carry(courtesy.rate or out.rate * 1.5)
        courtesy.look(Sample(step * STEP_S, trip, int(delivered), int(delivered) // 20))
        delays.append(trip - out.floor_s)
    assert sorted(delays[100:])[285] < ALLOWED_S
    assert courtesy.rate > 0.8 * out.rate


def test_an_answer_that_a_lost_packet_holds_up_for_a_moment_makes_no_queue_ours() -> None:
    courtesy = Courtesy(ALLOWED_S)
    for step in range(100):
        held_up = step % 10 in (7, 8)
        courtesy.look(Sample(step * STEP_S, 0.040 if step < 5 else 0.120, 20_000, 0 if held_up else 200_000))
        assert courtesy.rate == 0
