"""Draws a forecast for a terminal of 80 columns: bars, figures with their ranges, and how each came about."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import date
from typing import TYPE_CHECKING

from otherroof.base.local_time import between_days, day_name
from otherroof.base.text.words import fold
from otherroof.base.units import count_text, mbit_text, size_text, span_text

if TYPE_CHECKING:
    from datetime import datetime

    from otherroof.forecast.planning.estimate import Estimate, EstimateUnit, Likely
    from otherroof.forecast.planning.facts import Amounts, LengthBar, Outlook, PlanSection
    from otherroof.forecast.planning.outlook import ChangedEstimate

WIDTH = 80
LABEL = 16
BAR = 24
MOST_TIMES = 1000  # as much as now: beyond that nobody counts
LABELS = {
    "line.up": "a copy has",
    "line.back": "a restore has",
    "first_copy.sending": "time of sending",
    "first_copy.nights": "nights",
    "first_copy.day": "whole on",
    "carried.fill": "filling a disk",
    "carried.whole": "with the way",
    "night.seconds": "takes",
    "night.share": "of its window",
    "night.growth_room": "room to grow",
    "month.share": "of the month",
    "versions.kept": "versions take",
    "versions.other": "other spacing",
    "far_disk.full": "full on",
    "back.whole": "all of it",
    "back.few": "a few first",
    "back.fetched": "fetch the disk",
    "copies.there": "copies there",
}


def picture(outlook: Outlook, amounts: Amounts) -> Iterator[str]:
    """The forecast line by line."""
    whole = f"{size_text(amounts.size)} in {count_text(round(amounts.files), 'file')}{_in_brackets(amounts.how)}"
    daily = f"{size_text(amounts.daily.value)} new or changed a day{_in_brackets(amounts.how_daily)}"
    yield from _folded(f"{outlook.name}: {whole}; {daily}")
    for section in outlook.sections:
        yield ""
        yield from _section(section)


def _in_brackets(how: str) -> str:
    """How a figure came about; what was simply said needs no word."""
    return f" ({how})" if how else ""


def _folded(text: str, first: str = "", later: str = "") -> list[str]:
    """`text` in lines that hold each unit to its number."""
    return fold(text, WIDTH, first=first, later=later).split("\n")


def changes(found: Sequence[ChangedEstimate], at: datetime) -> Iterator[str]:
    """What is otherwise than the last forecast said, by more than its range."""
    if not found:
        return
    yield ""
    yield f"since the forecast of {day_name(at.date())}, by more than its range"
    for one in found:
        key, unit = one.estimate.key, one.estimate.unit
        now, before = figure_text(one.estimate.likely.value, unit), range_text(one.before, unit)
        yield from _folded(f"{LABELS.get(key, key)} ({key}): {before} then, {now} now", "  ", "    ")


def _section(section: PlanSection) -> Iterator[str]:
    yield section.title
    for bar in section.bars:
        yield from _bar(bar)
    for estimate in section.estimates:
        yield from _figure(estimate)
    for remark in section.remarks:
        yield from _folded(remark, "  - ", "    ")


def _bar(bar: LengthBar) -> Iterator[str]:
    share = bar.part / bar.whole if bar.whole > 0 else 0.0
    # Whatever is there at all is seen, and what is not full is not drawn full.
    filled = min(BAR, max(1 if share > 0 else 0, math.floor(share * BAR + 0.5)))
    filled = BAR - 1 if filled == BAR and share < 1 else filled
    drawn = "#" * filled + "." * (BAR - filled)
    yield from _folded(bar.text, f"  {bar.label:<{LABEL}}{drawn} ", " " * (LABEL + BAR + 3))


def _figure(estimate: Estimate) -> Iterator[str]:
    label = LABELS.get(estimate.key, estimate.key)
    yield from _folded(range_text(estimate.likely, estimate.unit), f"  {label:<{LABEL}}", " " * (LABEL + 2))
    yield from _folded(estimate.how, "      ", "      ")


def range_text(likely: Likely, unit: EstimateUnit) -> str:
    """`25 nights (23 to 29)`; the value alone if nothing else is possible."""
    low, value, high = (figure_text(one, unit) for one in (likely.low, likely.value, likely.high))
    if low == value == high:
        return value
    if unit == "day" and likely.low <= date.max.toordinal():
        return f"{value} ({_between(likely)})"
    return f"{value} ({low} to {high})"


def _between(days: Likely) -> str:
    """Between which days, in the words that the watch has for it."""
    if days.high > date.max.toordinal():
        return f"{figure_text(days.low, 'day')} at the soonest"
    return between_days(date.fromordinal(int(days.low)), date.fromordinal(int(days.high)))


def figure_text(value: float, unit: EstimateUnit) -> str:
    """One figure in its unit; what has no end is said so."""
    if not math.isfinite(value):
        return "perhaps never" if unit in ("day", "s", "nights") else "no end"
    match unit:
        case "s":
            return span_text(value)
        case "B":
            return size_text(value)
        case "Mbit/s":
            return mbit_text(value)
        case "share":
            return f"{value * 100:.3g} %"
        case "times":
            return f"{value:.3g} times" if value < MOST_TIMES else f"over {MOST_TIMES:,} times"
        case "day":
            return "beyond all planning" if value > date.max.toordinal() else day_name(date.fromordinal(int(value)))
        case "nights":
            return count_text(round(value), "night")
        case "files":
            return f"{value:,.0f}"
