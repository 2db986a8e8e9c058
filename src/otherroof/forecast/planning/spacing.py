"""What kept versions take at the far end once their rule has filled up, and what another rule would take.

Arithmetic only. A version takes what no younger one holds any more: content that was replaced, for as long as a kept
version is from the time when it stood. How long content stands before it is replaced is told to it, or only bounded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from otherroof.forecast.planning.estimate import Likely
from otherroof.settings.versions import NOMINAL_DAYS, Spacing, SpacingLine

STEP_DAYS: dict[Spacing, float] = {
    "one a day": 1.0,
    "one a week": NOMINAL_DAYS["week"],
    "one a month": NOMINAL_DAYS["month"],
    "one a year": NOMINAL_DAYS["year"],
}
# If nothing is known of it: as much of what a household changes had stood for a day as for a week, a month and a year
# (an assumption; the range holds without it, from files that change daily to files that change once).
ASSUMED_DAYS = (1.0, 7.0, 30.0, 365.0)
USUAL_OF, MISSING = 7, 2.5  # gaps between versions that say what is usual, and from how much more one is missing


@dataclass(frozen=True, slots=True)
class ReplacedContent:
    """Content of a file that was replaced or removed: its bytes, and for how many days it had stood.

    `at_least`: it stood already when the record begins, so it may have been any longer time.
    """

    size: float
    days: float
    at_least: bool = False


def kept_ages(lines: Sequence[SpacingLine], runs_a_day: float) -> list[float]:
    """The ages, in days, of the versions that stay once the rule has filled up, youngest first."""
    ages: list[float] = []
    begins = 0.0
    for line in lines:
        step = 1 / runs_a_day if line.spacing == "every run" else max(STEP_DAYS[line.spacing], 1 / runs_a_day)
        count = math.floor((line.age.nominal_days - begins) / step + 1e-9)
        ages += [begins + step * (place + 1) for place in range(count)]
        begins = max(begins, line.age.nominal_days)
    return ages


def kept_share(ages: Sequence[float], stood_days: float) -> float:
    """For how many days after it was replaced content is kept that had stood for so many days.

    What was replaced a days ago is needed by a version of an age from a to a + `stood_days`: so for as many days as
    these stretches before all ages cover together.
    """
    if math.isinf(stood_days):
        return max(ages, default=0.0)
    covered, reached = 0.0, 0.0
    for age in ages:
        covered += age - max(reached, age - stood_days)
        reached = age
    return covered


def kept_size(
    ages: Sequence[float], replaced_a_day: Likely, record: Sequence[ReplacedContent] = (), seen_days: float = 0.0
) -> Likely:
    """The bytes that versions of these ages take besides the newest copy, day by day the same.

    By what was seen to be replaced in `seen_days`; without such a record by `replaced_a_day` alone.
    """
    if not record or seen_days <= 0:
        return Likely(
            replaced_a_day.low * kept_share(ages, 1.0),
            replaced_a_day.value * math.fsum(kept_share(ages, days) for days in ASSUMED_DAYS) / len(ASSUMED_DAYS),
            replaced_a_day.high * kept_share(ages, math.inf),
        )

    def sum_of(longer: float) -> float:
        shares = (one.size * kept_share(ages, one.days * (longer if one.at_least else 1)) for one in record)
        return math.fsum(shares) / seen_days

    return Likely(sum_of(1.0), sum_of(2.0), sum_of(math.inf))


def unbroken_since(moments: Sequence[float]) -> float:
    """The oldest of these moments from which on none is missing up to the newest: no gap is much longer than is usual
    among the newest of them. Raises ValueError if there are none."""
    ordered = sorted(moments, reverse=True)
    gaps = [later - earlier for later, earlier in pairwise(ordered)]
    usual = median(gaps[:USUAL_OF]) if gaps else 0.0
    missing = next((place for place, gap in enumerate(gaps) if gap > usual * MISSING), len(gaps))
    return ordered[missing]


def covered_days(ages: Sequence[float]) -> float:
    """The longest time between two versions that stay, in days: what was there for a shorter time may be in none."""
    return max((older - younger for younger, older in pairwise([0.0, *ages])), default=0.0)
