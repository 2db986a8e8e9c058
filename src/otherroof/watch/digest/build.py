"""Turns what the ledger holds about the last weeks into a digest. Pure: values in, values out."""

from __future__ import annotations

import math
import statistics
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from otherroof.base.errors import typed
from otherroof.base.local_time import moment_text, morning_after
from otherroof.base.text.words import list_text, printable
from otherroof.base.units import count_text
from otherroof.copying.report import GOOD, OUTCOMES
from otherroof.forecast.trend import growth_a_week
from otherroof.ledger import RunRow
from otherroof.watch.digest.nights import nights_of
from otherroof.watch.digest.values import ActionNeeded, Copies, Digest, FarReport, JobReport, RunTotals
from otherroof.watch.digest.verdict import brief, verdict_of
from otherroof.watch.digest.weeks import BEFORE, WEEK, DigestFacts, FarWeek, JobWeek
from otherroof.watch.first_copy import first_copy_brief, first_copy_text
from otherroof.watch.rules import UNHEARD, UNHEARD_HELP

NIGHTS = 28
JOB_NIGHTS = 7
# What a finding is called on the card of a job or a far box, which says itself whose it is.
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


def build_digest(known: DigestFacts) -> Digest:
    """The digest of the week that ends now."""
    # What is wrong comes first, here and in every form.
    jobs = tuple(sorted((job_report(job, known) for job in known.jobs), key=lambda job: not job.mark))
    needed = tuple(replace(hand, help=typed(hand.help, known.settings_in)) for hand in _hands(known, jobs))
    verdict, sentence = verdict_of(known, jobs, needed)
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
        folders=tuple(known.folders),
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
        full=facts.full,
        mark=_mark(facts.name, ABOUT_FAR_BOXES, known) or (_AT_FAR_BOX if far.notes else ""),
    )


def _hands(known: DigestFacts, jobs: Sequence[JobReport]) -> Iterable[ActionNeeded]:
    keys = {finding.key for finding in known.found}
    for finding in known.found:
        if finding.because in keys:
            continue  # told together with its cause
        quiet = known.quiet.get(finding.key)
        later = f" (quiet until {moment_text(quiet, known.zone)})" if quiet and quiet > known.now else ""
        late = [other.about for other in known.found if other.because == finding.key]
        by_it = f"; older than promised because of it: {list_text(late)}" if late else ""
        yield ActionNeeded(finding.headline + by_it + later, finding.help, brief(finding, known))
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
            UNHEARD,
            UNHEARD_HELP,
            "alerts reach nobody",
        )


def copies_of(folder: str, same_folder: Iterable[tuple[str, bool]], told: Iterable[str]) -> Copies:
    """Where a folder is kept. `same_folder`: roofs that its jobs go to, and whether a good copy lies there."""
    roofs = sorted({roof for roof, has_copy in same_folder if has_copy})
    return Copies(printable(folder), tuple(roofs), tuple(printable(text) for text in told))
