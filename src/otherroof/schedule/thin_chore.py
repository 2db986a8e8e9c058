"""The service's chore of thinning: after good runs, what the keeping rule lets go is written down, and goes in time.

Decides nothing about versions. It rests while a person has recalled, and says in the log why nothing goes.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta

from otherroof.base.clock import Clock, stamp
from otherroof.base.units import count_text, size_text
from otherroof.copying.report import GOOD
from otherroof.jobs.context import JobContext
from otherroof.jobs.thinning.thin import ThinProgress, ThinReport, thin
from otherroof.ledger import Ledger
from otherroof.schedule.chores import Chore, ChoreFacts, ChoreInputs
from otherroof.schedule.plan import far_worker
from otherroof.settings import Settings

EVERY = timedelta(hours=6)  # how often it is looked whether a good run has come since the last time
NEXT = "thinned after {}"  # the name under which the ledger keeps when that was

log = logging.getLogger(__name__)


def thin_chores(clock: Clock, settings: Settings) -> list[Chore]:
    """One for each job that has a rule."""
    return [_thin(clock, name, job.far) for name, job in settings.jobs.items() if job.versions.lines]


def _thin(clock: Clock, job: str, far: str) -> Chore:
    name = f"thin {job}"

    def due(facts: ChoreFacts) -> datetime | None:
        if facts.last_times is None:
            return None
        last = facts.last_times.get(name)
        return facts.now if last is None else last + EVERY

    def do(inputs: ChoreInputs) -> ThinReport | None:
        with Ledger(inputs.settings.ledger) as ledger:
            if not _has_good_run(ledger, job):
                return None
            context = JobContext(ThinProgress(), ledger, clock, inputs.stop, linger=True)
            found = thin(inputs.settings, job, "apply", context)
            ledger.marks.note(NEXT.format(job), clock.now())
        tell(found)
        return found

    # On the runs' own worker: it never meets one at this far box.
    return Chore(name, far_worker(far), due, do, ended=lambda value: value is not None, remembered=True)


def _has_good_run(ledger: Ledger, job: str) -> bool:
    """Whether the last run that ended was good and came after the last thinning, and nobody has recalled."""
    rule = ledger.rules.of(job)
    if rule is not None and rule.recalled is not None:
        return False
    last = next((row for row in ledger.runs.rows(job=job, newest=2) if row.ended is not None), None)
    thinned = ledger.marks.by_name().get(NEXT.format(job))
    return (
        last is not None
        and last.ended is not None
        and last.report.outcome in GOOD
        and (thinned is None or last.ended > thinned)
    )


def tell(found: ThinReport) -> None:
    """What came of it, for the log."""
    if found.objection:
        log.warning("%s: no version goes now: %s", found.job, found.objection)
    if found.noted:
        first = min(found.goes_at[run] for run in found.noted)
        noted = count_text(len(found.noted), "version is", "versions are")
        log.info("%s: %s to go, not before %s", found.job, noted, stamp(first))
    if found.removed:
        removed = count_text(len(found.removed), "version")
        log.info("%s: %s went, %s given back", found.job, removed, size_text(found.freed.size))
