"""The first copy: over the line, night by night, or on a disk that is carried.

Pure: facts in, a section of the forecast out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

from otherroof.base.local_time import table_time_text, wall_time
from otherroof.base.units import count_text, size_text, span_text
from otherroof.forecast.planning.copy_time import Work, before_s, copy_s, listing_s, sending_s, wire_of
from otherroof.forecast.planning.estimate import Estimate, Likely
from otherroof.forecast.planning.facts import FILE_ON_DISK_S, LengthBar, PlanFacts, PlanSection
from otherroof.forecast.planning.open_hours import Crossed, Load, cross

SPARE = 1.1  # a disk that is full to its last bytes is slow, and file systems keep some for themselves
YEAR = 365.0
# In what sizes disks are sold (common practice, no source), TB.
SOLD_TB = (0.25, 0.5, 1, 2, 4, 5, 6, 8, 10, 12, 14, 16, 18, 20, 22, 24)


def first_copy(facts: PlanFacts) -> PlanSection:
    """Nights, date and sending time of what is not there yet; beside it a disk that is carried."""
    if facts.whole:
        return PlanSection("first copy", remarks=("it is there; what follows is from night to night",))
    work = _left(facts)
    sending = copy_s(work, facts.line)
    ends = _crossings(facts, work)
    by_nights = _by_nights(facts)
    estimates = [_sending(facts, work, sending), *(by_nights or _by_calendar(facts, work, ends))]
    carried = _carried(facts)
    remarks = []
    if ends[1] is None:
        remarks.append("over this line it would take more than ten years: carry a disk, or copy less of the folder")
    remarks.append(_disk_words(facts))
    over_line = _whole_s(facts, ends[1])
    by_disk = carried[1].likely.value
    longest = max(by_disk, over_line if math.isfinite(over_line) else by_disk)
    bars = (
        LengthBar("over the line", min(over_line, longest), longest, _until(ends[1], facts, by_nights)),
        LengthBar(
            "on a disk", by_disk, longest, f"{span_text(by_disk)}, {span_text(facts.by_hand.carry_s)} of it on the way"
        ),
    )
    return PlanSection("first copy", (*estimates, *carried), bars, tuple(remarks))


def _left(facts: PlanFacts) -> Work:
    amounts = facts.amounts
    share = max(0.0, 1 - facts.there / amounts.size) if amounts.size else 1.0
    return Work(amounts.size * share, amounts.files * share, amounts.files)


def _sending(facts: PlanFacts, work: Work, sending: Likely) -> Estimate:
    there = f"; {size_text(facts.there)} is there already" if facts.there else ""
    wire = wire_of(work)
    how = (
        f"{size_text(work.size)} in {count_text(round(work.files), 'file')} puts {size_text(wire.up)} on the "
        f"line{there}. "
        f"{facts.line.how_up}"
    )
    return Estimate("first_copy.sending", "s", sending, how)


def _crossings(facts: PlanFacts, work: Work) -> tuple[Crossed | None, Crossed | None, Crossed | None]:
    """By the fastest, the likely and the slowest line."""
    wire = wire_of(work)
    load = Load(wire.up, wire.both / wire.up if wire.up else 1.0, before_s(work, facts.line))
    up_s = sending_s(work, facts.line) + listing_s(work, facts.line)
    # The files' own time is spread over the bytes: so limits and windows hold for both.
    speeds = up_s.under(wire.up * 8e-6)
    fast, likely, slow = (
        cross(load, mbit, facts.begin, facts.hours) for mbit in (speeds.high, speeds.value, speeds.low)
    )
    return fast, likely, slow


def _by_calendar(facts: PlanFacts, work: Work, ends: tuple[Crossed | None, ...]) -> list[Estimate]:
    nights = Likely(*(one.nights if one else math.inf for one in ends))
    days = Likely(*(_day(one.at, facts) if one else math.inf for one in ends))
    passes = f"{span_text(before_s(work, facts.line))} pass before the first file of each night"
    how = f"if it begins {table_time_text(facts.begin, facts.hours.zone)}, {hours_text(facts)}; {passes}"
    return [
        Estimate("first_copy.nights", "nights", nights, how),
        Estimate("first_copy.day", "day", days, "the day on which the last of these nights ends"),
    ]


def _by_nights(facts: PlanFacts) -> list[Estimate]:
    """Of a first copy under way, whose own nights tell more than any line: the day that status and digest have."""
    if facts.brought is None:
        return []
    count, left = facts.brought
    most = math.inf if left.most is None else left.most
    nights = Likely(left.fewest, left.likely, most)
    how = f"by what the last {count_text(count, 'night')} brought, {size_text(left.mean)} each on average"
    return [
        Estimate("first_copy.nights", "nights", nights, how),
        Estimate("first_copy.day", "day", nights + math.floor(facts.disk.today), "the morning after the last of them"),
    ]


def hours_text(facts: PlanFacts) -> str:
    """When and how fast the line may be used, in words."""
    hours = facts.hours
    said = [f"within {hours.window}" if hours.window else "at any hour"]
    for one in hours.limits:
        said += [f"at most {mbit:g} Mbit/s {text}" for text, mbit in one.limits.items() if mbit]
        said += [f"at most {one.otherwise:g} Mbit/s"] if one.otherwise else []
    if hours.month.bytes:
        said.append(f"at most {size_text(hours.month.bytes)} a month, both ways")
    return ", ".join(said)


def _carried(facts: PlanFacts) -> tuple[Estimate, Estimate]:
    amounts, by_hand = facts.amounts, facts.by_hand
    fill = by_hand.disk_s(amounts)
    return (
        Estimate(
            "carried.fill",
            "s",
            fill,
            f"{size_text(amounts.size)} at {by_hand.rates}, and {FILE_ON_DISK_S.low * 1e3:g} to "
            f"{FILE_ON_DISK_S.high * 1e3:g} ms for each file (usual for disks; no source)",
        ),
        Estimate(
            "carried.whole",
            "s",
            fill + by_hand.carry_s,
            f"filling it, and {span_text(by_hand.carry_s)} until it stands there (--carry-hours says better); what "
            "changes meanwhile crosses in the nights after",
        ),
    )


def disk_wanted(facts: PlanFacts) -> float:
    """The bytes of the disk to buy: the copy, a year of what comes, and a tenth that stays free."""
    amounts = facts.amounts
    return (amounts.size + YEAR * amounts.daily.value) * SPARE


def _disk_words(facts: PlanFacts) -> str:
    wanted = disk_wanted(facts)
    sold = next((tb for tb in SOLD_TB if tb * 1e12 >= wanted), None)
    sizes = f"a disk of {sold:g} TB" if sold else "more than one disk"
    return (
        f"a disk for it: {size_text(facts.amounts.size)}, a year of {size_text(facts.amounts.daily.value)} a day and a "
        f"tenth free make {size_text(wanted)}: {sizes}"
    )


def _whole_s(facts: PlanFacts, end: Crossed | None) -> float:
    return (end.at - facts.begin).total_seconds() if end else math.inf


def _until(end: Crossed | None, facts: PlanFacts, by_nights: Sequence[Estimate]) -> str:
    if by_nights:
        return f"{count_text(round(by_nights[0].likely.value), 'night')} more"
    if end is None:
        return "more than ten years"
    return f"{count_text(end.nights, 'night')}, until {table_time_text(end.at, facts.hours.zone)}"


def _day(moment: datetime, facts: PlanFacts) -> float:
    return float(wall_time(moment, facts.hours.zone).date().toordinal())
