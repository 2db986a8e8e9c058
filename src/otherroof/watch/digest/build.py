"""Turns what the ledger holds about the last weeks into a digest. Pure: values in, values out."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from itertools import dropwhile
from zoneinfo import ZoneInfo

from otherroof.base.errors import typed
from otherroof.base.local_time import day_text, moment_text, morning_after
from otherroof.base.units import count_text, span_text
from otherroof.copying.report import GOOD, OUTCOMES
from otherroof.forecast.trend import growth_a_week
from otherroof.ledger import RunRow
from otherroof.ledger.alerts import Alert
from otherroof.ledger.probes import ProbeRow
from otherroof.watch.digest.values import (
    ActionNeeded,
    Copies,
    Digest,
    FarReport,
    FullDay,
    JobReport,
    Night,
    NightState,
    RunTotals,
    UnprotectedFolders,
    Verdict,
)
from otherroof.watch.facts import FarFacts, Finding, FirstCopy, first_copy_brief, first_copy_text
from otherroof.watch.rules import HEALED
from otherroof.watch.words import list_text, printable

WEEK = timedelta(days=7)
BEFORE = timedelta(days=28)
NIGHTS = 28
JOB_NIGHTS = 7
# A finding in a few words, for the first sentence.
BRIEF = {
    "host_key": "far box {} shows another host key",
    "login": "far box {} does not let this home in",
    "damage": "damage in the copy of {}",
    "held": "job {} is held",
    "silent": "far box {} does not answer",
    "late": "the copy of {} is too old",
    "check_failed": "what came back of {} did not pass its check",
    "too_slow": "{} would come back too slowly",
    "undrilled": "practice restores of {} do not work",
    "space": "the disk of far box {} is nearly full",
    "shortened": "fewer versions of {} are kept",
    "unusual": "{} changed unusually",
    "settings": "the settings have a mistake",
    "unsent": "channel {} does not work",
    "clock": "this machine's clock was wrong",
    "sheet": "the recovery sheet is old",
}
# The same on the card of a job or a far box, which says itself whose it is.
ABOUT_JOBS = {
    "damage": "damaged",
    "held": "held",
    "late": "late",
    "check_failed": "did not pass its check",
    "too_slow": "comes back too slowly",
    "undrilled": "practice restores do not work",
    "shortened": "fewer versions are kept",
    "unusual": "changed unusually",
}
ABOUT_FAR_BOXES = {
    "host_key": "another host key",
    "login": "lets nobody in",
    "silent": "does not answer",
    "space": "nearly full",
}
_GAPS, _AT_FAR_BOX = "files are missing from the newest copy", "something there needs a look"
# What a copy that is fresh does not show, and what the first sentence says also if something worse stands in it.
_ALWAYS_SAID = ("host_key", "login", "held", "space")
MOST_NAMED = 4
_BEST_FIRST: tuple[NightState, ...] = ("good", "building", "bad")


@dataclass(frozen=True, slots=True)
class JobWeek:
    """What is known of one job: its settings, its newest good copy, its runs of the last five weeks, how far its first
    copy is, if it is under way, and since when that is whole."""

    name: str
    folder: str
    far: str
    promise: timedelta
    newest: RunRow | None
    runs: Sequence[RunRow]
    copies: Copies
    waiting: str = ""
    proved: str = ""
    thinned: str = ""
    drill: str = ""
    first: FirstCopy | None = None
    whole_since: datetime | None = None

    @property
    def begun_well(self) -> datetime | None:
        """When the oldest good copy that is known was begun; None as long as there is none."""
        return self.whole_since or (self.newest.started if self.newest else None)


@dataclass(frozen=True, slots=True)
class FarWeek:
    """What is known of one far box: the watch's facts, the probes of the week, when it was last silent, and what the
    last run met there that is about no file."""

    facts: FarFacts
    probes: Sequence[ProbeRow]
    silent_at: datetime | None
    notes: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class DigestFacts:
    """Everything that a digest is built from."""

    home: str
    zone: ZoneInfo
    now: datetime
    jobs: Sequence[JobWeek] = ()
    fars: Sequence[FarWeek] = ()
    found: Sequence[Finding] = ()
    quiet: Mapping[str, datetime] = field(default_factory=dict)
    over: Sequence[Alert] = ()
    uncovered: Sequence[UnprotectedFolders] = ()
    heard_by: Sequence[str] = ()
    next_due: datetime | None = None
    unread: Sequence[str] = ()
    settings_in: str = ""


def build_digest(known: DigestFacts) -> Digest:
    """The digest of the week that ends now."""
    # What is wrong comes first, here and in every form.
    jobs = tuple(sorted((job_report(job, known) for job in known.jobs), key=lambda job: not job.mark))
    needed = tuple(replace(hand, help=typed(hand.help, known.settings_in)) for hand in _hands(known, jobs))
    verdict, sentence = _verdict(known, jobs, needed)
    runs = [row for job in known.jobs for row in job.runs]
    return Digest(
        home=known.home,
        zone=known.zone,
        at=known.now,
        since=known.now - WEEK,
        verdict=verdict,
        sentence=sentence,
        jobs=jobs,
        fars=tuple(sorted((far_report(box, known) for box in known.fars), key=lambda far: not far.mark)),
        hands=needed,
        over=tuple(known.over),
        uncovered=tuple(known.uncovered),
        nights=nights_of(runs, known.now, known.zone, NIGHTS, {job.name: job.begun_well for job in known.jobs}),
        next_due=known.next_due,
    )


def job_report(job: JobWeek, known: DigestFacts) -> JobReport:
    """One job's week against the four weeks before."""
    newest = job.newest.started if job.newest else None
    last = job.newest.report if job.newest else None
    week = [row for row in job.runs if row.started >= known.now - WEEK]
    before = [row for row in job.runs if known.now - WEEK - BEFORE <= row.started < known.now - WEEK]
    nights = nights_of(job.runs, known.now, known.zone, NIGHTS, {job.name: job.begun_well})
    stuck = any(finding.key == f"late:{job.name}" for finding in known.found)
    whole = morning_after(job.whole_since, known.zone) if job.whole_since is not None else None
    return JobReport(
        name=job.name,
        folder=job.folder,
        far=job.far,
        promise_s=job.promise.total_seconds(),
        newest=newest,
        age_s=max(0.0, (known.now - newest).total_seconds()) if newest else None,
        week=span_of(week, 1.0),
        before=span_of(before, _weeks_before(job.runs, known.now)) if before else None,
        nights=nights[-JOB_NIGHTS:],
        copies=job.copies,
        size=last.bytes.seen if last else 0,
        files=last.files.seen if last else 0,
        problems=last.files.problems if last else 0,
        waiting=printable(job.waiting),
        proved=job.proved,
        thinned=job.thinned,
        drill=printable(job.drill),
        first=first_copy_text(job.first, known.now, known.zone) if job.first and not stuck else "",
        first_brief=first_copy_brief(job.first, known.now, known.zone) if job.first and not stuck else "",
        mark=_mark(job.name, ABOUT_JOBS, known) or (_GAPS if last and last.files.problems else ""),
        # Good nights after the first copy: that, and nights without an answer, would look like growing lighter.
        growth=growth_a_week(
            [float(night.sent) for night in nights if night.good and (whole is None or night.day > whole)]
        ),
    )


def _weeks_before(runs: Sequence[RunRow], now: datetime) -> float:
    """Over how many of the four weeks before this one a job has run, in whole days; at least one week."""
    first = runs[-1].started
    # A job younger than five weeks is compared with the days it has, not with weeks in which it was not there.
    days = math.ceil((now - WEEK - max(first, now - WEEK - BEFORE)) / timedelta(days=1))
    return max(7, days) / 7


def span_of(rows: Iterable[RunRow], weeks: float) -> RunTotals:
    """The sums over some runs that took `weeks` weeks."""
    reports = [row.report for row in rows]
    good = [report for report in reports if report.outcome in GOOD]
    counted = Counter(report.outcome for report in reports)
    return RunTotals(
        weeks=weeks,
        outcomes={outcome: counted[outcome] for outcome in OUTCOMES if counted[outcome]},
        files=sum(report.files.new + report.files.changed for report in good),
        sent=sum(report.bytes.sent for report in reports),
        good=len(good),
        seconds=sum(report.seconds.total for report in good),
        wire=sum(report.bytes.wire_up or report.bytes.sent for report in good),
        sending_s=sum(report.seconds.send for report in good),
    )


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


def _mark(name: str, rules: Mapping[str, str], known: DigestFacts) -> str:
    """What is wrong with a job or a far box, in a few words; the gravest first."""
    return list_text(
        [rules[finding.rule] for finding in known.found if finding.about == name and finding.rule in rules]
    )


def far_report(far: FarWeek, known: DigestFacts) -> FarReport:
    """One far box's week."""
    facts = far.facts
    times = [probe.round_trip_ms for probe in far.probes if probe.round_trip_ms is not None]
    return FarReport(
        name=facts.name,
        probes=len(far.probes),
        answered=sum(probe.answered for probe in far.probes),
        round_trip_ms=statistics.median(times) if times else None,
        silent_at=far.silent_at,
        answered_at=facts.answered,
        free=facts.space.free if facts.space else None,
        total=facts.space.total if facts.space else None,
        full=full_day(facts),
        mark=_mark(facts.name, ABOUT_FAR_BOXES, known) or (_AT_FAR_BOX if far.notes else ""),
    )


def full_day(far: FarFacts) -> FullDay | None:
    """When a far disk will be full; None if the trend does not say, or means a later century."""
    if far.space is None or far.fill is None or far.fill.days > 36_500:
        return None
    at, fill = far.space.at, far.fill
    latest = at + timedelta(days=fill.latest) if fill.latest is not None and fill.latest < 36_500 else None
    return FullDay(at + timedelta(days=fill.days), at + timedelta(days=fill.soonest), latest)


def _hands(known: DigestFacts, jobs: Sequence[JobReport]) -> Iterable[ActionNeeded]:
    keys = {finding.key for finding in known.found}
    for finding in known.found:
        if finding.because in keys:
            continue  # told together with its cause
        quiet = known.quiet.get(finding.key)
        later = f" (quiet until {moment_text(quiet, known.zone)})" if quiet and quiet > known.now else ""
        late = [other.about for other in known.found if other.because == finding.key]
        by_it = f"; older than promised because of it: {list_text(late)}" if late else ""
        yield ActionNeeded(finding.headline + by_it + later, finding.help, _brief(finding, known))
    for job in jobs:
        if job.problems:
            yield ActionNeeded(
                f"the newest copy of {job.name} lacks {count_text(job.problems, 'entry', 'entries')} "
                "that could not be read or sent",
                f"`otherroof ledger {job.name} --json` shows which and why.",
                f"files are missing from the copy of {job.name}",
            )
    for box in known.fars:
        for note in box.notes:
            what, _, advice = note.partition("; ")
            named = f"far box {box.facts.name}"
            yield ActionNeeded(f"{named}: {printable(what)}", printable(advice), f"something at {named}")
    for job in jobs:
        if job.newest is None and not job.first and f"late:{job.name}" not in keys and f"held:{job.name}" not in keys:
            yield ActionNeeded(
                f"{job.name} has no copy by this server yet" + (f"; {job.waiting}" if job.waiting else ""),
                f"Its first run comes at its time, and `otherroof run {job.name}` begins one now. `otherroof versions "
                f"{job.name}` shows what another server has copied before.",
                f"{job.name} has no copy yet",
            )
    if not known.heard_by:
        yield ActionNeeded(
            "alerts go to this machine's journal only, where nobody may read them",
            "Write a channel into otherroof.toml: [mail] with [channel.family], or a webhook or command; then "
            "`otherroof alert-test`.",
            "alerts reach nobody",
        )


def _verdict(known: DigestFacts, jobs: Sequence[JobReport], hands: Sequence[ActionNeeded]) -> tuple[Verdict, str]:
    # In this order, for the first sentence answers one question: could everything be got back now?
    if not jobs and not known.unread:
        return "unsafe", "Not safe: nothing is protected, because there is no job yet."
    wrong = _wrong(known, jobs)
    if wrong:
        also = [_brief(finding, known) for finding in known.found if finding.rule in _ALWAYS_SAID]
        return "unsafe", f"Not safe: {'; '.join(wrong + also)}."
    there = [job for job in jobs if job.newest is not None]
    first = [job for job in jobs if job.newest is None]
    said = count_text(len(hands), "thing needs", "things need")
    but = f" But {said} a hand: {list_text([hand.brief for hand in hands], MOST_NAMED)}." if hands else ""
    if first:
        rest = f" {_recent(there, 'The other')}." if there else ""
        return "first", f"{_first_copies(first)}.{rest}{but}"
    return ("look" if hands else "safe"), f"Safe: {_recent(there, 'all')}.{but}"


def _wrong(known: DigestFacts, jobs: Sequence[JobReport]) -> list[str]:
    """Why not everything could be got back now; a first copy that gets on is no reason to call anything wrong."""
    damaged = [
        finding.about for finding in known.found if finding.rule == "damage" and not finding.mark.startswith(HEALED)
    ]
    late = [job.name for job in jobs if not job.kept and job.newest is not None]
    without = [job.name for job in jobs if job.newest is None and not job.first]
    wrong = []
    if damaged:
        wrong.append(f"damage was found in the far copy of {list_text(damaged)}")
    if late:
        wrong.append(f"{_of(len(late), len(jobs))} without a copy as fresh as promised: {list_text(late)}")
    if without:
        wrong.append(f"{_of(len(without), len(jobs))} without any copy yet: {list_text(without)}")
    if known.unread:
        is_not = "is not" if len(known.unread) == 1 else "are not"
        wrong.append(f"{list_text(known.unread)} {is_not} copied, because of a mistake in the settings")
    silent = [finding.about for finding in known.found if finding.rule == "silent"]
    return wrong + [f"far box {name} does not answer" for name in silent] if wrong else []


def _recent(jobs: Sequence[JobReport], which: str) -> str:
    """That these copies are recent, and how old the oldest is."""
    oldest = span_text(max(job.age_s or 0.0 for job in jobs))
    if len(jobs) == 1:
        return f"{'the one' if which == 'all' else which} copy is recent ({oldest} old)"
    if len(jobs) == 2 and which == "all":
        return f"both copies are recent (the older is {oldest} old)"
    return f"{which} {count_text(len(jobs), 'copy is', 'copies are')} recent (the oldest is {oldest} old)"


def _first_copies(jobs: Sequence[JobReport]) -> str:
    """Which first copies are under way, and how far they are."""
    copies = "First copy" if len(jobs) == 1 else "First copies"
    named = [f"{job.name} ({job.first_brief})" if job.first_brief else job.name for job in jobs]
    return f"{copies} under way: {list_text(named, MOST_NAMED)}"


def _brief(finding: Finding, known: DigestFacts) -> str:
    """A finding in a few words; of a disk that fills with its day, if that can be told."""
    box = next((far.facts for far in known.fars if far.facts.name == finding.about), None)
    full = full_day(box) if box is not None and finding.rule == "space" else None
    if full is not None and full.likely > known.now:
        return f"the disk of far box {finding.about} is full about {day_text(full.likely, known.zone)}"
    return BRIEF[finding.rule].format(finding.about)


def _of(count: int, whole: int) -> str:
    if whole <= 2 and count == whole:
        return "the one job is" if whole == 1 else "both jobs are"
    return f"{count:,} of {count_text(whole, 'job')} {'is' if count == 1 else 'are'}"


def copies_of(folder: str, same_folder: Iterable[tuple[str, bool]], told: Iterable[str]) -> Copies:
    """Where a folder is kept. `same_folder`: far boxes that its jobs go to, and whether a good copy lies there."""
    roofs = sorted({far for far, has_copy in same_folder if has_copy})
    return Copies(printable(folder), tuple(roofs), tuple(printable(text) for text in told))
