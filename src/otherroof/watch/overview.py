"""How every copy, far box and alert stands at this moment, as plain rows. Read from ledger and settings alone, so
that it works whether or not the service runs.

What is late, held or silent, and what follows from what, is the watch's rules to say; nothing of it is reckoned here.
It knows nothing of how the rows are shown.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from otherroof.base.clock import Clock, from_stamp, stamp
from otherroof.base.errors import EXIT_LOOK, EXIT_WELL, typed
from otherroof.base.local_time import moment_text
from otherroof.base.units import count_text, span_text
from otherroof.copying.report import GOOD
from otherroof.ledger import Ledger
from otherroof.ledger.alerts import Alert
from otherroof.ledger.live.live_run import LiveRun
from otherroof.ledger.probes import ProbeRow
from otherroof.settings import Settings
from otherroof.settings.crontab import Crontab
from otherroof.watch.copies.together import FolderStands, folders_of
from otherroof.watch.drills import drill_text
from otherroof.watch.facts import AHEAD, FarFacts, Finding, FullDay, JobFacts
from otherroof.watch.first_copy import first_copy_text, still_text
from otherroof.watch.gather import WatchInputs, gather
from otherroof.watch.rules import findings, gravity, without_grace
from otherroof.watch.way_rules import turned_away


@dataclass(frozen=True, slots=True)
class JobRow:
    """One job. `needs` says what a person has to do and is empty if there is nothing; `alert` names the alert that says
    the same if it stands. `next_at` is its next time by its settings, `waits` what that waits for; `proved` what was
    read back. `drilled` is when the last drill began, `drill` tells of it in words, and `back_s` is how long all
    would take to come back, in seconds."""

    job: str
    far: str
    newest_good: str | None
    taken: str | None
    age_s: int | None
    files: int | None
    bytes: int | None
    last: str | None
    last_at: str | None
    reason: str
    needs: str
    alert: str
    waits: str
    proved: str = ""
    drilled: str | None = None
    drill: str = ""
    back_s: float | None = None
    next_at: str | None = None
    live: LiveRun | None = None

    @property
    def named(self) -> str:
        """What the row is about."""
        return self.job

    def as_json(self) -> dict[str, Any]:
        """The row as `status --json` prints it, with how far a run is that is under way."""
        row = asdict(replace(self, live=None)) | {"progress": self.live.as_json() if self.live else None}
        del row["live"]
        return row


@dataclass(frozen=True, slots=True)
class FarRow:
    """One far box. `silent_since` is when it last answered, if it did not answer its last probe or not for its
    days; None if it answers, and if it never has. `headline` is the last probe's word unless something newer is known,
    `stops` the check at which the way stops, since when. `notes` are what the last run met there besides its files;
    `free` and `total` are bytes of its disk by the last reading, `full_on` is when that is full by the trend, from
    `full_soonest` to `full_latest` (None: perhaps never)."""

    far: str
    address: str
    answered: str | None
    silent_s: int | None
    answers: bool
    silent_since: str | None
    probed: str | None
    headline: str
    advice: str
    stops: str
    stops_since: str | None
    needs: str
    alert: str
    notes: tuple[str, ...]
    free: int | None = None
    total: int | None = None
    full_on: str | None = None
    full_soonest: str | None = None
    full_latest: str | None = None

    @property
    def full(self) -> FullDay | None:
        """The day its disk will be full by the trend, with its range."""
        if self.full_on is None or self.full_soonest is None:
            return None
        latest = from_stamp(self.full_latest) if self.full_latest is not None else None
        return FullDay(from_stamp(self.full_on), from_stamp(self.full_soonest), latest)

    @property
    def named(self) -> str:
        """What the row is about."""
        return self.far


@dataclass(frozen=True, slots=True)
class Overview:
    """Everything. `looked`: when the watch looked last, which raises and ends the alerts; `mistakes`: what is wrong
    with the settings as they are written now; `unread`: the jobs that are not copied for that; `follows`: the keys of
    what follows from something else, and of that; `settings_in` is the settings folder: commands are written by it;
    `heard`: whether alerts go where somebody may read them; `folders`: how each stands with all its copies."""

    jobs: tuple[JobRow, ...]
    far: tuple[FarRow, ...]
    alerts: tuple[Alert, ...]
    looked: datetime | None
    now: datetime
    mistakes: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    follows: Mapping[str, str] = field(default_factory=dict)
    untold: tuple[Finding, ...] = ()
    settings_in: str = ""
    heard: bool = True
    folders: tuple[FolderStands, ...] = ()
    zone: ZoneInfo = field(default_factory=lambda: ZoneInfo("UTC"))

    @property
    def needs_a_look(self) -> bool:
        """Whether a person has something to do that they have not put off."""
        quiet = {alert.key for alert in self.alerts if alert.quiet_until is not None and alert.quiet_until > self.now}
        return (
            any(alert.key not in quiet for alert in self.alerts)
            or bool(self.untold or self.mistakes or not self.heard)
            or any(row.needs and row.alert not in quiet for row in self.rows)
            or any(row.notes for row in self.far)
        )

    @property
    def rows(self) -> list[JobRow | FarRow]:
        """Jobs and far boxes."""
        return [*self.jobs, *self.far]

    def as_json(self) -> dict[str, Any]:
        """The overview as `status --json` prints it."""
        return {
            "jobs": [row.as_json() for row in self.jobs],
            "folders": [folder.as_json(self.now, self.zone) for folder in self.folders],
            "far": [asdict(row) for row in self.far],
            "alerts": [alert.as_json() for alert in self.alerts],
            "untold": [{"alert": one.key, "headline": one.headline, "help": one.help} for one in self.untold],
            "heard": self.heard,
            "looked": stamp(self.looked) if self.looked else None,
            "mistakes": list(self.mistakes),
            "unread": list(self.unread),
        }


def overview(settings: Settings, ledger: Ledger, clock: Clock, mistakes: tuple[str, ...] = ()) -> Overview:
    """How all stands. Raises HomeTrouble if the ledger cannot be used."""
    facts = without_grace(gather(settings, ledger, clock, WatchInputs(mistakes)))
    found = {finding.key: finding for finding in findings(facts)}
    look = ledger.looks.last()
    rows = (_job(ledger, job, found, (facts.now, facts.zone)) for job in sorted(facts.jobs, key=lambda job: job.name))
    jobs = tuple(replace(row, needs=typed(row.needs, settings.where)) for row in rows)
    boxes = {far.name: far for far in sorted(facts.fars, key=lambda far: far.name)}
    far = tuple(
        _as_typed(_far(ledger, box, settings.far[name].address, found, facts.now), settings.where)
        for name, box in boxes.items()
    )
    alerts = _alerts(ledger, found, settings)
    shown = {alert.key for alert in alerts} | {row.alert for row in jobs} | {row.alert for row in far}
    return Overview(
        jobs=_with_failures(jobs, {row.far for row in far if row.answers}, facts.zone),
        far=far,
        alerts=alerts,
        looked=look.at if look else None,
        now=facts.now,
        mistakes=mistakes,
        unread=settings.unread,
        settings_in=settings.where,
        heard=bool(settings.told.heard_by),
        folders=folders_of(facts, found.values()),
        zone=facts.zone,
        follows={key: finding.because for key, finding in found.items() if finding.because},
        # A mistake in the settings is told from the files themselves.
        untold=tuple(
            finding
            for key, finding in found.items()
            if key not in shown and finding.because not in found and finding.rule != "settings"
        ),
    )


def _as_typed(row: FarRow, folder: str) -> FarRow:
    notes = tuple(typed(note, folder) for note in row.notes)
    return replace(row, needs=typed(row.needs, folder), advice=typed(row.advice, folder), notes=notes)


def _alerts(ledger: Ledger, found: Mapping[str, Finding], settings: Settings) -> tuple[Alert, ...]:
    """The alerts that stand, the gravest first, in the words of this moment: what is over by now is none any more,
    though the watch has yet to look. Of a job whose file has a mistake nothing newer is known."""
    standing = [alert for alert in ledger.alerts.standing() if alert.key in found or settings.is_unread(alert.about)]
    now = [
        replace(alert, headline=found[alert.key].headline, help=found[alert.key].help) if alert.key in found else alert
        for alert in standing
    ]
    return tuple(sorted(now, key=lambda alert: gravity(alert.key)))


def _with_failures(jobs: Iterable[JobRow], answering: Collection[str], zone: ZoneInfo) -> tuple[JobRow, ...]:
    """A last run that failed is for a person too, unless it is its far box that does not answer or lets nobody in."""
    return tuple(
        replace(row, needs=f"its last run, {moment_text(from_stamp(row.last_at), zone)}, failed: {row.reason}")
        if row.last_at is not None and row.last == "failed" and not row.needs and row.far in answering
        else row
        for row in jobs
    )


def _of_first_copy(ledger: Ledger, job: JobFacts, zone: ZoneInfo) -> str:
    """What a person does about a job that has no copy: it may be on a disk that was not found at the far box yet."""
    for row in ledger.runs.rows(job=job.name, carried=True):
        if row.far == job.far and not row.at_far_box and row.report.outcome in GOOD:
            on_a_disk = f"no copy in the other house yet, but one on a disk ({moment_text(row.started, zone)})"
            return f"{on_a_disk}: otherroof landed {job.name}, once it is there"
    # A new server knows of none that lies there already.
    return f"no copy by this server yet: otherroof run {job.name} (what lies there: otherroof versions {job.name})"


def _job(ledger: Ledger, job: JobFacts, found: Mapping[str, Finding], when: tuple[datetime, ZoneInfo]) -> JobRow:
    name, (now, zone) = job.name, when
    last, good = (
        next(iter(ledger.runs.rows(job=name, newest=1)), None),
        ledger.runs.newest_good(name, now + AHEAD, far=job.far),
    )
    live = last.live if last is not None and last.live is not None else ledger.live.of(name)
    held, late = f"held:{name}", f"late:{name}"
    needs = alert = ""
    if held in found and job.hold is not None:
        needs, alert = f"held: {job.hold.why}; look, then: otherroof release {name}", held
    elif good is None and (live is not None or ledger.wishes.run_wish(name) is not None):
        needs, alert = "", ""  # the first copy is on its way, which may take weeks
    elif good is None and job.got_on(now) is not None and late not in found:
        needs, alert = "", ""  # it goes on with the next run
    elif good is None and job.got_on(now) is not None:
        needs, alert = f"its first copy does not get on: otherroof run {name}", late
    elif good is None:
        needs, alert = _of_first_copy(ledger, job, zone), late  # said long before the rule calls it late
    elif late in found:
        needs = f"older than promised ({span_text(job.promise.total_seconds())}): otherroof probe {job.far}"
        alert = late
    elif last is not None and last.report.files.problems and last.report.outcome == "done with problems":
        lacks = count_text(last.report.files.problems, "entry", "entries")
        needs = f"{lacks} could not be copied: otherroof ledger {name} --json"
    return JobRow(
        job=name,
        far=job.far,
        newest_good=good.report.run if good is not None else None,
        taken=stamp(good.started) if good is not None else None,
        age_s=round((now - good.started).total_seconds()) if good is not None else None,
        files=good.report.files.seen if good is not None else None,
        bytes=good.report.bytes.seen if good is not None else None,
        last=None if last is None else last.outcome,
        last_at=stamp(last.started) if last is not None else None,
        reason=last.report.reason if last is not None else "",
        needs=needs,
        alert=alert,
        waits="; ".join(filter(None, (_first_copy(job, when, stuck=late in found), job.waiting))),
        proved=job.proved,
        drilled=stamp(job.drilled.started) if job.drilled is not None else None,
        drill=drill_text(job.drilled, job.back_within.total_seconds(), zone),
        back_s=job.drilled.figures.back_s if job.drilled is not None else None,
        next_at=stamp(Crontab.parse(job.at).next_after(now, zone)) if job.at else None,
        live=live,
    )


def _first_copy(job: JobFacts, when: tuple[datetime, ZoneInfo], *, stuck: bool) -> str:
    now, zone = when
    copy = job.copy_under_way(now, zone)
    if copy is None or not copy.there:
        return ""
    return still_text(copy, job.got_on(now), zone) if stuck else first_copy_text(copy, now, zone)


def _far(ledger: Ledger, far: FarFacts, address: str, found: Mapping[str, Finding], now: datetime) -> FarRow:
    name, answered = far.name, far.answered
    probe = ledger.probes.last(name, now + AHEAD)
    silent = (now - answered).total_seconds() if answered is not None else None
    shut = turned_away(far)
    quiet = far.unheard or f"silent:{name}" in found or bool(shut)
    needs = alert = ""
    if shut and far.stop is not None:
        alert = f"{shut}:{name}"
        needs = f"{far.stop.seen}; {far.stop.advice}" if far.stop.advice else far.stop.seen
    elif silent is None:
        needs, alert = f"has never answered: otherroof probe {name}", f"silent:{name}"
    elif f"silent:{name}" in found:
        needs, alert = f"has not answered for {span_text(silent)}: otherroof probe {name}", f"silent:{name}"
    outdated = probe is not None and _is_outdated(probe, far, ledger.runs.last_counted(name, now + AHEAD))
    return FarRow(
        far=name,
        address=address,
        answered=stamp(answered) if answered is not None else None,
        silent_s=round(silent) if silent is not None else None,
        answers=answered is not None and not quiet,
        silent_since=stamp(answered) if answered is not None and quiet and not shut else None,
        probed=stamp(probe.at) if probe is not None else None,
        headline=probe.headline if probe is not None and not outdated else "",
        advice=probe.advice if probe is not None and not outdated else "",
        stops=far.stop.rung if far.stop is not None else "",
        stops_since=stamp(far.stop.since) if far.stop is not None else None,
        needs=needs,
        alert=alert,
        notes=tuple(ledger.runs.far_problems(name, now + AHEAD)),
        free=far.space.free if far.space is not None else None,
        total=far.space.total if far.space is not None else None,
        full_on=stamp(far.full.likely) if far.full is not None else None,
        full_soonest=stamp(far.full.soonest) if far.full is not None else None,
        full_latest=stamp(far.full.latest) if far.full is not None and far.full.latest is not None else None,
    )


def _is_outdated(probe: ProbeRow, far: FarFacts, counted: datetime | None) -> bool:
    """Whether something newer is known than what a probe met: that the way goes through, or that a copy was made."""
    if probe.exit_code not in (EXIT_WELL, EXIT_LOOK):
        return far.stop is None
    return counted is not None and counted > probe.at
