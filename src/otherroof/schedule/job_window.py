"""The window of a job: whether it is open, until when, and when it opens next.

Pure. It must not know what the service does by it; a run by hand asks too, and goes beyond it.
"""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

from otherroof.settings import Job
from otherroof.settings.windows import DayStretch


def window_now(job: Job, now: datetime, zone: ZoneInfo) -> tuple[datetime | None, datetime | None]:
    """Until when the window is open, and when it opens if it is closed."""
    if job.window is None:
        return None, None
    stretch = DayStretch.parse(job.window)
    until = stretch.open_until(now, zone)
    return (until, None) if until is not None else (None, stretch.next_open(now, zone))


def window_end(job: Job, now: datetime, zone: ZoneInfo) -> datetime | None:
    """When a run of `job` that is under way has to stop: None without a window, `now` if it is closed already."""
    until, opens = window_now(job, now, zone)
    return now if opens is not None else until


def when_open(job: Job, moment: datetime, zone: ZoneInfo) -> datetime:
    """`moment` itself if the window of `job` is open then, or it has none; else when it opens next."""
    return moment if job.window is None else DayStretch.parse(job.window).next_open(moment, zone)
