"""What drills say: a line for status and digest, and rules for a check that failed, a copy that comes too slowly, and
drills that do not happen.

Pure; how long a restore takes was calculated when the drill was made.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

from otherroof.base.local_time import moment_text
from otherroof.base.units import count_text, mbit_s, mbit_text, size_text, span_text
from otherroof.forecast.restore_time import disk_seconds
from otherroof.ledger.drills import DrillFigures, DrillRow
from otherroof.settings.copies.names import stem_of
from otherroof.watch.facts import CLEAR_OF_EDGE, Facts, Finding, JobFacts, too_early

# One that comes to nothing may be chance, and is tried again by itself; so many in a row are none.
MANY_FRUITLESS = 3
# A drill may come late: the line was in use, or the box away for a while.
LATE_BY = 2


def back_text(figures: DrillFigures) -> str:
    """How long all would take: `about 5 d 3 h (between 4 d and 7 d)`; empty if it is not known."""
    if figures.back_s is None or figures.soonest_s is None or figures.latest_s is None:
        return ""
    return (
        f"about {span_text(figures.back_s)} (between {span_text(figures.soonest_s)} and {span_text(figures.latest_s)})"
    )


def drill_text(row: DrillRow | None, within_s: float, zone: ZoneInfo) -> str:
    """The last practice restore on one line: when, what came of it, how long all would take beside what is wanted
    (`within_s` seconds, 0 for nothing)."""
    if row is None:
        return "no practice restore yet"
    figures = row.figures
    came = f"{figures.files:,} of {count_text(figures.of_files, 'file')} came back"
    if row.outcome == "timed":
        rate = mbit_text(mbit_s(figures.wire_down, figures.took_s)) if figures.took_s else ""
        came += f" in the {span_text(figures.took_s)} that it may take, at {rate}" if rate else ""
    damaged = f", {figures.damaged:,} damaged" if figures.damaged else ""
    said = f"last practice restore {moment_text(row.started, zone)}: {came}{damaged}"
    if figures.check_code:
        said += f"; the check of them ended with {figures.check_code}"
    if back := back_text(figures):
        wanted = f", wanted within {span_text(within_s)}" if within_s else ""
        said += f"; all would take {back}{wanted}"
    return said


def check_failed(facts: Facts) -> Iterator[Finding]:
    """The job's own check of what the last practice restore brought back did not say that all is well."""
    for job in facts.jobs:
        row = job.drilled
        if row is None or not row.figures.check_code:
            continue
        said = f": {row.figures.check_said}" if row.figures.check_said else ""
        yield Finding(
            "check_failed",
            job.name,
            f"what a drill brought back of {job.name} on {moment_text(row.started, facts.zone)} did not pass the job's "
            f"own check, which ended with {row.figures.check_code}{said}",
            f"`otherroof drill {job.name}` tries it again, and says whether they came back as they had been copied. If "
            f"so, look whether they are of use in {job.folder} itself. `always` under [drill] names what the check "
            "needs in any case.",
            row.started,
            mark=row.version,
        )


def too_slow(facts: Facts) -> Iterator[Finding]:
    """By the last drill, all of a job would not be back as soon as the household wants it."""
    for job in facts.jobs:
        row, within_s = job.drilled, job.back_within.total_seconds()
        if row is None or row.figures.back_s is None or not within_s:
            continue
        slack = CLEAR_OF_EDGE if f"too_slow:{job.name}" in facts.standing else 1.0
        if row.figures.back_s * slack <= within_s:
            continue
        size = row.figures.of_size
        disk = span_text(disk_seconds(size))
        yield Finding(
            "too_slow",
            job.name,
            f"all of {job.name} ({size_text(size)}) would take {back_text(row.figures)} to come back over this line, "
            f"and is wanted within {span_text(within_s)}",
            f"If it ever has to come back, fetch the disk of far box {job.far} home instead of waiting for the line: "
            f"it holds ordinary files, and reads all of it in about {disk} once it is here. That is equipment in "
            "someone else's home: agree beforehand who may take it, and how. What is needed first can be a job of its "
            "own, which comes back sooner. If the household can wait, raise back_within_hours; "
            f"`otherroof drill {job.name}` measures anew.",
            row.started,
        )


def undrilled(facts: Facts) -> Iterator[Finding]:
    """Drills of a job came to nothing several times in a row, or none has come to an answer for twice as long as
    wanted."""
    for job in facts.jobs:
        if not job.drill_every or job.first_copy is None:
            continue
        last = job.drilled.started if job.drilled is not None else max(job.first_copy, job.watched_since)
        age, limit = facts.now - last, LATE_BY * job.drill_every
        if age > limit and not too_early(facts, f"undrilled:{job.name}", age, limit):
            silent = any(box.name == job.far and box.unheard for box in facts.fars)
            because = f"silent:{job.far}" if silent else ""
            headline = _long_ago(facts, job, last)
            yield Finding("undrilled", job.name, headline, _undrilled_help(job), last + limit, because=because)
        elif len(job.fruitless) >= MANY_FRUITLESS:
            headline = f"the last {len(job.fruitless)} drills of {job.name} came to nothing{_why_fruitless(job)}"
            begun = job.fruitless[-MANY_FRUITLESS].started
            yield Finding("undrilled", job.name, headline, _undrilled_help(job), begun)


def _long_ago(facts: Facts, job: JobFacts, last: datetime) -> str:
    age = span_text((facts.now - last).total_seconds())
    wanted = f"(wanted every {span_text(job.drill_every.total_seconds())})"
    if job.drilled is None:
        said = f"{job.name} was never drilled, {age} after its first copy {wanted}"
    else:
        said = f"the last practice restore of {job.name} was on {moment_text(last, facts.zone)}, {age} ago {wanted}"
    return said + _why_fruitless(job)


def _why_fruitless(job: JobFacts) -> str:
    if not job.fruitless:
        return ""
    last = job.fruitless[0]
    why = f": {last.reason}" if last.reason else ""
    return f"; the newest one {'stopped early' if last.outcome == 'cut' else 'failed'}{why}"


def _undrilled_help(job: JobFacts) -> str:
    return (
        f"Until one comes through, nobody knows that {job.name} can be brought back. `otherroof drill {job.name}` "
        "tries it now and says what stands in the way. If they are stopped early because they take too long, lower "
        f"drill_mb in jobs/{stem_of(job.name)}.toml; if there is no room here, make some on the state folder's disk. "
        "By themselves they come only while the service runs, within the job's window and the month's allowance."
    )
