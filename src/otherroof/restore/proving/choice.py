"""Chooses which far files are read back tonight. Pure: sizes and days in, numbers of files out.

Those not proved for longest come first, so that all have their turn; part of the night goes to files drawn at random,
which the far box cannot foresee, and from which it can be said how many may be damaged at most. It must not know what
the files are.
"""

from __future__ import annotations

import random
import secrets
from collections.abc import Sequence
from dataclasses import dataclass, field

RANDOM_SHARE = 0.25  # of a night's bytes
# What a file costs on the wire besides its content, in bytes towards home: the answers to open, look, read, close, and
# what SSH puts around them. Measured with many under way, when answers share packets; fewer cost up to twice as much,
# and so what was really used is looked at while reading.
PER_FILE = 100
# As a share of content: SSH's packets of 32 kB with a header and a tag each.
PER_BYTE = 0.0025


@dataclass(frozen=True, slots=True)
class Choice:
    """Numbers of files. `drawn` at random out of `population` many, in the order they were drawn; `longest` those not
    proved for longest, the first one first. `too_large` is how many no night has room for, `too_large_bytes` theirs."""

    drawn: list[int] = field(default_factory=list)
    longest: list[int] = field(default_factory=list)
    population: int = 0
    too_large: int = 0
    too_large_bytes: int = 0


def cost(size: int) -> int:
    """About how many bytes come over the wire to read back a file of so many."""
    return size + int(size * PER_BYTE) + PER_FILE


def choose(sizes: Sequence[int], days: Sequence[int], budget: int, chance: random.Random | None = None) -> Choice:
    """What to read of files with these sizes in bytes, last proved on these days (0: never), for `budget` bytes.

    `chance` is for tests; nobody can foresee what is chosen without it.
    """
    chance = chance or secrets.SystemRandom()
    costs = [cost(size) for size in sizes]
    large = [number for number, one in enumerate(costs) if one > budget]
    waiting = _in_turn(days, chance)
    first = next((number for number in waiting if costs[number] <= budget), None)
    drawn: list[int] = []
    # A large file whose turn has come may need the whole night: without this it would wait for ever.
    if first is not None and costs[first] <= budget * (1 - RANDOM_SHARE):
        drawn = _drawn(costs, budget, chance)
    return Choice(
        drawn,
        _longest(waiting, costs, budget - sum(costs[number] for number in drawn), set(drawn)),
        len(sizes) - len(large),
        len(large),
        sum(sizes[number] for number in large),
    )


def _in_turn(days: Sequence[int], chance: random.Random) -> list[int]:
    """All numbers, the longest unproved first; those of one day in no order that could be foreseen."""
    numbers = list(range(len(days)))
    # Seeded with a secret: as good as the system's own chance for what is never shown, and many times as fast.
    random.Random(chance.getrandbits(256)).shuffle(numbers)
    numbers.sort(key=days.__getitem__)
    return numbers


def _drawn(costs: Sequence[int], budget: int, chance: random.Random) -> list[int]:
    """Each file that fits the night with the same chance, one after the other until the random share is used up."""
    # The one that goes beyond the share is taken as well: leaving it out would favour small files.
    drawn: list[int] = []
    moved: dict[int, int] = {}  # Fisher and Yates' shuffle, as far as it is needed, without a list of all
    spent, left = 0, len(costs)
    while left and spent < budget * RANDOM_SHARE:
        at = chance.randrange(left)
        left -= 1
        number = moved.get(at, at)
        moved[at] = moved.get(left, left)
        if costs[number] > budget:
            continue  # not of the population
        if spent + costs[number] > budget:
            break
        spent += costs[number]
        drawn.append(number)
    return drawn


def _longest(waiting: Sequence[int], costs: Sequence[int], budget: int, taken: set[int]) -> list[int]:
    """In turn, as many as fit; if one does not, the next that does fills the rest."""
    chosen: list[int] = []
    for number in waiting:
        if number not in taken and costs[number] <= budget:
            budget -= costs[number]
            chosen.append(number)
            if budget < PER_FILE:
                break
    return chosen


def nights_for_all(total: int, budget: int) -> float:
    """After how many nights of `budget` bytes everything, which costs `total` in all, was read back once."""
    return total / (budget * (1 - RANDOM_SHARE)) if budget > 0 else float("inf")
