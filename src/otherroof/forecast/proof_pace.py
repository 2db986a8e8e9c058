"""How long it takes to read all of a far copy back, night by night, which budget would do, and what a sample says.

Arithmetic and its words only: sizes and days in. It knows neither files nor proofs.
"""

from __future__ import annotations

import math

from otherroof.base.units import count_text, size_text
from otherroof.forecast.sampling import sample_sentence

MB = 1_000_000
RANDOM_SHARE = 0.25  # of a night's bytes, on average, goes to files drawn at random


def nights_for_all(total: int, budget: int) -> float:
    """After how many nights of `budget` bytes everything, which costs `total` in all, was read back once."""
    return total / (budget * (1 - RANDOM_SHARE)) if budget > 0 else float("inf")


def budget_for_all(total: int, largest: int, nights: float) -> int:
    """How many bytes a night must have, so that all, which costs `total`, is read back once within so many `nights`,
    and there is room for the largest file, which needs `largest`."""
    return max(math.ceil(total / (nights * (1 - RANDOM_SHARE))), largest)


def pace_said(total: int, largest: int, budget_mb: float, days: float) -> str:
    """That `budget_mb` MB a night do not read back all within so many days; empty if they do, or if nothing is read by
    night. All costs `total` bytes; `largest` is what a file needs that no night has room for (0: none)."""
    if not budget_mb:
        return ""
    nights = math.ceil(nights_for_all(total, int(budget_mb * MB)))
    if nights <= days and not largest:
        return ""
    enough = _rounded_up(budget_for_all(total, largest, days) / MB)
    each = size_text(budget_mb * MB)
    took = f"at {each} a night all takes about {count_text(nights, 'night')}"
    if nights > days:
        return f"{took}, more than prove_days = {days:g}; prove_mb = {enough:g} would do"
    return f"at {each} a night the largest files never have their turn; prove_mb = {enough:g} would do"


def _rounded_up(figure: float) -> float:
    """To two digits, and no finer than tenths: more would claim to know it exactly."""
    digits = min(1, 1 - math.floor(math.log10(figure))) if figure > 0 else 1
    step = 10.0**-digits
    return round(math.ceil(figure / step * (1 - 1e-12)) * step, digits)


def sample_said(damaged: int, drawn: int, population: int, drawn_up_to: int) -> str:
    """What a sample says of the files it was drawn from, and which these are; empty if none were drawn."""
    if not drawn:
        return ""
    said = sample_sentence(damaged, drawn, population)
    return f"{said}; the sample was drawn from files of up to {size_text(drawn_up_to)}" if drawn_up_to else said
