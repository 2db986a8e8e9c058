"""Reads the facts of one moment out of ledger, settings and clock. Thin: it fetches, the rules judge."""

from __future__ import annotations

import time
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

from otherroof.base.clock import Clock
from otherroof.forecast.first_copy import NightRoom, night_room
from otherroof.forecast.planning.open_hours import OpenHours, hourly_limits
from otherroof.forecast.trend import days_until_full
from otherroof.ledger import Ledger
from otherroof.ledger.copies.renamed import WATCHED
from otherroof.ledger.far_findings import SpaceReading
from otherroof.ledger.last_look import WatchLook
from otherroof.ledger.proofs import HealedDamage
from otherroof.settings import FarBox, Job, Settings
from otherroof.settings.copies.roofs import roofs
from otherroof.tunnel.marks import boot_id
from otherroof.watch.facts import AHEAD, Facts, FarFacts, JobFacts
from otherroof.watch.first_copy import by_clock
from otherroof.watch.proved import proved_text
from otherroof.watch.rules import HEALED_STANDS, UNUSUAL_STANDS
from otherroof.watch.sheet.printed import old_sheet
from otherroof.watch.unusual import MOST_HISTORY

# After a break longer than this between two looks, home itself counts as having been off.
LONG_OFF = timedelta(hours=12)
TREND = timedelta(days=60)
MOST_RUNS = 500
MADE_ROOM = 0.05  # of the whole disk, from one day's reading to the next: no thinning night gives back so much
PROOFS_TOLD = timedelta(days=31)  # of so many days it is told what was healed
_DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class WatchInputs:
    """What the ledger cannot know: mistakes in settings that were not taken up, one line each."""

    mistakes: tuple[str, ...] = ()


def gather(settings: Settings, ledger: Ledger, clock: Clock, extra: WatchInputs) -> Facts:
    """The facts at this moment. Raises HomeTrouble if the ledger cannot be used."""
    now = clock.now()
    since = ledger.looks.watched_since(subjects(settings), now)
    alerting = settings.told
    look = compare_looks(ledger.looks.last(), clocks_now(clock), alerting.alerts.clock_jump_s)
    waiting = {name: turn.waiting for name, turn in ledger.job_times.by_job().items()}
    jobs = tuple(
        _job(settings, ledger, name, now, since=since[_subject(name, job)], waiting=waiting.get(name, ""))
        for name, job in settings.jobs.items()
    )
    under = roofs(settings.far)
    fars = tuple(
        replace(far_facts(box, ledger, name, now, since=since[f"far {name}"], jobs=jobs), roof=under[name])
        for name, box in settings.far.items()
    )
    return Facts(
        now=now,
        zone=settings.zone,
        look=look,
        alerts=alerting.alerts,
        jobs=jobs,
        fars=fars,
        channels={name: state for name, state in ledger.posts.channel_states().items() if name in alerting.channels},
        mistakes=extra.mistakes,
        unread=settings.unread,
        settings_in=settings.where,
        runs_ahead=len(ledger.runs.rows(since=now + AHEAD)),
        standing={alert.key: alert.mark for alert in ledger.alerts.standing()},
        old_sheet=old_sheet(settings),
    )


def subjects(settings: Settings) -> list[str]:
    """What the watch watches over, as the ledger names it."""
    return [*(_subject(name, job) for name, job in settings.jobs.items()), *(f"far {name}" for name in settings.far)]


def _subject(name: str, job: Job) -> str:
    # With its far box: a job that goes elsewhere from now on begins anew, and has no copy there yet.
    return WATCHED.format(name, job.far)


def _job(settings: Settings, ledger: Ledger, name: str, now: datetime, *, since: datetime, waiting: str) -> JobFacts:
    job, zone = settings.jobs[name], settings.zone
    # Enough for a job that runs nightly: the history, and the week of runs that are compared with it.
    rows = ledger.runs.rows(job=name, newest=MOST_HISTORY + 8)
    if rows and rows[-1].started > now - UNUSUAL_STANDS:
        # It runs many times a day: take enough rows for a week of alerts and the history before it.
        rows = ledger.runs.rows(job=name, newest=MOST_RUNS)
    at_work = next((row for row in rows if row.under_way and row.far == job.far), None)
    natures = ledger.runs.natures(name, rows[-1].started) if rows else {}
    rows = by_clock([row for row in rows if not row.under_way], now + AHEAD)
    hold = ledger.holds.of(name)
    newest = _newest_begun(ledger, name, job.far, now)
    return JobFacts(
        name=name,
        folder=job.folder,
        far=job.far,
        promise=timedelta(hours=job.promise_hours),
        watched_since=since,
        newest=newest,
        hold=hold if hold is not None and hold.released is None else None,
        runs=tuple(rows),
        natures=natures,
        damages=tuple(ledger.damages.of(name)),
        healed=_untold_healing(ledger, name, now),
        waiting=waiting,
        proved=proved_text(ledger.proofs.of(name, since=now - PROOFS_TOLD), job, zone),
        rule=ledger.rules.of(name),
        drilled=ledger.drills.last(name, job.far, now + AHEAD),
        fruitless=tuple(ledger.drills.fruitless(name, job.far, now + AHEAD)),
        drill_every=timedelta(days=job.drill_days),
        back_within=timedelta(hours=job.back_within_hours),
        first_copy=ledger.runs.first_good(name, job.far),
        under_way=at_work.started if at_work is not None else None,
        sends=at_work is not None and at_work.report.bytes.sent > 0,
        at=job.at,
        released=hold.released if hold is not None else None,
        room=night_room_of(job, settings.far[job.far], zone, now) if newest is None else None,
    )


def night_room_of(job: Job, far: FarBox, zone: ZoneInfo, now: datetime) -> NightRoom:
    """What window and limits leave of the nights to come of a job whose first copy is under way: one that was cut goes
    on as soon as its window opens."""
    hours = OpenHours(zone, job.window, hourly_limits(job, far))
    # The window that is open now says nothing of a whole one.
    closes = hours.stretch.open_until(now, zone) if hours.stretch is not None else None
    return night_room(closes or now, hours)


def _untold_healing(ledger: Ledger, job: str, now: datetime) -> HealedDamage | None:
    """What was healed of late, unless an alert about that damage stood when it was: its end tells of the healing."""
    healed = ledger.proofs.healed_since(job, now - HEALED_STANDS)
    if healed is None:
        return None
    alerts = [*ledger.alerts.standing(), *ledger.alerts.ended_since(healed.at)]
    told = any(alert.key == f"damage:{job}" and alert.raised < healed.at for alert in alerts)
    return None if told else healed


def _newest_begun(ledger: Ledger, job: str, far: str, now: datetime) -> datetime | None:
    """When the newest good copy of a job at `far` was begun; one from the future tells nothing about its age."""
    return ledger.runs.newest_good_begun(job, now + AHEAD, far=far)


def far_facts(
    far: FarBox, ledger: Ledger, name: str, now: datetime, *, since: datetime, jobs: Sequence[JobFacts]
) -> FarFacts:
    """What is known of one far box, which is watched from `since` on, with the day its disk will be full."""
    kept_here = [job for job in jobs if job.far == name]
    # Else an entry written while the clock was ahead would count as the newest until that date.
    marks = ledger.spaces.daily(name, now - TREND, now + AHEAD)
    readings = _readings_of_growth(marks, [job.first_copy for job in kept_here if job.first_copy is not None])
    firsts = [job.first_copy_bytes for job in kept_here if job.first_under_way]
    answered = ledger.answers.last(name, now + AHEAD)
    return FarFacts(
        name=name,
        silent=timedelta(days=far.silent_days),
        watched_since=since,
        answered=answered,
        unanswered=ledger.probes.last_unanswered(name, now + AHEAD),
        stop=ledger.probes.stop(name, now + AHEAD, answered),
        fill_days=far.fill_days,
        floor=int(far.floor_gb * 1e9),
        space=marks[-1] if marks else None,
        fill=days_until_full(_points(readings), float(marks[-1].total)) if readings and not firsts else None,
        coming=sum(seen - there for there, seen in firsts),
        first_copies=len(firsts),
    )


def _readings_of_growth(marks: Sequence[SpaceReading], first_copies: Collection[datetime]) -> Sequence[SpaceReading]:
    """Those of a disk's readings, oldest first, that tell how it fills from night to night; `first_copies`: when each
    that was brought to it was whole."""
    # A disk that was replaced begins a new history, and so does one that a first copy was brought to: what that took
    # is no growth that goes on.
    calm = max(first_copies, default=None)
    return since_room_was_made(
        [mark for mark in marks if mark.total == marks[-1].total and (calm is None or mark.at > calm)]
    )


def since_room_was_made(marks: Sequence[SpaceReading]) -> Sequence[SpaceReading]:
    """The readings since somebody last made room on the disk: what was removed at once says nothing of growth."""
    begin = 0
    for place, (before, after) in enumerate(pairwise(marks), 1):
        if after.free - before.free > MADE_ROOM * after.total:
            begin = place
    return marks[begin:]


def _points(marks: Sequence[SpaceReading]) -> list[tuple[float, float]]:
    return [(mark.at.timestamp() / _DAY_S, float(mark.total - mark.free)) for mark in marks]


def clocks_now(clock: Clock) -> WatchLook:
    """The clocks as they stand: on the wall, since this machine's start, and how much of that it slept."""
    now = clock.now()
    # Linux: BOOTTIME goes on while the machine sleeps, MONOTONIC stands still; the difference is the time asleep.
    asleep = time.clock_gettime(time.CLOCK_BOOTTIME) - time.clock_gettime(time.CLOCK_MONOTONIC)
    return WatchLook(now, clock.monotonic(), asleep, boot_id(), now)


def compare_looks(last: WatchLook | None, now: WatchLook, limit_s: float) -> WatchLook:
    """This look in the light of the last one: did the clock jump by more than `limit_s` seconds, was home off?

    Pure. Within one start of the machine the wall must have moved as far as the machine ran and slept; over a
    restart only a clock that went back can be told from time that passed.
    """
    if last is None:
        return now
    wall_s = (now.at - last.at).total_seconds()
    ran_s = now.monotonic_s - last.monotonic_s
    known = now.boot == last.boot and ran_s >= 0
    passed_s = ran_s + max(0.0, now.asleep_s - last.asleep_s) if known else max(0.0, wall_s)
    jumped_s = wall_s - passed_s
    # `min`: a clock that was set back must not put the waking into the future.
    awake = now.at if passed_s > LONG_OFF.total_seconds() else min(last.awake_since, now.at)
    # Small differences are usual: clocks that are kept by the network are slewed, and two of them are read in turn
    # here.
    if abs(jumped_s) > limit_s:
        return WatchLook(now.at, now.monotonic_s, now.asleep_s, now.boot, awake, now.at, jumped_s)
    return WatchLook(now.at, now.monotonic_s, now.asleep_s, now.boot, awake, last.jumped_at, last.jumped_s)
