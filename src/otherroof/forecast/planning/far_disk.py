"""The far disk: when it will be full, what kept versions will take, and what another spacing would.

Pure: facts in, a section of the forecast out.
"""

from __future__ import annotations

import math

from otherroof.base.units import count_text, size_text
from otherroof.forecast.planning.estimate import Estimate, Likely
from otherroof.forecast.planning.facts import LengthBar, PlanFacts, PlanSection
from otherroof.forecast.planning.spacing import covered_days, kept_ages, kept_size
from otherroof.forecast.trend import FillDays
from otherroof.settings.versions import SpacingLine


def far_disk(facts: PlanFacts) -> PlanSection:
    """Fill date, versions once their rule has filled up, and another rule beside it."""
    estimates: list[Estimate] = []
    remarks: list[str] = []
    kept = _kept(facts, facts.keeping.lines, "versions.kept") if facts.keeping.lines else None
    if kept is not None:
        estimates.append(kept)
    else:
        remarks.append("no [versions.spacing]: every version stays, and the disk fills up by what each day brings")
    full, why = _full_day(facts, kept)
    if full is not None:
        estimates.append(full)
    elif why:
        remarks.append(why)
    if facts.keeping.other:
        other = _kept(facts, facts.keeping.other, "versions.other")
        estimates.append(other)
        remarks.append(_difference(facts, kept, other))
    return PlanSection("far disk", tuple(estimates), tuple(_bars(facts, kept)), tuple(remarks))


def replaced_a_day(facts: PlanFacts) -> Likely:
    """Bytes of older content that a day's changes put in the place of: what comes, less what makes the folder grow."""
    daily, growth = facts.amounts.daily, facts.amounts.growth
    return Likely(
        max(0.0, daily.low - growth.high), max(0.0, daily.value - growth.value), max(0.0, daily.high - growth.low)
    )


def _kept(facts: PlanFacts, lines: tuple[SpacingLine, ...], key: str) -> Estimate:
    keeping = facts.keeping
    ages = kept_ages(lines, keeping.runs_a_day)
    if keeping.replaced and keeping.seen_days > 0:
        known = f"by what was seen to be replaced in {count_text(round(keeping.seen_days), 'day')}"
    else:
        each = size_text(replaced_a_day(facts).value)
        known = f"{each} replaced a day, of the same files or always others (thinning keeps a record of it)"
    oldest = max(ages, default=0.0)
    how = (
        f"{count_text(len(ages), 'version')} up to {count_text(round(oldest), 'day')} old, "
        f"at most {count_text(round(covered_days(ages)), 'day')} apart; {known}"
    )
    return Estimate(key, "B", kept_size(ages, replaced_a_day(facts), keeping.replaced, keeping.seen_days), how)


def _difference(facts: PlanFacts, kept: Estimate | None, other: Estimate) -> str:
    rule = ", ".join(f"{line.age.count} {line.age.unit} = {line.spacing}" for line in facts.keeping.other)
    now = f"{size_text(kept.likely.value)} now" if kept is not None else "no end to it now"
    return f"with {rule}: versions take about {size_text(other.likely.value)}, against {now}; nothing was changed"


def _full_day(facts: PlanFacts, kept: Estimate | None) -> tuple[Estimate | None, str]:
    if not facts.disk.total:
        return None, "the size of the far disk is not known yet (--disk says it)"
    if facts.disk.coming and facts.whole:
        return None, "a first copy of another job is under way there: until it is whole, readings tell no growth"
    growth = facts.disk.growth
    if growth is not None and facts.disk.full is not None:
        return Estimate("far_disk.full", "day", facts.disk.full, _by_readings(growth)), ""
    if growth is not None:
        return None, "as it fills by its readings, the far disk is not full within a hundred years"
    if facts.disk.free is not None and facts.whole:
        return None, "the readings of the far disk's space show no clear growth, or too few days yet"
    return _by_amounts(facts, kept), ""


def _by_readings(growth: FillDays) -> str:
    """How the day came about that the watch tells too: its lines through the readings are the only ones."""
    squares, medians = size_text(growth.by_squares), _slope_text(growth.by_medians)
    return (
        f"{count_text(growth.readings, 'day')} of readings: {squares} more a day by least squares, {medians} by "
        "medians; the range holds both"
    )


def _slope_text(slope: float) -> str:
    return size_text(slope) if slope >= 0 else f"{size_text(-slope)} less"


def _by_amounts(facts: PlanFacts, kept: Estimate | None) -> Estimate:
    """Without readings: the copy, then what each day brings; with a rule its versions at first, then growth alone."""
    amounts, disk = facts.amounts, facts.disk
    # What others keep on a disk that was seen is not free for this copy.
    room = max(0.0, disk.total - amounts.size if disk.free is None else disk.free - (amounts.size - facts.there))
    if kept is None:
        days = amounts.daily.under(room)
        how = f"{size_text(room)} beside the copy, {size_text(amounts.daily.value)} a day, nothing thinned"
    else:
        # The most growth with the largest versions fills it soonest.
        sooner = _under(max(0.0, room - kept.likely.high), amounts.growth.high)
        likely = _under(max(0.0, room - kept.likely.value), amounts.growth.value)
        later = _under(max(0.0, room - kept.likely.low), amounts.growth.low)
        days = Likely(sooner, likely, later)
        how = (
            f"{size_text(room)} beside the copy, less what versions take once the rule has filled up; the "
            f"folder grows by {size_text(amounts.growth.value)} a day"
        )
    return Estimate("far_disk.full", "day", days + disk.today, how)


def _under(room: float, rate: float) -> float:
    return room / rate if rate > 0 else math.inf


def _bars(facts: PlanFacts, kept: Estimate | None) -> list[LengthBar]:
    if not facts.disk.total:
        return []
    total, size = facts.disk.total, facts.amounts.size
    bars = [LengthBar("newest copy", min(size, total), total, f"{size_text(size)} of {size_text(total)}")]
    if kept is not None:
        bars.append(
            LengthBar(
                "and versions", min(size + kept.likely.value, total), total, f"{size_text(kept.likely.value)} more"
            )
        )
    return bars
