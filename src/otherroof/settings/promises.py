"""Whether a job's promise can be kept by its times at all, and whether its window is open at them. Pure: text in,
mistakes and remarks out.

A weekly job with a promise of two days would raise an alert every week, until nobody reads alerts any more.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from otherroof.base.units import span_text
from otherroof.settings.crontab import Crontab
from otherroof.settings.reader import Mistake, ReadableSettings, each_once, job_file
from otherroof.settings.windows import DayStretch

# A year and a little more is enough: everything but leap days recurs within it.
BEGIN, LENGTH = datetime(2026, 1, 1, tzinfo=UTC), timedelta(days=430)
MOST_TIMES = 600
# A week of hourly times.
MOST_LOOKED_AT = 170


def promises_that_cannot_be_kept(parts: ReadableSettings) -> list[Mistake]:
    """The jobs between whose times more may pass than they promise."""
    zone = ZoneInfo(parts.home.zone) if parts.home is not None else ZoneInfo("UTC")
    mistakes = []
    for name, job in parts.jobs.items():
        longest = longest_pause(job.at, zone)
        if timedelta(hours=job.promise_hours) <= longest:
            between = span_text(longest.total_seconds())
            mistakes.append(
                Mistake(
                    job_file(parts.where, name),
                    "promise_hours",
                    f"{job.promise_hours:g} h is promised, but {between} can pass from one time of at to the next",
                    f"more than {longest / timedelta(hours=1):.0f} h with some time for the run, or more times in at",
                )
            )
    return each_once(mistakes)


def times_outside_the_window(parts: ReadableSettings) -> list[Mistake]:
    """The jobs of which a time comes while their window is closed: no mistake, but perhaps not what was meant."""
    zone = ZoneInfo(parts.home.zone) if parts.home is not None else ZoneInfo("UTC")
    remarks = []
    for name, job in parts.jobs.items():
        if job.window is None:
            continue
        window, crontab, moment = DayStretch.parse(job.window), Crontab.parse(job.at), BEGIN
        for _ in range(MOST_LOOKED_AT):
            moment = crontab.next_after(moment, zone)
            if window.open_until(moment, zone) is None:
                opens = f"{window.next_open(moment, zone).astimezone(zone):%H:%M}"
                remarks.append(
                    Mistake(
                        job_file(parts.where, name),
                        "at",
                        f"a run is due at {moment.astimezone(zone):%H:%M}, while its window {job.window} is closed",
                        f"it then waits until {opens}; if that is not meant, move at or window",
                    )
                )
                break
    return each_once(remarks)


def longest_pause(at: str, zone: ZoneInfo) -> timedelta:
    """The longest time between two times in a row that crontab fields name."""
    # BEGIN itself is no time of the job; it is left out below.
    crontab, moments = Crontab.parse(at), [BEGIN]
    while len(moments) < MOST_TIMES and moments[-1] < BEGIN + LENGTH:
        moments.append(crontab.next_after(moments[-1], zone))
    return max((later - earlier for earlier, later in pairwise(moments[1:])), default=LENGTH)
