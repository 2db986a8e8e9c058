"""The usual night: how much of its window it takes, what the month takes of its allowance, how much growth there is
room for.

Pure: facts in, a section of the forecast out.
"""

from __future__ import annotations

import math
from statistics import median

from otherroof.base.local_time import wall_time
from otherroof.base.units import count_text, size_text, span_text
from otherroof.forecast.planning.copy_time import (
    MOST_NIGHTS,
    SentNight,
    Work,
    around_s,
    copy_s,
    sending_s,
    wire_of,
)
from otherroof.forecast.planning.estimate import Estimate, Likely
from otherroof.forecast.planning.facts import LengthBar, PlanFacts, PlanSection
from otherroof.settings.versions import NOMINAL_DAYS

MONTH_DAYS = NOMINAL_DAYS["month"]
LEAST_NIGHTS = 5


def usual_night(facts: PlanFacts) -> PlanSection:
    """The night against its window, the month against its allowance, and the growth that both still take."""
    night, how = _night(facts)
    estimates = [Estimate("night.seconds", "s", night, how)]
    bars: list[LengthBar] = []
    remarks: list[str] = []
    window_s = _window_s(facts)
    if facts.hours.window:
        share = night.times(1 / window_s) if window_s else Likely.sure(math.inf)
        of = f"of {facts.hours.window}, which is open for {span_text(window_s)}"
        estimates.append(Estimate("night.share", "share", share, f"the usual night, {of}"))
        bars.append(LengthBar("the night", min(night.value, window_s), window_s, f"{span_text(night.value)} {of}"))
        if night.value > window_s:
            remarks.append("a usual night does not fit its window: it goes on the night after, and never catches up")
    room = _growth(facts, window_s)
    estimates.append(room)
    allowance = facts.hours.month.bytes
    if allowance:
        month, used = _month(facts)
        estimates.append(month)
        bars.append(LengthBar("the month", min(used, allowance), allowance, _month_text(facts, used)))
        if month.likely.value > 1:
            remarks.append("the month's allowance does not last: runs wait for the next month (month_gb)")
    return PlanSection("usual night", tuple(estimates), tuple(bars), tuple(remarks))


def _recent(facts: PlanFacts) -> list[SentNight]:
    return list(facts.nights)[-MOST_NIGHTS:] if facts.whole else []


def _daily(facts: PlanFacts) -> tuple[Work, Work, Work]:
    """A night's work at the least, likely, and at the most."""
    amounts, runs = facts.amounts, facts.keeping.runs_a_day
    daily, files = amounts.daily, amounts.daily_files / runs
    # If days may bring nothing, that is no files either.
    fewest = files if daily.low else 0.0
    least, likely, most = (
        Work(size / runs, count, amounts.files, changes=size + count > 0)
        for size, count in ((daily.low, fewest), (daily.value, files), (daily.high, files))
    )
    return least, likely, most


def _night(facts: PlanFacts) -> tuple[Likely, str]:
    seen = _recent(facts)
    if len(seen) >= LEAST_NIGHTS:
        took = [night.total_s for night in seen]
        how = f"the middle one of the last {len(took)} runs, and the shortest and the longest of them"
        return Likely(min(took), median(took), max(took)), how
    least, likely, most = _daily(facts)
    line = facts.line.at_night()
    night = Likely(copy_s(least, line).low, copy_s(likely, line).value, copy_s(most, line).high)
    told = f" ({facts.amounts.how_daily})" if facts.amounts.how_daily else ""
    how = (
        f"{size_text(likely.size)} in {count_text(round(likely.files), 'file')}{told}, "
        f"and {span_text(around_s(likely, line))} for login, checks and listing"
    )
    return night, how


def _window_s(facts: PlanFacts) -> float:
    return facts.hours.seconds_a_day(wall_time(facts.begin, facts.hours.zone).date())


def _growth(facts: PlanFacts, window_s: float) -> Estimate:
    """How many times as much as now a night may bring until it fills its window, or the time between two runs."""
    _, likely, _ = _daily(facts)
    between = min(window_s, 86_400.0 / facts.keeping.runs_a_day)
    line = facts.line.at_night()
    fixed = around_s(likely, line)
    sending = sending_s(likely, line)
    room = max(0.0, between - fixed)
    times = sending.under(room) if sending.value > 0 else Likely.sure(math.inf)
    what = "the window" if facts.hours.window else "the time between two runs"
    most = size_text(likely.size * times.value) if math.isfinite(times.value) else "any amount"
    how = f"{what} takes {most} a night over this line, {size_text(likely.size)} is usual"
    return Estimate("night.growth_room", "times", times, how)


def _month(facts: PlanFacts) -> tuple[Estimate, float]:
    """The share of an allowance that a whole month takes, and its bytes."""
    allowance, checks = facts.hours.month.bytes, facts.checks_a_day * MONTH_DAYS
    seen = _recent(facts)
    runs = facts.keeping.runs_a_day * MONTH_DAYS
    if len(seen) >= LEAST_NIGHTS:
        each = [float(night.wire_up + night.wire_down) for night in seen]
        mean = math.fsum(each) / len(each)
        # Single nights differ; a month of them hardly does.
        spread = (max(each) - min(each)) / math.sqrt(runs)
        copies = Likely(max(0.0, mean - spread), mean, mean + spread).times(runs)
        how = f"{runs:.0f} runs of {size_text(mean)}, as the last {len(each)} took"
    else:
        least, likely, most = _daily(facts)
        copies = Likely(wire_of(least).both, wire_of(likely).both, wire_of(most).both).times(runs)
        how = f"{runs:.0f} runs of {size_text(wire_of(likely).both)}"
    all_of_it = copies + checks
    how += f", and {size_text(checks)} of proofs and drills; of {size_text(allowance)}"
    return Estimate("month.share", "share", all_of_it.times(1 / allowance), how), all_of_it.value


def _month_text(facts: PlanFacts, used: float) -> str:
    month = facts.hours.month
    now = f"; {size_text(month.used)} used in this one" if month.used else ""
    return f"{size_text(used)} of {size_text(month.bytes)}{now}"
