"""What a run by hand goes beyond, in words for the person who begins it: the job's window, the month's allowance.

Whoever types `run` wants it now. It is said all the same, since the line is that of two households.
"""

from __future__ import annotations

from datetime import datetime

from otherroof.base.local_time import wall_time
from otherroof.ledger import Ledger
from otherroof.schedule.job_window import when_open, window_end
from otherroof.schedule.month_room import month_room
from otherroof.settings import Settings


def beyond(settings: Settings, name: str, ledger: Ledger, now: datetime) -> list[str]:
    """One line for each. Raises HomeTrouble if the ledger cannot be used."""
    job, zone, lines = settings.jobs[name], settings.zone, []
    ends = f"`otherroof stop {name}` ends it"
    if month_room(settings, job.far, ledger, now) == 0:
        lines.append(f"this month's allowance of far box {job.far} is used up; a run by hand goes beyond it")
    closes = window_end(job, now, zone)
    if closes is not None and closes <= now:
        opens = f"{wall_time(when_open(job, now, zone), zone):%H:%M}"
        lines.append(f"outside its window ({job.window}, opens at {opens}); a run by hand begins all the same, {ends}")
    elif closes is not None:
        lines.append(f"its window closes at {wall_time(closes, zone):%H:%M}; a run by hand goes on after that, {ends}")
    return lines
