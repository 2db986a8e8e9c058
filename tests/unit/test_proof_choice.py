"""Which files are read back tonight: the longest unproved first, and a sample that nobody can foresee."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from otherroof.forecast.proof_pace import RANDOM_SHARE, budget_for_all, nights_for_all, pace_said, sample_said
from otherroof.restore.proving.choice import choose, cost

FILES = st.lists(st.tuples(st.integers(0, 5_000), st.integers(0, 400)), max_size=60)


def test_what_a_sample_says_is_said_of_what_it_was_drawn_from() -> None:
    """Not of what a whole proof beside it read: the two stand in one line."""
    assert sample_said(0, 3, 3, 59_900) == "no damage in all 3 files; the sample was drawn from files of up to 59.9 kB"
    assert sample_said(0, 3, 3, 0) == "no damage in all 3 files"
    assert sample_said(0, 0, 3, 59_900) == ""


@given(FILES, st.integers(0, 60_000), st.integers())
def test_a_choice_fits_its_budget_and_names_no_file_twice(files: list[tuple[int, int]], budget: int, seed: int) -> None:
    sizes, days = [size for size, _ in files], [day for _, day in files]
    chosen = choose(sizes, days, budget, random.Random(seed))
    every = chosen.drawn + chosen.longest
    assert len(set(every)) == len(every)
    assert sum(cost(sizes[number]) for number in every) <= budget
    assert chosen.too_large == sum(cost(size) > budget for size in sizes)
    assert len(chosen.drawn) <= chosen.population <= len(files) - chosen.too_large
    if chosen.population == len(files):
        assert chosen.drawn_up_to == 0
    else:
        assert chosen.population == sum(size <= chosen.drawn_up_to for size in sizes) or chosen.population == 0
    assert all(sizes[number] <= chosen.drawn_up_to or not chosen.drawn_up_to for number in chosen.drawn)
    # Whatever is left out does not fit any more.
    left = budget - sum(cost(sizes[number]) for number in every)
    assert all(cost(size) > left for number, size in enumerate(sizes) if number not in every)


@given(FILES, st.integers())
def test_what_was_not_proved_for_longest_comes_before_what_was(files: list[tuple[int, int]], seed: int) -> None:
    sizes, days = [100] * len(files), [day for _, day in files]
    chosen = choose(sizes, days, cost(100) * max(1, len(files) // 2), random.Random(seed))
    turn = [days[number] for number in chosen.longest]
    assert turn == sorted(turn)
    rest = set(range(len(files))) - set(chosen.longest) - set(chosen.drawn)
    assert all(days[number] >= max(turn, default=0) for number in rest)


def test_every_file_has_its_turn_within_the_nights_that_are_told() -> None:
    chance = random.Random(5)
    sizes = [int(chance.paretovariate(1.1) * 900) for _ in range(400)]
    budget = max(cost(size) for size in sizes) + 20_000
    days = [0] * len(sizes)
    nights = math.ceil(nights_for_all(sum(map(cost, sizes)), budget))
    for night in range(1, nights + 1):
        chosen = choose(sizes, days, budget, chance)
        for number in chosen.drawn + chosen.longest:
            days[number] = night
    # A large file at the head of the line may leave a part of a night unused: no more than as many nights again.
    late = 0
    while 0 in days:
        late += 1
        chosen = choose(sizes, days, budget, chance)
        for number in chosen.drawn + chosen.longest:
            days[number] = nights + late
    assert late <= nights


def test_a_file_that_needs_the_whole_night_gets_it_when_its_turn_comes() -> None:
    sizes, days = [10_000] * 30 + [95_000], [5] * 30 + [1]
    for seed in range(20):
        chosen = choose(sizes, days, 100_000, random.Random(seed))
        assert chosen.longest[0] == 30


def test_drawing_gives_every_file_the_same_chance() -> None:
    chance = random.Random(11)
    count, nights = 40, 6_000
    seen = [0] * count
    for _ in range(nights):
        # All of one size, so that as many are drawn each night.
        for number in choose([1_000] * count, list(range(count)), cost(1_000) * 20, chance).drawn:
            seen[number] += 1
    assert stats.chisquare(seen).pvalue > 0.001


# Sizes as households have them: a few films beside many notes, or every size there is.
UNEVEN = {
    "one film beside notes": [200] * 60 + [30_000],
    "films beside notes": [300] * 50 + [9_000] * 10,
    "every size": [int(60 * 1.1**step) for step in range(60)],
    "two kinds": [100] * 30 + [2_500] * 30,
}


@pytest.mark.parametrize("sizes", UNEVEN.values(), ids=UNEVEN)
def test_large_files_are_drawn_as_often_as_small_ones(sizes: list[int]) -> None:
    chance = random.Random(77)
    nights, budget = 5_000, 40_000
    seen = [0] * len(sizes)
    hits: dict[int, int] = {}
    chosen = choose(sizes, [1] * len(sizes), budget, random.Random(0))
    among = [number for number, size in enumerate(sizes) if size <= (chosen.drawn_up_to or max(sizes))]
    assert len(among) == chosen.population >= 50
    largest = set(sorted(among, key=sizes.__getitem__)[-chosen.population // 4 :])
    small_first = [2 if size > budget / 2 else 1 for size in sizes]  # else a night may be for one large file alone
    for _ in range(nights):
        drawn = choose(sizes, small_first, budget, chance).drawn
        for number in drawn:
            seen[number] += 1
        hits[len(largest & set(drawn))] = hits.get(len(largest & set(drawn)), 0) + 1
    count = len(chosen.drawn)
    assert sum(seen) == nights * count
    # Drawn without putting back, the sum spreads a little less than chi-square says: the test is on the safe side.
    assert stats.chisquare([seen[number] for number in among]).pvalue > 0.001
    law = stats.hypergeom(len(among), len(largest), count)
    expected = [nights * law.pmf(number) for number in range(count + 1)]
    found = [hits.get(number, 0) for number in range(count + 1)]
    while len(expected) > 2 and expected[-1] < 5:
        expected[-2:], found[-2:] = [sum(expected[-2:])], [sum(found[-2:])]
    assert stats.chisquare(found, expected).pvalue > 0.001


def test_a_sample_takes_a_quarter_of_a_night_on_average_and_never_more_than_all_of_it() -> None:
    chance = random.Random(9)
    for sizes in UNEVEN.values():
        budget = 40_000
        spent = [
            sum(cost(sizes[number]) for number in choose(sizes, [1] * len(sizes), budget, chance).drawn)
            for _ in range(300)
        ]
        assert max(spent) <= budget
        assert 0.1 * budget < sum(spent) / len(spent) < 0.3 * budget


def test_a_sample_leaves_out_no_more_than_it_must() -> None:
    chance = random.Random(3)
    many = [chance.randrange(1_000, 6_000_000) for _ in range(3_000)]
    assert choose(many, [1] * len(many), 200_000_000, random.Random(1)).population == len(many)
    with_film = [*many, 150_000_000]
    chosen = choose(with_film, [1] * len(with_film), 200_000_000, random.Random(1))
    assert (chosen.population, chosen.drawn_up_to) == (len(many), max(many))


@pytest.mark.parametrize("bad", [1, 4, 12])
def test_samples_find_damage_as_often_as_the_hypergeometric_law_says(bad: int) -> None:
    # Feller, An Introduction to Probability Theory and Its Applications I, II.6 (section number from memory).
    chance = random.Random(100 + bad)
    count, nights = 120, 4_000
    per_night = 40  # files
    found: dict[int, int] = {}
    drawn = 0
    for _ in range(nights):
        damaged = set(chance.sample(range(count), bad))
        chosen = choose([500] * count, [1] * count, cost(500) * per_night, chance).drawn
        drawn = len(chosen)
        hits = len(damaged & set(chosen))
        found[hits] = found.get(hits, 0) + 1
    assert drawn == math.ceil(per_night * RANDOM_SHARE)
    law = stats.hypergeom(count, bad, drawn)
    expected = [nights * law.pmf(hits) for hits in range(bad + 1)]
    seen = [found.get(hits, 0) for hits in range(bad + 1)]
    while len(expected) > 2 and expected[-1] < 5:  # classes too small for the test are put together
        expected[-2:] = [sum(expected[-2:])]
        seen[-2:] = [sum(seen[-2:])]
    assert stats.chisquare(seen, expected).pvalue > 0.001


def test_without_a_seed_two_choices_differ() -> None:
    sizes, days = [1_000] * 2_000, [3] * 2_000
    first, second = (choose(sizes, days, cost(1_000) * 200) for _ in range(2))
    assert first.drawn != second.drawn
    assert first.longest != second.longest


def test_no_budget_chooses_nothing_and_never_comes_round() -> None:
    chosen = choose([1, 2, 3], [0, 0, 0], 0)
    assert (chosen.drawn, chosen.longest, chosen.too_large) == ([], [], 3)
    assert nights_for_all(100, 0) == math.inf


@pytest.mark.parametrize(
    ("total", "largest", "nights", "enough"),
    [(67_500, 0, 90, 1_000), (67_501, 0, 90, 1_001), (75, 0, 1, 100), (0, 0, 30, 0), (600, 10_125, 90, 10_125)],
)
def test_budget_that_would_do_is_plain_arithmetic(total: int, largest: int, nights: float, enough: int) -> None:
    assert budget_for_all(total, largest, nights) == enough


TAKES, MORE = "at 200 MB a night all takes about", "more than prove_days = 90; prove_mb ="


@pytest.mark.parametrize(
    ("total", "largest", "days", "said"),
    [
        (13_500_000_000, 0, 90, ""),
        (20_250_000_000, 0, 90, f"{TAKES} 135 nights, {MORE} 300"),
        (20_400_000_000, 0, 90, f"{TAKES} 136 nights, {MORE} 310"),
        (1_000, 201_000_000, 90, "at 200 MB a night the largest files never have their turn; prove_mb = 210"),
        (20_250_000_000, 900_000_000, 90, f"{TAKES} 135 nights, {MORE} 900"),
    ],
)
def test_too_small_a_budget_is_told_with_the_one_that_would_do(
    total: int, largest: int, days: float, said: str
) -> None:
    assert pace_said(total, largest, 200, days) == (f"{said} would do" if said else "")
    assert pace_said(total, largest, 0, days) == "", "nothing is read by night, by choice"


@given(st.integers(0, 10**13), st.floats(0.5, 4_000))
def test_budget_that_would_do_does_and_a_byte_less_does_not(total: int, nights: float) -> None:
    enough = budget_for_all(total, 0, nights)
    assert nights_for_all(total, enough) <= nights * (1 + 1e-12) or not total
    assert enough <= 1 or nights_for_all(total, enough - 1) > nights * (1 - 1e-12)
