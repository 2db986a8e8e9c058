"""Gathers the facts of a forecast: from a person's word alone, or from settings and ledger with that word before them.

It fetches; what follows from the facts is decided in `forecast`.
"""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from otherroof.base.errors import WrongUse
from otherroof.base.local_time import day_text, midnight, month_begins, table_time_text, wall_time
from otherroof.base.units import mbit_text
from otherroof.copying.report import GOOD
from otherroof.forecast.first_copy import NightsLeft
from otherroof.forecast.planning.copy_time import AskedLine, LineFacts, SentNight, Work, asked_line, seen_up
from otherroof.forecast.planning.estimate import Likely
from otherroof.forecast.planning.facts import (
    ByHand,
    CopyKept,
    DiskFacts,
    DrilledBack,
    KeepingFacts,
    PlanFacts,
)
from otherroof.forecast.planning.open_hours import HourlyLimit, MonthAllowance, OpenHours, hourly_limits
from otherroof.forecast.planning.packets import PacketPath
from otherroof.forecast.planning.spacing import ReplacedContent
from otherroof.jobs.planning.amounts import amounts_of, few_of, usual_files
from otherroof.jobs.planning.request import PlanRequest
from otherroof.ledger import Ledger, RunRow
from otherroof.ledger.planning.line_readings import LineReading
from otherroof.restore.thinning.changes import VersionChanges
from otherroof.settings import FarBox, Job, NoTunnel, Settings, WireguardTunnel
from otherroof.settings.copies.roofs import roof_name, roofs
from otherroof.settings.crontab import Crontab
from otherroof.settings.windows import DayStretch
from otherroof.tunnel.network import mtu
from otherroof.watch.facts import AHEAD, FarFacts, JobFacts
from otherroof.watch.first_copy import by_clock
from otherroof.watch.gather import far_facts, night_room_of

MB = 10**6
MOST_RUNS = 60
RUNS_OVER_DAYS = 28
READING_HOLDS = timedelta(days=90)
USUAL_TRIP_S = 0.03  # between two households of one country (an assumption)
# One measurement, of seconds: another hour may differ by so much either way (common practice, no source).
READING_SPAN = 1.15
NO_LINE = "say how fast it is, --up 20 say, or measure it: otherroof plan --line"


def facts_as_said(asked: PlanRequest, now: datetime, zone: ZoneInfo) -> PlanFacts:
    """Before anything is bought: what a person says, and nothing else."""
    return PlanFacts(
        name="as said",
        begin=_opens(asked.window, now, zone),
        amounts=amounts_of(None, (), asked, now),
        line=asked_line(_asked(asked, USUAL_TRIP_S), path_of(None)),
        hours=_hours_said(asked, zone),
        disk=DiskFacts(asked.disk, _day(now, zone)),
        keeping=KeepingFacts(asked.spacing),
        by_hand=_by_hand(asked),
        few=Work(asked.few_size, usual_files(asked.few_size)) if asked.few_size else None,
        few_named="what was named",
    )


def facts_of(settings: Settings, name: str, ledger: Ledger, now: datetime, asked: PlanRequest) -> PlanFacts:
    """Of one job, by settings and ledger; what is said counts before what is known.

    Raises WrongUse if nothing is known of the line, HomeTrouble.
    """
    job = settings.jobs[name]
    far, zone = settings.far[job.far], settings.zone
    rows = [row for row in ledger.runs.rows(job=name, newest=MOST_RUNS) if row.far == job.far and not row.under_way]
    good = [row for row in rows if row.report.outcome in GOOD]
    nights = [_night(row) for row in reversed(good[:-1])]
    there = _jobs_there(settings, job.far, ledger, now)
    own = next(one for one in there if one.name == name)
    replaced, seen_days = _replaced(settings, name)
    paths = asked.few or job.drill.always
    return PlanFacts(
        name=name,
        begin=_begins(job, now, zone, begun=own.first_under_way),
        amounts=amounts_of(job, rows, asked, now),
        line=_line(far, rows, nights, _LineKnown(ledger, job.far, now, zone), asked),
        hours=_hours(settings, name, ledger, now, asked),
        there=float(own.first_copy_bytes[0]) if own.first_under_way else 0.0,
        brought=_brought(own, now, zone) if _by_itself(asked) else None,
        whole=own.newest is not None,
        nights=nights,
        checks_a_day=_checks_a_day(job),
        disk=_disk(settings, far_facts(far, ledger, job.far, now, since=now, jobs=there), now, asked),
        keeping=KeepingFacts(job.versions.lines, asked.spacing, runs_a_day(job.at, zone, now), replaced, seen_days),
        by_hand=_by_hand(asked),
        drilled=_drilled(ledger, name, job, now, zone),
        few=few_of(job.folder, paths) if paths else None,
        few_named=", ".join(paths),
        copies=_copies(settings, job, ledger, now),
    )


def path_of(far: FarBox | None) -> PacketPath:
    """The packets on the way to a far box; of one that is not set up yet, those of the usual tunnel."""
    tunnel = far.tunnel if far is not None else None
    if isinstance(tunnel, NoTunnel):
        return PacketPath(mtu.ETHERNET, 0)
    known = tunnel.mtu if isinstance(tunnel, WireguardTunnel) else 0
    return PacketPath(known or mtu.choose(mtu.ETHERNET, None), mtu.overhead(4))


def runs_a_day(at: str, zone: ZoneInfo, now: datetime) -> float:
    """How many runs a job's times owe in a day, on average over four weeks."""
    crontab, moment, count = Crontab.parse(at), now, 0
    end = now + timedelta(days=RUNS_OVER_DAYS)
    while (moment := crontab.next_after(moment, zone)) <= end and count < RUNS_OVER_DAYS * 1440:
        count += 1
    return max(count, 1) / RUNS_OVER_DAYS


def _night(row: RunRow) -> SentNight:
    report = row.report
    return SentNight(
        report.seconds.send,
        report.seconds.total,
        report.files.new + report.files.changed,
        report.bytes.wire_up,
        report.bytes.wire_down,
    )


def _jobs_there(settings: Settings, far: str, ledger: Ledger, now: datetime) -> tuple[JobFacts, ...]:
    """All jobs to one far box with their first copies, by the same reckoning as status and digest have."""
    return tuple(_job_there(settings, name, ledger, now) for name, job in settings.jobs.items() if job.far == far)


def _by_itself(asked: PlanRequest) -> bool:
    """Whether nothing else than what is there was asked about: folder, line, hours."""
    return asked == replace(PlanRequest(), disk=asked.disk, spacing=asked.spacing, few=asked.few)


def _brought(own: JobFacts, now: datetime, zone: ZoneInfo) -> tuple[int, NightsLeft] | None:
    """How many nights of a first copy there were, and how many more they say, as status and digest tell it."""
    copy = own.copy_under_way(now, zone)
    return (copy.nights, copy.left) if copy is not None and copy.left is not None else None


def _job_there(settings: Settings, name: str, ledger: Ledger, now: datetime) -> JobFacts:
    job = settings.jobs[name]
    rows = ledger.runs.rows(job=name, newest=MOST_RUNS)
    whole = ledger.runs.first_good(name, job.far)
    return JobFacts(
        name,
        job.folder,
        job.far,
        timedelta(hours=job.promise_hours),
        watched_since=now,
        newest=whole,
        runs=tuple(by_clock([row for row in rows if not row.under_way], now + AHEAD)),
        first_copy=whole,
        room=night_room_of(job, settings.far[job.far], settings.zone, now) if whole is None else None,
        under_way=next((row.started for row in rows if row.under_way and row.far == job.far), None),
    )


# -- the line --


class _LineKnown:
    """What ledger pages say of the line to one far box."""

    def __init__(self, ledger: Ledger, far: str, now: datetime, zone: ZoneInfo) -> None:
        self.far, self.zone = far, zone
        reading = ledger.lines.last(far, now)
        self.reading = reading if reading is not None and reading.at >= now - READING_HOLDS else None
        if self.reading is not None:
            trip_ms: float | None = self.reading.idle_ms
        else:
            probe = ledger.probes.last(far, now)
            trip_ms = probe.round_trip_ms if probe is not None else None
        self.trip_s = trip_ms / 1000 if trip_ms else USUAL_TRIP_S


def _line(
    far: FarBox, rows: Sequence[RunRow], nights: Sequence[SentNight], known: _LineKnown, asked: PlanRequest
) -> LineFacts:
    """What was said counts first, then what runs were seen to do, then what was measured."""
    reading, said = known.reading, _asked(asked, known.trip_s)
    # A first copy's own runs tell of the line too.
    seen = seen_up(nights) or seen_up([_night(row) for row in reversed(rows)])
    if asked.up_mbit:
        line = asked_line(said, path_of(far))
    elif seen is not None:
        up, file_s, how = seen
        line = replace(_known_up(far, said, up, how), file_s=file_s)
        if not asked.far_up_mbit:
            back = Likely(up.low / 2, up.value, up.high * 2)
            line = replace(line, back=back, how_back="as fast as the way there: a guess")
    elif reading is not None:
        line = _known_up(far, said, _around(reading.up_mbit), _reading_how(reading, known.zone))
    else:
        raise WrongUse("nothing is known yet of the line to the far box", where=known.far, advice=NO_LINE)
    if reading is not None and not asked.far_up_mbit:
        line = replace(line, back=_around(reading.down_mbit), how_back=_reading_how(reading, known.zone))
    return line


def _known_up(far: FarBox, said: AskedLine, up: Likely, how: str) -> LineFacts:
    """A line of which the way there is known as it is, losses and all."""
    return replace(asked_line(replace(said, up_mbit=up.value, loss=0.0), path_of(far)), up=up, how_up=how)


def _around(mbit: float) -> Likely:
    return Likely(mbit / READING_SPAN, mbit, mbit * READING_SPAN)


def _reading_how(reading: LineReading, zone: ZoneInfo) -> str:
    there, back = mbit_text(reading.up_mbit), mbit_text(reading.down_mbit)
    return (
        f"measured {day_text(reading.at, zone)}: {there} there, {back} back, "
        f"round trip {reading.idle_ms:.0f} ms, loaded {reading.loaded_up_ms:.0f} and {reading.loaded_down_ms:.0f} ms"
    )


def _asked(asked: PlanRequest, trip_s: float) -> AskedLine:
    trip = asked.round_trip_ms / 1000 if asked.round_trip_ms else trip_s
    return AskedLine(asked.up_mbit, asked.far_up_mbit, trip, asked.loss)


# -- hours --


def _hours_said(asked: PlanRequest, zone: ZoneInfo) -> OpenHours:
    limits = (HourlyLimit(asked.limits),) if asked.limits else ()
    return OpenHours(zone, asked.window or None, limits, MonthAllowance(asked.month))


def _hours(settings: Settings, name: str, ledger: Ledger, now: datetime, asked: PlanRequest) -> OpenHours:
    job = settings.jobs[name]
    far, zone = settings.far[job.far], settings.zone
    allowance = asked.month or far.month_bytes
    used = float(ledger.wire_bytes_since(job.far, month_begins(now, zone))) if allowance else 0.0
    others = _others_a_day(settings, name, ledger, now) if allowance else 0.0
    limits = (HourlyLimit(asked.limits),) if asked.limits else hourly_limits(job, far)
    month = MonthAllowance(allowance, used, others + _checks_a_day(job)) if allowance else MonthAllowance()
    return OpenHours(zone, asked.window or job.window, limits, month)


def _others_a_day(settings: Settings, name: str, ledger: Ledger, now: datetime) -> float:
    """What other jobs to the same far box put on the wire each day."""
    far, since = settings.jobs[name].far, now - timedelta(days=RUNS_OVER_DAYS)
    rows = [row for row in ledger.runs.rows(since=since) if row.far == far and row.report.job != name]
    return sum(row.report.bytes.wire_up + row.report.bytes.wire_down for row in rows) / RUNS_OVER_DAYS


def _checks_a_day(job: Job) -> float:
    drills = job.drill_mb / job.drill_days if job.drill_days else 0.0
    return (job.prove_mb + drills) * MB


def _opens(window: str, moment: datetime, zone: ZoneInfo) -> datetime:
    return DayStretch.parse(window).next_open(moment, zone) if window else moment.astimezone(UTC)


def _begins(job: Job, now: datetime, zone: ZoneInfo, *, begun: bool) -> datetime:
    # One that was cut goes on as soon as its window opens; a first one waits for its time.
    moment = now if begun else Crontab.parse(job.at).next_after(now, zone)
    return _opens(job.window or "", moment, zone)


# -- the far side --


def _disk(settings: Settings, far: FarFacts, now: datetime, asked: PlanRequest) -> DiskFacts:
    """The disk as the watch sees it; its readings tell nothing of another one that was asked about."""
    known = float(far.space.total) if far.space is not None else 0.0
    total, zone = asked.disk or known, settings.zone
    coming = far.first_copies > 0
    if total != known or far.space is None:
        return DiskFacts(total, _day(now, zone), coming=coming)
    full = far.full
    days = None
    if full is not None:
        latest = _day(full.latest, zone) if full.latest is not None else math.inf
        days = Likely(_day(full.soonest, zone), _day(full.likely, zone), latest)
    return DiskFacts(total, _day(now, zone), float(far.space.free), far.fill, days, coming)


def _day(moment: datetime, zone: ZoneInfo) -> float:
    """A moment as days on the household's calendar, the first of which is 1 January of the year 1."""
    wall = wall_time(moment, zone)
    return wall.toordinal() + (wall - midnight(wall.date())) / timedelta(days=1)


def _replaced(settings: Settings, name: str) -> tuple[Sequence[ReplacedContent], float]:
    path = settings.version_record(name)
    if not os.path.exists(path):
        return (), 0.0
    with closing(VersionChanges(path)) as changes:
        return changes.replaced()


def _drilled(ledger: Ledger, name: str, job: Job, now: datetime, zone: ZoneInfo) -> DrilledBack | None:
    row = ledger.drills.last(name, job.far, now)
    if row is None or row.figures.back_s is None:
        return None
    figures, likely = row.figures, row.figures.back_s
    soonest, latest = figures.soonest_s or likely, figures.latest_s or likely
    return DrilledBack(Likely(soonest, likely, latest), day_text(row.started, zone))


def _copies(settings: Settings, job: Job, ledger: Ledger, now: datetime) -> tuple[CopyKept, ...]:
    """The folder itself, and every roof under which a job copies the same folder."""
    under, newest = roofs(settings.far), dict[str, datetime | None]()
    for name, other in settings.jobs.items():
        if other.folder != job.folder:
            continue
        # Copies under one roof are one: what takes the house takes all of them.
        roof = roof_name(under[other.far])
        row = ledger.runs.newest_good(name, now, far=other.far)
        taken = [when for when in (newest.get(roof), row.started if row is not None else None) if when is not None]
        newest[roof] = max(taken, default=None)
    there = [(roof, True, table_time_text(when, settings.zone) if when else "") for roof, when in newest.items()]
    return CopyKept("here", False, "the folder itself"), *(CopyKept(*one) for one in there)


def _by_hand(asked: PlanRequest) -> ByHand:
    return ByHand(carry_s=asked.carry_hours * 3600, fetch_s=asked.fetch_hours * 3600)
