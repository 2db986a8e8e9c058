"""How far a first copy is, and the words for that: what is there, what its nights bring, and when it will be whole.

Pure. How the nights to come are reckoned is the forecast's matter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from otherroof.base.local_time import between_days, day_name, day_text, next_month, wall_time
from otherroof.base.units import count_text, percent_text, size_text
from otherroof.copying.report import MONTH_ENDED
from otherroof.forecast.first_copy import NightsLeft
from otherroof.ledger.runs import RunRow

# Further nights than these are no forecast but a pace that has to change.
_FARTHEST = 3650


@dataclass(frozen=True, slots=True)
class FirstCopy:
    """How far a first copy is: bytes there, bytes in the folder when it was last seen, how many nights were measured,
    what they say of those to come, what they brought on average, and whether those to come bring something else,
    because window or limits are `otherwise` now."""

    there: int
    seen: int
    nights: int
    left: NightsLeft | None
    mean: float = 0.0
    otherwise: bool = False

    @property
    def share(self) -> float:
        """The share that is there, 0 to 1; as long as it is a first copy, not all of it."""
        return min(0.99, self.there / self.seen) if self.seen else 0.0


def last_got_on(runs: Sequence[RunRow]) -> RunRow | None:
    """The last of `runs`, newest first, that brought a first copy on; None if none did. What is sent every night anew,
    because it changes every day, brings nothing on."""
    most, least, last = 0, math.inf, None
    for row in reversed(runs):
        sizes = row.report.bytes
        if not sizes.sent:
            continue
        if sizes.to_send:  # unknown of a run that was killed, and of one by an older version
            left = max(0, sizes.to_send - sizes.sent)
            there = sizes.seen - left
            if there <= most and left >= least:
                continue
            most, least = max(most, there), min(least, left)
        last = row
    return last


def by_clock(runs: Sequence[RunRow], until: datetime) -> list[RunRow]:
    """`runs`, newest first, those noted by a clock that was ahead of `until` last: as the newest they would hide all
    that came since, until that day."""
    return sorted(runs, key=lambda row: row.started > until)


def end_of(row: RunRow) -> datetime:
    """When a run ended; if it was killed, until when it is known to have lived."""
    return row.ended or row.started + timedelta(seconds=row.report.seconds.total)


def goes_on_from(row: RunRow, zone: ZoneInfo) -> datetime:
    """From when on a first copy should get on that did so last by this run: from its end, or from the month on whose
    allowance it waits for."""
    end = end_of(row)
    used_up = row.report.outcome == "cut" and row.report.reason.endswith(MONTH_ENDED)
    return max(end, next_month(end, zone)) if used_up else end


def first_copy_text(copy: FirstCopy, now: datetime, zone: ZoneInfo) -> str:
    """How far a first copy is, what its nights bring, and the day by which it will be whole, in words."""
    if not copy.there:
        return "first copy under way"
    there = f"{size_text(copy.there)} of {size_text(copy.seen)} there ({percent_text(copy.share)})"
    said = f"first copy under way: about {there}"
    if copy.left is None:
        return said
    each = f"the last {count_text(copy.nights, 'night')} brought {size_text(copy.mean)} each on average"
    likely, between = _whole_on(copy.left, now, zone)
    day = f"{likely} ({between})" if between else likely
    if copy.otherwise:
        return f"{said}; {each}, {size_text(copy.left.mean)} by window and limits as they are now; whole {day} by that"
    return f"{said}; {each}; whole {day} if the nights stay like that"


def still_text(copy: FirstCopy, since: datetime | None, zone: ZoneInfo) -> str:
    """That a first copy has not got on since a day, and how far it is. No day by which it will be whole: none is known
    as long as it does not get on."""
    day = f" since {day_text(since, zone)}" if since is not None else ""
    there = f" ({percent_text(copy.share)} there)" if copy.there else ""
    return f"first copy stands still{day}{there}"


def first_copy_short(copy: FirstCopy, now: datetime, zone: ZoneInfo) -> str:
    """That a first copy is under way, in a few words."""
    brief = first_copy_brief(copy, now, zone)
    return "first copy under way" + (f" ({brief})" if brief else "")


def first_copy_brief(copy: FirstCopy, now: datetime, zone: ZoneInfo) -> str:
    """The share of a first copy that is there, and when it will be whole, if these can be told."""
    said = [f"{percent_text(copy.share)} there"] if copy.there else []
    if copy.left is not None:
        likely, between = _whole_on(copy.left, now, zone)
        said.append(f"whole {between or likely}")
    return ", ".join(said)


def _whole_on(left: NightsLeft, now: datetime, zone: ZoneInfo) -> tuple[str, str]:
    """The day by which a first copy is likely whole, and between which days, in words; empty if it can only be one."""
    today = wall_time(now, zone).date()

    def day(nights: int) -> str:
        return day_name(today + timedelta(days=nights)) if nights <= _FARTHEST else "in more than ten years"

    likely = f"about {day(left.likely)}"
    if left.fewest == left.most:
        return likely, ""
    if left.most is None or left.most > _FARTHEST:
        return likely, f"{day(left.fewest)} at the soonest"
    return likely, between_days(today + timedelta(days=left.fewest), today + timedelta(days=left.most))
