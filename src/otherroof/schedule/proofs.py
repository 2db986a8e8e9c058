"""The chore of proving: each job's far copy, a night's share of it, after the run of that night.

It shares the far box's worker with the runs, which go first, and keeps to the job's window and the month's allowance as
they do. When it is time is decided from the job's own times; what is read is decided in `proving`.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta

from otherroof.base.clock import Clock
from otherroof.base.local_time import next_month
from otherroof.jobs.context import JobContext
from otherroof.jobs.prove import ProofResult, prove
from otherroof.jobs.stop_sign import EitherStop, StopSign, raise_if_asked
from otherroof.ledger import Ledger
from otherroof.restore.proving.report import ProofProgress
from otherroof.schedule.chores import FIRST_START, Chore, ChoreFacts, ChoreInputs
from otherroof.schedule.due import next_time
from otherroof.schedule.job_window import when_open, window_end
from otherroof.schedule.month_room import month_room
from otherroof.schedule.plan import far_worker
from otherroof.settings import Settings

# A job that runs every hour is not proved every hour: `prove_mb` is for a night.
PAUSE = timedelta(hours=20)

log = logging.getLogger(__name__)


def prove_chore(clock: Clock, job: str, far: str) -> Chore:
    """The chore that proves `job`, which goes to the far box `far`."""
    name = f"prove {job}"

    def due(facts: ChoreFacts) -> datetime | None:
        chosen = facts.settings.jobs.get(job)
        if facts.last_times is None or chosen is None or not chosen.prove_mb:
            return None
        last = facts.last_times.get(name)
        since = facts.last_times[FIRST_START] if last is None else last + PAUSE
        moment = max(next_time(chosen.at, since, facts.settings.zone), facts.now)
        return when_open(chosen, moment, facts.settings.zone)

    def do(inputs: ChoreInputs) -> None:
        with Ledger(inputs.settings.ledger) as ledger:
            bounds = _bounds(inputs.settings, job, ledger, clock)
            stop = EitherStop((inputs.stop, bounds))
            progress = ProofProgress()

            def tick() -> None:
                bounds.crossed(progress.meter.wire_up + progress.meter.wire_down)

            tick()
            raise_if_asked(inputs.stop)
            if why := bounds.asked():
                log.info("%s: not now: %s", name, why)
                return
            context = JobContext(progress, ledger, clock, stop, tick, log.warning, linger=True)
            _log(name, prove(inputs.settings, job, context))

    return Chore(name, far_worker(far), due, do, ended=lambda _: True, remembered=True)


def _bounds(settings: Settings, job: str, ledger: Ledger, clock: Clock) -> StopSign:
    """When the proof must end: with the job's window, and with the month's allowance."""
    now, zone = clock.now(), settings.zone
    chosen = settings.jobs[job]
    until = window_end(chosen, now, zone)
    room = month_room(settings, chosen.far, ledger, now)
    if room is None:
        return StopSign(clock, until=until)
    # One less: with nothing left the first byte would be too many.
    return StopSign(clock, until=until, room=room - 1, month_ends=next_month(now, zone))


def _log(name: str, result: ProofResult) -> None:
    report = result.report
    level = logging.WARNING if result.found_damage else logging.INFO
    healed, left = len(result.healing.healed), len(result.healing.left)
    damage = f"; damaged: {len(report.damaged)}, healed: {healed}, left: {left}" if result.found_damage else ""
    log.log(level, "%s: %s files read back%s%s", name, report.files, damage, f"; {report.cut}" if report.cut else "")
    for note in result.notes:
        log.warning("%s: %s", name, note.why)
