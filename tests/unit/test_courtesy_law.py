"""The rule of courtesy, number by number: what one look makes of the rate, reckoned by hand beside each case."""

from __future__ import annotations

import pytest

from otherroof.far.courtesy import Courtesy, Sample

ALLOWED_S = 0.040  # so that 20 ms are aimed at
FLOW = 1_000_000  # bytes a second that the line delivers, unless a case says otherwise
STEP_S = 0.1


class Looks:
    """Looks every tenth of a second at a line with a floor of 40 ms."""

    def __init__(self, allowed_s: float = ALLOWED_S, floor_s: float = 0.040) -> None:
        self.courtesy = Courtesy(allowed_s)
        self.floor_s = floor_s
        self.count = 0
        self.look(0.0)
        self.look(0.0)

    @property
    def at(self) -> float:
        return self.count * STEP_S

    def look(self, queue_s: float, flow: float = FLOW, *, waits: bool = True) -> float:
        rate = self.courtesy.look(Sample(self.at, self.floor_s + queue_s, round(flow * STEP_S), waits=waits))
        self.count += 1
        return rate

    def twice(self, queue_s: float) -> float:
        """The least of two round trips counts: so a queue shows at the second."""
        self.look(queue_s)
        return self.look(queue_s)


def test_no_limit_until_a_queue_of_more_than_half_of_what_is_allowed() -> None:
    looks = Looks()
    assert looks.twice(0.0199) == 0
    assert looks.twice(0.0201) > 0


def test_a_queue_shows_at_its_second_look_and_not_at_its_first() -> None:
    looks = Looks()
    assert looks.look(0.100) == 0
    assert looks.look(0.100) > 0


@pytest.mark.parametrize(
    ("queue_s", "part"),
    [
        (0.040, 1 - 0.020 / 0.5),  # 20 ms too much, to be gone in half a second
        (0.120, 1 - 0.100 / 0.5),
        (0.500, 1 - 0.4),  # never more at one look
    ],
)
def test_the_first_limit_takes_away_what_is_above_the_aim_in_half_a_second(queue_s: float, part: float) -> None:
    assert Looks().twice(queue_s) == pytest.approx(FLOW * part)


def test_below_the_aim_the_queue_is_let_grow_back() -> None:
    looks = Looks()
    looks.twice(0.040)
    assert looks.twice(0.006) == pytest.approx(FLOW * (1 + 0.014 / 0.5)), "6 ms are more than a quarter of the aim"


def test_it_rises_by_six_in_a_hundred_at_most() -> None:
    looks = Looks(allowed_s=0.2)  # 100 ms are aimed at
    looks.twice(0.150)
    assert looks.twice(0.030) == pytest.approx(FLOW * 1.06)


def test_without_a_queue_it_rises_a_part_for_each_round_trip() -> None:
    quick, slow = Looks(), Looks(floor_s=0.4)
    for looks, trips in ((quick, 1.0), (slow, 0.25)):
        looks.twice(0.040)
        while looks.courtesy.rate < FLOW:  # up to what passed just now it is quicker
            before = looks.look(0.0)
        looks.look(0.0)
        assert looks.courtesy.rate == pytest.approx(before * (1 + 0.06 * trips))


def test_it_stops_a_quarter_above_what_arrives() -> None:
    looks = Looks()
    looks.twice(0.040)
    for _ in range(100):
        looks.look(0.0)
    assert looks.courtesy.rate == pytest.approx(FLOW * 1.25)


def test_a_queue_that_stands_is_cut_and_one_that_may_be_a_late_answer_is_not() -> None:
    looks = Looks()
    looks.twice(0.021)
    assert looks.look(0.120) == pytest.approx(FLOW), "the least of two is 21 ms, and too much; it does not stand yet"
    assert looks.look(0.120) == pytest.approx(FLOW * (1 - 0.001 / 0.5)), "four looks have 21 ms and more"
    assert looks.look(0.120) == pytest.approx(FLOW * (1 - 0.001 / 0.5))
    assert looks.look(0.120) == pytest.approx(FLOW * (1 - 0.100 / 0.5)), "and four of them 120"


def test_too_much_queue_holds_the_rate_close_to_what_arrives() -> None:
    looks = Looks()
    looks.twice(0.040)
    for _ in range(30):
        looks.look(0.0)
    assert looks.courtesy.rate == pytest.approx(FLOW * 1.25)
    looks.look(0.040)
    assert looks.look(0.040) == pytest.approx(FLOW * 1.06)


def test_one_uneven_look_counts_for_three_tenths() -> None:
    looks = Looks()
    for _ in range(4):
        looks.look(0.040)
    assert looks.look(0.040, flow=0) == pytest.approx(FLOW * 0.7 * 0.96)


def test_what_home_has_not_got_to_send_tells_nothing_of_the_line() -> None:
    looks = Looks()
    looks.twice(0.040)
    for queue_s in [0.010] * 10 + [0.0] * 10:
        looks.look(queue_s, flow=1, waits=False)
        assert looks.courtesy.rate == pytest.approx(FLOW * (1 + 0.010 / 0.5)), "as if nothing had been"


def test_no_limit_begins_while_nothing_waits_to_be_sent() -> None:
    looks = Looks()
    for _ in range(20):
        assert looks.look(0.100, flow=1, waits=False) == 0
    looks.look(0.100)
    assert looks.look(0.100) > 0


def test_up_to_what_passed_just_now_it_rises_by_three_tenths_a_round_trip() -> None:
    looks = Looks()
    for _ in range(5):
        looks.look(0.120)
    before = looks.courtesy.rate
    assert before < 0.81 * FLOW
    assert looks.look(0.0) == pytest.approx(FLOW), "no more than that"


def test_it_never_falls_below_16_kb_a_second() -> None:
    looks = Looks()
    rates, gives_way = [looks.twice(0.5)], False
    for _ in range(300):  # when it gives way the queue goes: it is ours
        rates.append(looks.look(0.0 if gives_way else 0.5, flow=0))
        gives_way = rates[-1] < rates[-2] / 2 or (gives_way and rates[-1] == rates[-2])
    assert min(rates) == pytest.approx(16_000 * 0.125), "while it gives way"
    assert sorted(rates)[len(rates) // 2] == 16_000


def test_a_delay_that_remains_while_it_gives_way_counts_no_more_after_the_second_time() -> None:
    """The middle one of three: it is 0 at first."""
    looks = Looks()
    rates = list[float]()
    for _ in range(150):
        rates.append(looks.look(0.120, flow=looks.courtesy.rate or FLOW))
    deep = [n for n in range(1, 150) if rates[n] < 0.2 * rates[n - 1]]
    assert len(deep) == 2
    assert (deep[1] - deep[0]) * STEP_S == pytest.approx(1.0 + 0.04 + 1.5, abs=0.31), "again soon, to be sure"
    after = rates[deep[1] + 12 :]
    assert after[0] == pytest.approx(0.5 * FLOW), "half of what passed before, at once"
    assert max(after) == pytest.approx(0.75 * FLOW), "and no more than three quarters"
    halved = [n for n in range(1, len(after)) if after[n] == pytest.approx(after[n - 1] / 2)]
    assert halved, "it is looked at again whether it is still so"


def test_once_a_minute_the_rate_is_halved_for_four_tenths_of_a_second() -> None:
    looks = Looks()
    first = looks.twice(0.040)
    begun = looks.at
    rates = [looks.look(0.020) for _ in range(1300)]
    halved = [number for number, rate in enumerate(rates) if rate < 0.75 * FLOW]
    assert first > 0.9 * FLOW, "the first limit is no draining"
    assert 2 * 4 <= len(halved) <= 2 * 6, "and one round trip"
    assert halved[0] * STEP_S + begun == pytest.approx(60 + begun, abs=1.0)
    assert {round(rates[number] / rates[number - 10], 2) for number in halved[:3]} == {0.5}


def test_nothing_is_learnt_of_the_line_while_it_is_drained() -> None:
    looks = Looks()
    looks.twice(0.040)
    while looks.look(0.020) > 0.75 * FLOW:
        pass
    held = looks.courtesy.rate
    looks.look(0.020, flow=1)
    looks.look(0.020, flow=1)
    assert looks.courtesy.rate == held


def test_the_lines_own_delay_is_the_least_of_ten_minutes() -> None:
    looks = Looks()
    for _ in range(int(590 / STEP_S)):
        looks.look(0.030)
    assert looks.courtesy.floor_s() == pytest.approx(0.040)
    for _ in range(int(90 / STEP_S)):
        looks.look(0.030)
    assert looks.courtesy.floor_s() == pytest.approx(0.070), "the route is longer now"


def test_within_a_minute_the_least_counts() -> None:
    courtesy = Courtesy(ALLOWED_S)
    for at, trip in ((0.0, 0.050), (0.1, 0.030), (0.2, 0.090)):
        courtesy.look(Sample(at, trip, 0))
    assert courtesy.floor_s() == pytest.approx(0.030)
