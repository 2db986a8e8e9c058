"""Reads the longer history that the page draws: three months of nights, a year of space, four weeks of probes. Thin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from otherroof.ledger import Ledger, RunRow
from otherroof.ledger.far_findings import SpaceReading
from otherroof.settings import Settings
from otherroof.watch.digest.nights import nights_of
from otherroof.watch.digest.values import Night
from otherroof.watch.facts import AHEAD

NIGHTS = 91
PROBE_DAYS = 28
SPACE = timedelta(days=365)


@dataclass(frozen=True, slots=True)
class ProbeDay:
    """One day's probes of a far box, in the household's zone."""

    day: date
    asked: int
    answered: int


@dataclass(frozen=True, slots=True)
class FarHistory:
    """A far box's space over a year and its probes over four weeks, oldest first."""

    space: Sequence[SpaceReading]
    probes: Sequence[ProbeDay]


@dataclass(frozen=True, slots=True)
class History:
    """All that the page draws beyond the digest: nights of every job and of all together, and the far boxes."""

    nights: Sequence[Night]
    jobs: dict[str, Sequence[Night]]
    fars: dict[str, FarHistory]


def history(settings: Settings, ledger: Ledger, now: datetime) -> History:
    """The history up to `now`. Raises HomeTrouble if the ledger cannot be used."""
    zone = settings.zone
    runs: dict[str, list[RunRow]] = {name: [] for name in settings.jobs}
    for row in ledger.runs.rows(since=now - timedelta(days=NIGHTS + 1)):
        if row.report.job in runs and not row.under_way:
            runs[row.report.job].append(row)
    first_good = {name: ledger.runs.first_good(name, job.far) for name, job in settings.jobs.items()}
    return History(
        nights=nights_of([row for rows in runs.values() for row in rows], now, zone, NIGHTS, first_good),
        jobs={name: nights_of(rows, now, zone, NIGHTS, first_good) for name, rows in runs.items()},
        fars={
            name: FarHistory(ledger.spaces.daily(name, now - SPACE, now + AHEAD), _probe_days(ledger, name, now, zone))
            for name in settings.far
        },
    )


def _probe_days(ledger: Ledger, far: str, now: datetime, zone: ZoneInfo) -> list[ProbeDay]:
    last = now.astimezone(zone).date()
    days = [last - timedelta(days=back) for back in range(PROBE_DAYS - 1, -1, -1)]
    asked, answered = dict.fromkeys(days, 0), dict.fromkeys(days, 0)
    for row in ledger.probes.rows(far=far, since=now - timedelta(days=PROBE_DAYS + 1)):
        day = row.at.astimezone(zone).date()
        if day in asked:
            asked[day] += 1
            answered[day] += row.answered
    return [ProbeDay(date, asked[date], answered[date]) for date in days]
