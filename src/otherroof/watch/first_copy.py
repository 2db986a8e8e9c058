"""How far a first copy is, and the words for that: what is there, what its nights bring, and when it will be whole.

Pure. How the nights to come are reckoned is the forecast's matter.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from otherroof.base.local_time import between_days, day_name, wall_time
from otherroof.base.units import count_text, percent_text, size_text
from otherroof.forecast.first_copy import NightsLeft

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
