"""The far disk: when it will be full, what kept versions will take, and what another spacing would.

Pure: facts in, a section of the forecast out.
"""

from __future__ import annotations

import math
from datetime import date

from otherroof.base.local_time import table_day_text
from otherroof.base.units import count_text, size_text
from otherroof.forecast.line import fit
from otherroof.forecast.planning.estimate import Estimate, Likely
from otherroof.forecast.planning.facts import LengthBar, PlanFacts, PlanSection
from otherroof.forecast.planning.spacing import covered_days, kept_ages, kept_size
from otherroof.forecast.theil_sen import median_line
from otherroof.forecast.trend import FARTHEST_DAYS, days_until_full
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
    read = _by_readings(facts)
    if read is not None:
        return read, ""
    if facts.disk.readings and facts.whole:
        return None, "the readings of the far disk's space show no clear growth, or too few days yet"
    return _by_amounts(facts, kept), ""


def _by_readings(facts: PlanFacts) -> Estimate | None:
    """From the sooner end of both lines' ranges to the later.

    Whether growth can be told at all, and the day that the watch warns by, least squares say: they feel a few heavy
    nights at once. Over months one great heap or clearing-up must not turn the forecast; so its day is the medians'.
    """
    points, total = list(facts.disk.readings), facts.disk.total - facts.disk.floor
    squares, medians, line = days_until_full(points, total), median_line(points), fit(points)
    if squares is None or medians is None or line is None or medians.slope <= 0:
        return None
    last, used = points[-1]
    left = max(0.0, total - max(used, medians.at(last)))
    robust = Likely(_under(left, medians.most), _under(left, medians.slope), _under(left, medians.least))
    latest = math.inf if squares.latest is None else squares.latest
    days = Likely(min(squares.soonest, robust.low), robust.value, max(latest, robust.high))
    by_squares = f"{size_text(line.slope)} by least squares, which say {_date_text(last, squares.days)}"
    how = (
        f"{count_text(len(points), 'day')} of readings: {size_text(medians.slope)} more a day by the medians "
        f"({size_text(medians.least)} to {size_text(medians.most)}), {by_squares}; "
        f"{size_text(facts.disk.floor)} stays free"
    )
    return Estimate("far_disk.full", "day", days + last, how)


def _by_amounts(facts: PlanFacts, kept: Estimate | None) -> Estimate:
    """Without readings: the copy, then what each day brings; with a rule its versions at first, then growth alone."""
    amounts, disk = facts.amounts, facts.disk
    room = max(0.0, disk.total - disk.floor - amounts.size)
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


def _date_text(last: float, days: float) -> str:
    """The day so many days after the last reading."""
    if days > FARTHEST_DAYS:
        return "not within a hundred years"
    return table_day_text(date.fromordinal(int(last + days)))
