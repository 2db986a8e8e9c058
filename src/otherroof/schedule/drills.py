"""The chore of drilling: a part of each job's newest copy is brought back for practice, every `drill_days`.

It shares the far box's worker with the runs, and keeps to the job's window and the month's allowance as they do. What
is brought back is decided elsewhere.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta

from otherroof.base.clock import Clock
from otherroof.jobs.context import JobContext
from otherroof.jobs.drill import MB, DrillRequest, TimeLimit, drill, drill_mark
from otherroof.jobs.drill_folder import sweep_after_drills
from otherroof.jobs.stop_sign import EitherStop, StopSign
from otherroof.ledger import Ledger
from otherroof.restore.drilling.report import DrillReport
from otherroof.restore.progress import RestoreProgress
from otherroof.schedule.chores import FIRST_START, Chore, ChoreFacts, ChoreInputs
from otherroof.schedule.job_window import when_open, window_end
from otherroof.schedule.month_room import month_room
from otherroof.schedule.plan import far_worker
from otherroof.settings import Settings

# The first one comes soon: a copy that was never brought back is a hope. One that came to nothing is tried again later.
FIRST = timedelta(days=1)
AGAIN_S = 6 * 3600.0
# Runs to the same far box wait meanwhile; on a slow line it is timed by what came until then.
LONGEST_S = 3600.0
SWEEP_EVERY_S = 24 * 3600.0

log = logging.getLogger(__name__)


def drill_chore(clock: Clock, job: str, far: str) -> Chore:
    """The chore that drills `job`, which goes to the far box `far`."""
    name = drill_mark(job)

    def due(facts: ChoreFacts) -> datetime | None:
        chosen = facts.settings.jobs.get(job)
        if facts.last_times is None or chosen is None or not chosen.drill_days:
            return None
        # The drill itself notes its end under this name, also one that a person began.
        last, pause = facts.last_times.get(name), timedelta(days=chosen.drill_days)
        moment = last + pause if last is not None else facts.last_times[FIRST_START] + min(FIRST, pause)
        return when_open(chosen, max(moment, facts.after_rest(AGAIN_S), facts.now), facts.settings.zone)

    def do(inputs: ChoreInputs) -> None:
        settings = inputs.settings
        with Ledger(settings.ledger) as ledger:
            if ledger.runs.newest_good(job, far=far) is None or not _month_has_room(settings, job, ledger, clock):
                return
            window = StopSign(clock, until=window_end(settings.jobs[job], clock.now(), settings.zone))
            limit = TimeLimit(clock, LONGEST_S)
            stop = EitherStop((inputs.stop, window, limit))
            context = JobContext(RestoreProgress(), ledger, clock, stop, told=log.warning, linger=True)
            # One that has used the line for as long as it may and came to an answer is as good as another; one that was
            # cut, or to which nothing came in all that time, is tried again soon, and told of if that happens often.
            _log(name, drill(settings, DrillRequest(job, limit=limit), context))

    return Chore(name, far_worker(far), due, do, ended=lambda _: True)


def sweep_chore(clock: Clock) -> Chore:
    """The chore that removes what a killed drill has left: as the service starts, then every day."""
    return Chore(
        "sweep after drills",
        "sweep",
        lambda facts: facts.after_rest(SWEEP_EVERY_S),
        lambda inputs: sweep_after_drills(inputs.settings, clock),
    )


def _month_has_room(settings: Settings, job: str, ledger: Ledger, clock: Clock) -> bool:
    """Whether the month's allowance of the job's far box has room for a whole drill."""
    chosen = settings.jobs[job]
    room = month_room(settings, chosen.far, ledger, clock.now())
    if room is None or room >= chosen.drill_mb * MB:
        return True
    log.info("%s: not now: what is left of the far box's allowance for this month is for the copies", drill_mark(job))
    return False


def _log(name: str, report: DrillReport) -> None:
    level = logging.WARNING if report.wrong or report.needs_a_look else logging.INFO
    back = f"; all would take {report.back.text()}" if report.back is not None else ""
    damage = f"; damaged: {len(report.wrong)}" if report.wrong else ""
    check = f"; the job's own check ended with {report.check_code}" if report.check_code else ""
    rate = f" ({report.back.how()})" if report.back is not None and report.cut else ""
    cut = f"; {report.cut}{rate}" if report.cut else ""
    log.log(level, "%s: %s files came back%s%s%s%s", name, report.files, damage, check, back, cut)
