"""What a sample says of the whole: how much may be damaged if so much of a random part was, and how large a part shows.

Arithmetic only, exact (hypergeometric, or binomial for an unlimited total) and steady up to many million files. It
knows neither files nor far boxes; that the part was drawn at random is for whoever drew it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction

from otherroof.base.units import count_text

CONFIDENCE = 0.95
# Two chances this close are the same to a double: 19 of 20 found is 95 %, whatever the last digit says.
_SAME = 1e-12
# Below this a further term of a sum changes nothing that a double could hold.
_NOTHING = 1e-19


def chance_to_find(total: int, bad: int, checked: int) -> float:
    """The chance that at least one of `bad` damaged among `total` is in a random `checked` of them (hypergeometric).

    Raises ValueError if the numbers cannot be.
    """
    _require(total, bad, "bad")
    _require(total, checked, "checked")
    if not bad or not checked:
        return 0.0
    if checked > total - bad:
        return 1.0
    return -math.expm1(_log_hypergeometric(0, total, bad, checked))


def least_sample(total: int, bad: int, confidence: float = CONFIDENCE) -> int:
    """How many of `total` must be checked to find one of `bad` damaged with this `confidence`.

    Raises ValueError if none are bad, or the numbers cannot be.
    """
    _require(total, bad, "bad")
    _require_confidence(confidence)
    if not bad:
        raise ValueError("none are bad, so that no sample finds one")
    return _least(total - bad + 1, lambda checked: _reaches(chance_to_find(total, bad, checked), confidence))


def least_sample_of_many(share: float, confidence: float = CONFIDENCE) -> int:
    """How many of an unlimited number must be checked to find one damaged, if such a `share` (0 to 1) of them is.

    Raises ValueError if the numbers cannot be.
    """
    _require_confidence(confidence)
    if not 0 < share <= 1:
        raise ValueError(f"{share} is no share between 0 and 1")
    if share == 1:
        return 1
    exact = math.log1p(-confidence) / math.log1p(-share)
    # A quotient that is whole but for the last digits must not become one more.
    return max(1, math.ceil(exact * (1 - _SAME)))


def most_bad(bad: int, checked: int, total: int, confidence: float = CONFIDENCE) -> int:
    """How many of `total` may be damaged at most, with this `confidence`, if `bad` of a random `checked` of them were.

    Exact and one-sided: with any greater number so few would have been found only with a chance of 1 - `confidence` or
    less (Clopper and Pearson's way, with the hypergeometric in place of the binomial). Raises ValueError if the numbers
    cannot be.
    """
    _require(total, checked, "checked")
    _require(checked, bad, "bad")
    _require_confidence(confidence)
    good = checked - bad

    def excluded(step: int) -> bool:
        others = bad + 1 + step
        return others > total - good or _reaches(1 - _at_most(bad, total, others, checked), confidence)

    return bad + _least(total - good - bad, excluded)


def bound_on_share(bad: int, checked: int, total: int | None, confidence: float = CONFIDENCE) -> float:
    """The upper bound on the damaged share (0 to 1), one-sided and exact, if `bad` of a random `checked` were damaged.

    With a `total` it is `most_bad` of it; None means an unlimited one (Clopper and Pearson, Biometrika 1934). Raises
    ValueError if the numbers cannot be.
    """
    if total is not None:
        return most_bad(bad, checked, total, confidence) / total if total else 0.0
    _require(checked, bad, "bad")
    _require_confidence(confidence)
    if bad == checked:
        return 1.0
    if not bad:
        return -math.expm1(math.log1p(-confidence) / checked)
    low, high = bad / checked, 1.0
    # Halved until a double holds nothing between the two.
    while low < (middle := (low + high) / 2) < high:
        if 1 - _binomial_at_most(bad, checked, middle) < confidence:
            low = middle
        else:
            high = middle
    return high


def sample_sentence(bad: int, checked: int, total: int, confidence: float = CONFIDENCE) -> str:
    """What a random sample of files says of all of them, for a person.

    "no damage in 300 of 41,000 files: with 95 % confidence fewer than 1 % are damaged". The share is rounded up, so
    that the sentence is true. Raises ValueError if the numbers cannot be.
    """
    most = most_bad(bad, checked, total, confidence)
    files = count_text(total, "file")
    found = f"{bad:,} damaged" if bad else "no damage"
    if not total:
        return "there are no files"
    if not checked:
        return f"none of {files} was read back, which says nothing about them"
    if checked == total:
        return f"{found} in all {files}" if total > 1 else f"{found} in the one file"
    said = f"{found} in {checked:,} of {files}"
    sure = f"{said}: with {confidence * 100:.10g} % confidence"
    if most == bad:
        return f"{sure} no other is damaged" if bad else f"{sure} none is damaged"
    if most == total - checked + bad:
        return f"{said}, which says nothing about the others"
    return f"{sure} fewer than {_percent_above(Fraction(most, total))} % are damaged"


def _percent_above(share: Fraction) -> str:
    """A short figure in percent greater than `share` (above 0, below 1): one digit; two from 1 to 2, and from 90 on."""
    scale = Fraction(1)
    while share < scale / 10:
        scale /= 10
    step = scale / 100 if share < scale / 5 or share >= Fraction(9, 10) else scale / 10
    while (above := (share // step + 1) * step) >= 1:
        step /= 10
    digits = max(0, -math.floor(math.log10(step)) - 2)
    figure = f"{float(above * 100):.{digits}f}"
    return figure.rstrip("0").rstrip(".") if "." in figure else figure


def _reaches(chance: float, confidence: float) -> bool:
    return chance >= confidence - _SAME


def _require(total: int, part: int, name: str) -> None:
    if not 0 <= part <= total:
        raise ValueError(f"{name} is {part}, which is no part of {total}")


def _require_confidence(confidence: float) -> None:
    if not 0 < confidence < 1:
        raise ValueError(f"{confidence} is no confidence between 0 and 1")


def _least(limit: int, holds: Callable[[int], bool]) -> int:
    """The least number from 0 up to `limit` for which `holds` answers yes; what holds once holds from there on."""
    low, high = 0, limit
    while low < high:
        middle = (low + high) // 2
        if holds(middle):
            high = middle
        else:
            low = middle + 1
    return low


def _at_most(found: int, total: int, bad: int, checked: int) -> float:
    """The chance of `found` or fewer damaged in the sample (hypergeometric)."""
    least, most = max(0, checked - (total - bad)), min(bad, checked)
    if found >= most:
        return 1.0
    if found < least:
        return 0.0
    # The tail that shrinks is summed: towards fewer below the middle, towards more above it.
    if found * total <= checked * bad:
        first = math.exp(_log_hypergeometric(found, total, bad, checked))
        return _sum(
            first, found, least, -1, lambda i: i * (total - bad - checked + i) / ((bad - i + 1) * (checked - i + 1))
        )
    first = math.exp(_log_hypergeometric(found + 1, total, bad, checked))
    above = _sum(
        first, found + 1, most, 1, lambda i: (bad - i) * (checked - i) / ((i + 1) * (total - bad - checked + i + 1))
    )
    return 1 - above


def _binomial_at_most(found: int, count: int, share: float) -> float:
    odds = share / (1 - share) if share < 1 else math.inf
    if share >= 1:
        return 1.0 if found >= count else 0.0
    if found <= count * share:
        first = math.exp(_log_binomial(found, count, share, 1 - share))
        return _sum(first, found, 0, -1, lambda i: i / ((count - i + 1) * odds))
    first = math.exp(_log_binomial(found + 1, count, share, 1 - share))
    return 1 - _sum(first, found + 1, count, 1, lambda i: (count - i) * odds / (i + 1))


def _sum(first: float, at: int, end: int, step: int, ratio: Callable[[int], float]) -> float:
    """`first` and all that follow up to `end`, each `ratio` times the one before, from the least to the greatest."""
    terms = [first]
    while at != end and terms[-1] > first * _NOTHING:
        terms.append(terms[-1] * ratio(at))
        at += step
    return math.fsum(terms)


# The two chances below are calculated as C. Loader describes it (Fast and Accurate Computation of Binomial
# Probabilities, 2000; from memory): logarithms of factorials of a million differ by less than their last digits, so
# what is left of them after Stirling's formula is taken alone.


def _log_hypergeometric(found: int, total: int, bad: int, checked: int) -> float:
    """The logarithm of the chance of exactly `found` damaged; all numbers must be possible."""
    share, rest = checked / total, (total - checked) / total
    return (
        _log_binomial(found, bad, share, rest)
        + _log_binomial(checked - found, total - bad, share, rest)
        - _log_binomial(checked, total, share, rest)
    )


def _log_binomial(found: int, count: int, share: float, rest: float) -> float:
    """The logarithm of the chance of exactly `found` of `count`, each with the chance `share`; `rest` is 1 - share."""
    if share <= 0 or rest <= 0:
        return 0.0  # the only number that is possible then
    if found == 0:
        return count * (math.log1p(-share) if share < 0.5 else math.log(rest))
    if found == count:
        return count * (math.log1p(-rest) if rest < 0.5 else math.log(share))
    exponent = (
        _stirling_rest(count)
        - _stirling_rest(found)
        - _stirling_rest(count - found)
        - _deviance(found, count * share)
        - _deviance(count - found, count * rest)
    )
    return exponent - 0.5 * (math.log(2 * math.pi * found) + math.log1p(-found / count))


def _stirling_rest(count: int) -> float:
    """ln(n!) less Stirling's formula for it, n > 0."""
    if count <= 15:
        return math.log(math.factorial(count)) - ((count + 0.5) * math.log(count) - count + 0.5 * math.log(2 * math.pi))
    square = float(count) * count
    return (1 / 12 - (1 / 360 - (1 / 1260 - (1 / 1680 - 1 / 1188 / square) / square) / square) / square) / count


def _deviance(seen: int, expected: float) -> float:
    """x · ln(x/m) + m - x, also for x close to m, when the terms nearly cancel."""
    apart = seen - expected
    if abs(apart) >= 0.1 * (seen + expected):
        return seen * math.log(seen / expected) + expected - seen
    part = apart / (seen + expected)
    result, term, square = apart * part, 2 * seen * part, part * part
    odd = 1
    while True:
        term *= square
        odd += 2
        more = result + term / odd
        if more == result:
            return more
        result = more
