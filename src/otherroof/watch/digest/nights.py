"""What came of each night: a good copy of every job that ran, part of a first copy, or none. Pure: runs in, nights out.

The digest, its page and the page's longer history all count by this, so that they never differ.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from itertools import dropwhile
from zoneinfo import ZoneInfo

from otherroof.base.local_time import morning_after
from otherroof.copying.report import GOOD
from otherroof.ledger import RunRow
from otherroof.watch.digest.values import Night, NightState

_BEST_FIRST: tuple[NightState, ...] = ("good", "building", "bad")


def nights_of(
    rows: Iterable[RunRow],
    now: datetime,
    zone: ZoneInfo,
    count: int,
    first_good: Mapping[str, datetime | None],
) -> tuple[Night, ...]:
    """What came of the last `count` nights, oldest first, each named by the day of its morning.

    `first_good`: by job, when its oldest good copy was begun. Before that a run that sent something built a first copy.
    """
    last = morning_after(now, zone)
    days = [last - timedelta(days=back) for back in range(count - 1, -1, -1)]
    sent = dict.fromkeys(days, 0)
    came: dict[date, dict[str, NightState]] = {day: {} for day in days}
    for row in rows:
        morning = morning_after(row.started, zone)
        if morning in sent:
            job = row.report.job
            sent[morning] += row.report.bytes.sent
            # Of several tries the best counts.
            states = (came[morning].get(job, "bad"), _state_of(row, first_good.get(job)))
            came[morning][job] = min(states, key=_BEST_FIRST.index)
    return tuple(_night(day, sent[day], came[day]) for day in days)


def _state_of(row: RunRow, first_good: datetime | None) -> NightState:
    if row.report.outcome in GOOD:
        return "good"
    builds = row.report.bytes.sent > 0 and (first_good is None or row.started < first_good)
    return "building" if builds else "bad"


def _night(day: date, sent: int, came: Mapping[str, NightState]) -> Night:
    lacking = tuple(sorted(job for job, state in came.items() if state == "bad"))
    if not came:
        return Night(day, sent, "none")
    if lacking:
        return Night(day, sent, "bad" if len(lacking) == len(came) else "part", lacking)
    return Night(day, sent, "building" if "building" in came.values() else "good")


def since_first(nights: Sequence[Night]) -> Sequence[Night]:
    """The nights from the first one with a run on: before it there was no job, not a job that sent nothing."""
    return list(dropwhile(lambda night: night.state == "none", nights))
