"""Which files are read back tonight: the longest unproved first, and a sample that nobody can foresee."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from otherroof.restore.proving.choice import RANDOM_SHARE, choose, cost, nights_for_all

FILES = st.lists(st.tuples(st.integers(0, 5_000), st.integers(0, 400)), max_size=60)


@given(FILES, st.integers(0, 60_000), st.integers())
def test_a_choice_fits_its_budget_and_names_no_file_twice(files: list[tuple[int, int]], budget: int, seed: int) -> None:
    sizes, days = [size for size, _ in files], [day for _, day in files]
    chosen = choose(sizes, days, budget, random.Random(seed))
    every = chosen.drawn + chosen.longest
    assert len(set(every)) == len(every)
    assert sum(cost(sizes[number]) for number in every) <= budget
    assert chosen.too_large == sum(cost(size) > budget for size in sizes)
    assert chosen.population + chosen.too_large == len(files)
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
