"""What a sample says of the whole, against published tables, scipy, and whole numbers worked out without rounding."""

from __future__ import annotations

import random
import re
import time
from fractions import Fraction
from math import comb

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from scipy import stats

from otherroof.forecast.sampling import (
    bound_on_share,
    chance_to_find,
    least_sample,
    least_sample_of_many,
    most_bad,
    sample_sentence,
)
from support.outside import COMMON, outside

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

# GAO/CIGIE Financial Audit Manual, section 450 (sampling control tests), the table of sample sizes: 45 items at 90 %
# confidence and a tolerable rate of 5 % if no deviation is found. The row was read second-hand.
GAO_450 = (0.90, 0.05, 45)


@outside("GAO/CIGIE Financial Audit Manual", "section 450, sample sizes", "45 items at 90 % and 5 %", value="read")
def test_gao_450_asks_for_45_items_without_a_deviation() -> None:
    confidence, tolerable, items = GAO_450
    assert least_sample_of_many(tolerable, confidence) == items
    # The table stands for large populations; a finite one of 2,000 needs no more.
    assert least_sample(2000, 100, confidence) <= items


@outside(
    "Zero-defect sampling tables",
    "95 %, no defect found: (1-p)^n",
    "59 items for 5 %, 299 for 1 %",
    value="recomputed",
    each=True,
)
@pytest.mark.parametrize(("share", "items"), [(0.05, 59), (0.01, 299)])
def test_zero_defect_samples_at_95_percent(share: float, items: int) -> None:
    """Sampling tables for no defect found; arithmetic: the least n with (1 - share)^n <= 0.05."""
    assert least_sample_of_many(share, 0.95) == items
    exact = 1 - Fraction(share)
    assert exact**items <= Fraction(1, 20) < exact ** (items - 1)


@outside("SciPy", "scipy.stats.hypergeom", "a sample of a thousand files, ten of them bad", value="recomputed")
def test_ten_bad_of_a_thousand() -> None:
    """Hypergeometric, by `scipy.stats.hypergeom`: 59 find one with 0.457171, 258 are the least for 95 %."""
    for checked, chance in ((59, 0.457171), (258, 0.950204)):
        assert chance_to_find(1000, 10, checked) == pytest.approx(chance, abs=5e-7)
        assert chance_to_find(1000, 10, checked) == pytest.approx(stats.hypergeom.sf(0, 1000, 10, checked), rel=1e-11)
    assert least_sample(1000, 10, 0.95) == 258


@outside(
    "Hypergeometric distribution",
    "whole numbers, without rounding",
    "the least sample of a few files and of a household's",
    value="recomputed",
    each=True,
)
@pytest.mark.parametrize(("total", "bad", "items"), [(100, 5, 45), (20, 1, 19), (41_000, 410, 297)])
def test_small_populations_and_one_of_a_household(total: int, bad: int, items: int) -> None:
    """Hypergeometric, 95 %; 19 of 20 is 95 % exactly."""
    assert least_sample(total, bad, 0.95) == items

    def missed(checked: int) -> Fraction:
        return Fraction(comb(total - bad, checked), comb(total, checked))

    assert missed(items) <= Fraction(1, 20) < missed(items - 1)


@outside("SciPy", "scipy.stats.hypergeom.pmf", "the chance to miss all bad files of a household", value="recomputed")
def test_chances_to_miss_all_410_of_41000() -> None:
    """Hypergeometric by scipy: 0.049995 with the least sample of 297, 0.048499 with a round 300."""
    for checked, missed in ((297, 0.049995), (300, 0.048499)):
        assert 1 - chance_to_find(41_000, 410, checked) == pytest.approx(missed, abs=5e-7)
        assert stats.hypergeom.pmf(0, 41_000, 410, checked) == pytest.approx(missed, abs=5e-7)


@outside(
    "Hanley and Lippman-Hand, JAMA 1983", "rule of three", "none found in a hundred", value="from memory, recomputed"
)
def test_rule_of_three() -> None:
    """Hanley and Lippman-Hand, "If nothing goes wrong, is everything all right?", JAMA 1983 (from memory)."""
    assert bound_on_share(0, 100, None, 0.95) == pytest.approx(0.029513, abs=5e-7)
    for checked in (30, 100, 300, 41_000):
        exact = bound_on_share(0, checked, None, 0.95)
        assert exact < 3 / checked
        assert exact == pytest.approx(3 / checked, rel=0.06)


@outside(
    "Clopper and Pearson, Biometrika 1934",
    "one-sided exact bound, 95 %",
    "none and three found in 300",
    value="recomputed",
    each=True,
)
@pytest.mark.parametrize(("bad", "bound"), [(0, 0.00993608), (3, 0.02564139)])
def test_clopper_pearson_bound_of_300(bad: int, bound: float) -> None:
    """C. J. Clopper and E. S. Pearson, Biometrika 26 (1934), one-sided 95 %, by `scipy.stats.beta`."""
    assert bound_on_share(bad, 300, None, 0.95) == pytest.approx(bound, abs=5e-9)


@outside("SciPy", "scipy.stats.beta", "exact bounds for totals without a bound", value="recomputed")
def test_bounds_for_unlimited_totals_agree_with_scipy_s_beta() -> None:
    chance = random.Random(11)
    for _ in range(400):
        checked = int(10 ** chance.uniform(0, 6))
        bad = chance.choice([0, 1, chance.randrange(checked), min(checked - 1, int(10 ** chance.uniform(0, 3)))])
        bad = min(bad, checked - 1)
        confidence = chance.choice([0.8, 0.9, 0.95, 0.99, 0.999])
        ours = bound_on_share(bad, checked, None, confidence)
        assert ours == pytest.approx(stats.beta.ppf(confidence, bad + 1, checked - bad), rel=1e-8)


@outside("SciPy", "scipy.stats.hypergeom.sf", "chances up to millions of files", value="recomputed")
def test_chances_agree_with_scipy_s_hypergeom_up_to_millions() -> None:
    chance = random.Random(12)
    for _ in range(2000):
        total = int(10 ** chance.uniform(0, 7))
        bad = min(total, int(10 ** chance.uniform(0, 4)))
        checked = min(total, int(10 ** chance.uniform(0, 5)))
        # scipy itself keeps ten figures at these totals.
        assert chance_to_find(total, bad, checked) == pytest.approx(
            stats.hypergeom.sf(0, total, bad, checked), rel=1e-8, abs=1e-9
        )


def _exactly_at_most(found: int, total: int, bad: int, checked: int) -> Fraction:
    """By whole numbers: the chance of `found` or fewer bad ones among the checked."""
    ways = sum(comb(bad, i) * comb(total - bad, checked - i) for i in range(min(found, bad, checked) + 1))
    return Fraction(ways, comb(total, checked))


@outside(
    "Hypergeometric distribution",
    "whole numbers, without rounding",
    "a bound is the least that holds",
    value="recomputed",
)
@settings(max_examples=300, deadline=None)
@given(some.data())
def test_the_bound_is_the_least_that_holds_by_whole_numbers(data: some.DataObject) -> None:
    total = data.draw(some.integers(1, 400))
    checked = data.draw(some.integers(0, total))
    bad = data.draw(some.integers(0, checked))
    percent = data.draw(some.sampled_from([50, 80, 90, 95, 99]))
    bound = most_bad(bad, checked, total, percent / 100)
    assert bad <= bound <= total - (checked - bad)
    alpha = 1 - Fraction(percent, 100)
    if bound > bad:
        assert _exactly_at_most(bad, total, bound, checked) > alpha
    if bound < total - (checked - bad):
        assert _exactly_at_most(bad, total, bound + 1, checked) <= alpha


@outside(
    "Hypergeometric distribution", "whole numbers, without rounding", "what a sentence says is true", value="recomputed"
)
@settings(max_examples=300, deadline=None)
@given(some.integers(1, 3000), some.integers(0, 3000), some.integers(0, 5))
def test_every_sentence_is_true_by_whole_numbers(total: int, checked: int, bad: int) -> None:
    checked = min(checked, total)
    bad = min(bad, checked)
    said = sample_sentence(bad, checked, total, 0.95)
    if "fewer than" in said:
        match = re.search(r"with 95 % confidence fewer than ([0-9.]+) % are damaged$", said)
        assert match is not None
        share = Fraction(match.group(1)) / 100
        many = -(-total * share.numerator // share.denominator)  # the least number that is not fewer
        assert 0 < share < 1
        if many <= total - (checked - bad):
            assert _exactly_at_most(bad, total, many, checked) <= Fraction(1, 20)
    elif "none is damaged" in said or "no other is" in said:
        assert _exactly_at_most(bad, total, bad + 1, checked) <= Fraction(1, 20)
    elif "says nothing" in said:
        assert most_bad(bad, checked, total) == total - (checked - bad)
    else:
        assert checked == total


@outside(COMMON, "", "the sentence about 300 files", value="recomputed")
def test_the_sentence_of_300_files() -> None:
    assert (
        sample_sentence(0, 300, 41_000)
        == "no damage in 300 of 41,000 files: with 95 % confidence fewer than 1 % are damaged"
    )
    assert (
        sample_sentence(3, 300, 41_000)
        == "3 damaged in 300 of 41,000 files: with 95 % confidence fewer than 3 % are damaged"
    )


@outside(COMMON, "", "sentences at the edges", value="recomputed")
@pytest.mark.parametrize(
    ("bad", "checked", "total", "end"),
    [
        (0, 0, 0, "there are no files"),
        (0, 0, 7, "none of 7 files was read back, which says nothing about them"),
        (0, 7, 7, "no damage in all 7 files"),
        (0, 1, 1, "no damage in the one file"),
        (0, 19, 20, "with 95 % confidence none is damaged"),
        (1, 999, 1000, "with 95 % confidence no other is damaged"),
        (5, 5, 20, "which says nothing about the others"),
        (0, 1_000, 1_000_000, "fewer than 0.3 % are damaged"),
        (0, 100_000, 1_000_000, "fewer than 0.003 % are damaged"),
    ],
)
def test_sentences_at_the_edges(bad: int, checked: int, total: int, end: str) -> None:
    assert sample_sentence(bad, checked, total).endswith(end)


@outside(
    "Pearson, Philosophical Magazine 1900",
    "chi-square test, by scipy.stats.chisquare",
    "drawing at random finds as often as was reckoned",
    value="recomputed",
)
def test_drawing_at_random_finds_as_often_as_the_arithmetic_says() -> None:
    """Pearson's chi-square test (Philosophical Magazine, 1900) by scipy: found and missed over 4,000 drawings."""
    total, bad, checked, drawings = 500, 4, 100, 4000
    found = sum(min(random.Random(seed).sample(range(total), checked)) < bad for seed in range(drawings))
    expected = chance_to_find(total, bad, checked) * drawings
    assert stats.chisquare([found, drawings - found], [expected, drawings - expected]).pvalue > 0.001


@outside(COMMON, "", "a million files take no time", value="recomputed")
def test_a_million_files_take_no_time() -> None:
    begun = time.perf_counter()
    assert most_bad(5_000, 100_000, 1_000_000) == 51_089
    assert most_bad(300_000, 600_000, 1_000_000) < 502_000
    assert least_sample(1_000_000, 1) == 950_000
    assert bound_on_share(300_000, 600_000, None) < 0.502
    assert time.perf_counter() - begun < 5


@outside(COMMON, "", "numbers that cannot be are refused", value="recomputed")
@pytest.mark.parametrize(("bad", "checked", "total"), [(2, 1, 5), (0, 6, 5), (-1, 1, 5)])
def test_numbers_that_cannot_be_are_refused(bad: int, checked: int, total: int) -> None:
    with pytest.raises(ValueError):
        most_bad(bad, checked, total)
