"""Reads what a digest is built from out of settings, ledger and the folders' surroundings. Thin."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from otherroof.base.clock import Clock
from otherroof.base.local_time import moment_text
from otherroof.base.units import count_text, size_text
from otherroof.ledger import Ledger, RunRow
from otherroof.settings import Settings
from otherroof.settings.copies.roofs import roof_name, roofs
from otherroof.settings.crontab import Crontab
from otherroof.watch.copies.together import folders_of
from otherroof.watch.digest.build import copies_of
from otherroof.watch.digest.unprotected import folders_in, unprotected_folders
from otherroof.watch.digest.weeks import BEFORE, WEEK, DigestFacts, FarWeek, JobWeek
from otherroof.watch.drills import drill_text
from otherroof.watch.facts import AHEAD, Facts, JobFacts
from otherroof.watch.gather import WatchInputs, gather
from otherroof.watch.rules import findings, without_grace


def gather_digest(settings: Settings, ledger: Ledger, clock: Clock, extra: WatchInputs) -> DigestFacts:
    """Everything for the digest of the week that ends now. Raises HomeTrouble if the ledger cannot be used."""
    now = clock.now()
    alerting = settings.told
    facts = without_grace(gather(settings, ledger, clock, extra))
    found = findings(facts)
    return DigestFacts(
        home=settings.home.name,
        zone=settings.zone,
        now=now,
        jobs=_jobs(settings, ledger, now, {job.name: job for job in facts.jobs}),
        fars=_fars(ledger, facts, now),
        found=found,
        quiet={alert.key: alert.quiet_until for alert in ledger.alerts.standing() if alert.quiet_until},
        # What only followed from another is told by that one.
        over=[
            alert
            for alert in ledger.alerts.ended_since(now - WEEK)
            if alert.ended and alert.ended <= now + AHEAD and not alert.because
        ],
        uncovered=unprotected_folders(
            [job.folder for job in settings.jobs.values()], alerting.digest.no_copy_wanted, folders_in
        ),
        heard_by=alerting.heard_by,
        next_due=Crontab.parse(alerting.digest.at).next_after(now, settings.zone),
        unread=settings.unread,
        folders=folders_of(facts, found),
        settings_in=settings.where,
    )


def _jobs(settings: Settings, ledger: Ledger, now: datetime, facts: Mapping[str, JobFacts]) -> list[JobWeek]:
    newest = {name: ledger.runs.newest_good(name, now + AHEAD, far=job.far) for name, job in settings.jobs.items()}
    runs: dict[str, list[RunRow]] = {name: [] for name in settings.jobs}
    # A day more than five weeks, so that the oldest night is whole.
    under_way: dict[str, datetime] = {}
    for row in ledger.runs.rows(since=now - WEEK - BEFORE - timedelta(days=1)):
        if row.under_way:
            under_way.setdefault(row.report.job, row.started)
        elif row.report.job in runs and row.started <= now + AHEAD:
            runs[row.report.job].append(row)
    same: dict[str, list[tuple[str, bool]]] = {}
    under = roofs(settings.far)
    for name, job in settings.jobs.items():
        there = roof_name(under[job.far]), newest[name] is not None
        same.setdefault(os.path.realpath(job.folder), []).append(there)
    return [
        JobWeek(
            name=name,
            folder=job.folder,
            far=job.far,
            promise=timedelta(hours=job.promise_hours),
            newest=newest[name],
            runs=runs[name],
            copies=copies_of(job.folder, same[os.path.realpath(job.folder)], job.also_kept),
            waiting=_now(under_way.get(name), facts[name].waiting, settings.zone),
            proved=facts[name].proved,
            first=facts[name].copy_under_way(now, settings.zone),
            whole_since=facts[name].first_copy,
            thinned=_thinned(ledger, name, now),
            drill=drill_text(facts[name].drilled, job.back_within_hours * 3600, settings.zone),
        )
        for name, job in settings.jobs.items()
    ]


def _thinned(ledger: Ledger, job: str, now: datetime) -> str:
    """Which versions went this week, in one line; empty if none did."""
    rows = [row for row in ledger.thinned.rows(job, now - WEEK) if row.at <= now + AHEAD]
    count = sum(len(row.runs) for row in rows)
    freed = size_text(sum(row.freed for row in rows))
    return f"{count_text(count, 'older version')} went by the keeping rule, {freed} given back" if count else ""


def _now(under_way: datetime | None, waiting: str, zone: ZoneInfo) -> str:
    """What a job is at, or waits for, at this moment."""
    return f"a run is under way since {moment_text(under_way, zone)}" if under_way is not None else waiting


def _fars(ledger: Ledger, facts: Facts, now: datetime) -> Sequence[FarWeek]:
    return [
        FarWeek(
            box,
            [row for row in ledger.probes.rows(far=box.name, since=now - WEEK) if row.at <= now + AHEAD],
            box.unanswered,
            ledger.runs.far_problems(box.name, now + AHEAD),
        )
        for box in facts.fars
    ]
