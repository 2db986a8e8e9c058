"""Chooses which far files are read back tonight. Pure: sizes and days in, numbers of files out.

Those not proved for longest come first, so that all have their turn; part of the night goes to files drawn at random,
which the far box cannot foresee, and from which it can be said how many may be damaged at most. It must not know what
the files are.
"""

from __future__ import annotations

import random
import secrets
from array import array
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import accumulate

from otherroof.forecast.proof_pace import RANDOM_SHARE

MOST_FOR_DRAWING = 0.5  # if the file whose turn it is needs more of a night than that, nothing is drawn
# Files up to this part of a night may be drawn in any case: a sample that should take a quarter of the night takes more
# than all of it with a chance below (e^3 / 4^4)^8 = 2 in a thousand million then (Chernoff's bound, which holds for
# drawing without putting back: Hoeffding 1963, section 6; both from memory).
SURE_PART = 1 / 32
# What a file costs on the wire besides its content, in bytes towards home: the answers to open, look, read, close, and
# what SSH puts around them. Measured with many under way, when answers share packets; fewer cost up to twice as much,
# and so what was really used is looked at while reading.
PER_FILE = 100
# As a share of content: SSH's packets of 32 kB with a header and a tag each.
PER_BYTE = 0.0025


@dataclass(frozen=True, slots=True)
class Choice:
    """Numbers of files. `drawn` at random out of `population` many, in the order they were drawn; `longest` those not
    proved for longest, the first one first.

    The population is every file of up to `drawn_up_to` bytes; 0 if all are. `too_large` is how many no night has room
    for.
    """

    drawn: list[int] = field(default_factory=list)
    longest: list[int] = field(default_factory=list)
    population: int = 0
    drawn_up_to: int = 0
    too_large: int = 0


@dataclass(frozen=True, slots=True)
class _SamplePlan:
    """`count` files are drawn out of the `population` of those that cost up to `most`. Made without chance."""

    count: int = 0
    population: int = 0
    most: int = 0


def cost(size: int) -> int:
    """About how many bytes come over the wire to read back a file of so many."""
    return size + int(size * PER_BYTE) + PER_FILE


def choose(
    sizes: Sequence[int],
    days: Sequence[int],
    budget: int,
    chance: random.Random | None = None,
    *,
    files: int | None = None,
) -> Choice:
    """What to read of files with these sizes in bytes, last proved on these days (0: never), for `budget` bytes.

    From `files` on they are parts of files: these have their turn, but none is drawn, since what is said of a sample
    is said of files. `chance` is for tests; nobody can foresee what is chosen without it.
    """
    files = len(sizes) if files is None else files
    chance = chance or secrets.SystemRandom()
    costs = [cost(size) for size in sizes]
    waiting = longest_first(days, chance)
    first = next((number for number in waiting if costs[number] <= budget), None)
    whole = costs[:files]
    plan, drawn = _sample_plan(whole, budget), list[int]()
    # A large file whose turn has come may need most of the night: without this it could wait for ever.
    if first is not None and costs[first] <= budget * MOST_FOR_DRAWING:
        drawn = _drawn(whole, plan, budget, chance)
    return Choice(
        drawn,
        _longest(waiting, costs, budget - sum(costs[number] for number in drawn), set(drawn)),
        plan.population,
        max((sizes[number] for number, one in enumerate(whole) if one <= plan.most), default=0)
        if plan.population < files
        else 0,
        sum(one > budget for one in costs),
    )


def longest_first(days: Sequence[int], chance: random.Random) -> list[int]:
    """All numbers, the longest unproved first; those of one day in no order that could be foreseen."""
    numbers = list(range(len(days)))
    # Seeded with a secret: as good as the system's own chance for what is never shown, and many times as fast.
    random.Random(chance.getrandbits(256)).shuffle(numbers)
    numbers.sort(key=days.__getitem__)
    return numbers


def _sample_plan(costs: Sequence[int], budget: int) -> _SamplePlan:
    """How many files to draw out of which, settled before the first is drawn.

    To draw until a night is full would not do: whether one more is drawn, or one that does not fit is left out, depends
    on its size, and then large files are drawn more seldom or more often than the sample's arithmetic takes for
    granted. So as many are drawn as take the random share on average, out of all files up to such a size that
    they fit the night, whichever they are.
    """
    rising = sorted(costs)
    sums = array("Q", accumulate(rising, initial=0))
    sure = bisect_right(rising, budget * SURE_PART)
    share = int(budget * RANDOM_SHARE)
    for population in range(bisect_right(rising, budget), 0, -1):
        if population < len(rising) and rising[population] == rising[population - 1]:
            continue  # all of one size, or none
        count = min(population, max(1, share * population // sums[population]))
        if population <= sure or sums[population] - sums[population - count] <= budget:
            return _SamplePlan(count, population, rising[population - 1])
    return _SamplePlan()


def _drawn(costs: Sequence[int], plan: _SamplePlan, budget: int, chance: random.Random) -> list[int]:
    """A simple random sample: each set of so many files of the population has the same chance."""
    drawn: list[int] = []
    moved: dict[int, int] = {}  # Fisher and Yates' shuffle, as far as it is needed, without a list of all
    left = len(costs)
    while left and len(drawn) < plan.count:
        at = chance.randrange(left)
        left -= 1
        number = moved.get(at, at)
        moved[at] = moved.get(left, left)
        if costs[number] <= plan.most:
            drawn.append(number)
    # Hardly ever; to leave out only some of them would leave out large ones.
    return drawn if sum(costs[number] for number in drawn) <= budget else []


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
