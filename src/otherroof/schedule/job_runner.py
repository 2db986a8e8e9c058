"""One run of a job for the service: carried out on a worker, and what its end means for the schedule.

It opens the ledger by itself and does not wait without a time-out. When it is time for a run it does not know.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass

from otherroof.base.clock import Clock
from otherroof.base.errors import Busy, HostKeyChanged, LoginRefused, OtherroofError, RunCut, Unreached
from otherroof.copying.progress import Progress
from otherroof.copying.report import Outcome
from otherroof.jobs.context import JobContext
from otherroof.jobs.run import RunOptions, run_job
from otherroof.jobs.stop_sign import StopSign
from otherroof.jobs.under_way.announce import RunAsked
from otherroof.ledger import Ledger
from otherroof.ledger.job_times import Ending
from otherroof.ledger.live.wishes import WishAnswer
from otherroof.schedule.plan import RunStart
from otherroof.settings import Settings

log = logging.getLogger(__name__)

Ticker = Callable[[Progress, str], Callable[[], None]]


@dataclass(frozen=True, slots=True)
class RunEnding:
    """How a run came to its end, for the schedule: whether its time is dealt with, and what to log."""

    outcome: Outcome
    ending: Ending
    reason: str = ""


RunJob = Callable[[Settings, RunStart, StopSign], RunEnding]


def job_runner(clock: Clock, show: Ticker) -> RunJob:
    """What carries out one job, stopping when the sign says so. It may raise OtherroofError, which `ending_for` reads.

    `show` gives, for a run's progress and job, what to call about every second.
    """

    def run(settings: Settings, start: RunStart, stop: StopSign) -> RunEnding:
        job, wish, progress = start.job, start.wish, Progress()
        meter, tell = progress.meter, show(progress, job)

        def tick() -> None:
            # The month's allowance is for both ways, as providers count.
            stop.crossed(meter.wire_up + meter.wire_down)
            tell()

        with Ledger(settings.ledger) as ledger:
            context = JobContext(progress, ledger, clock, stop, tick, log.warning, linger=True)
            asked = RunAsked("service", wish.token if wish is not None else "")
            try:
                ran = run_job(settings, job, context, RunOptions(reread=wish is not None and wish.reread, asked=asked))
            except OtherroofError as problem:
                if wish is not None and not ledger.live.is_known(job, wish.token):
                    # Whoever wished it waits for a run that has not even begun.
                    ledger.wishes.note_answer(job, WishAnswer(wish.token, str(problem), problem.exit_code))
                raise
        # What a person stopped they do not want now: it is not to begin again in a minute, but at the job's next time.
        if ran.error is not None and ran.report.outcome != "held" and not ran.by_hand:
            return ending_for(ran.error)
        return RunEnding(ran.report.outcome, "settled", ran.report.reason)

    return run


def ending_for(error: BaseException) -> RunEnding:
    """How a run ended that raised `error`.

    Only if the far box did not answer does it make sense to try again soon: a refused login or another host key
    waits for a person, and everything else for the job's next time.
    """
    if isinstance(error, RunCut):
        return RunEnding("cut", "cut", str(error))
    if isinstance(error, Busy):
        return RunEnding("failed", "busy", str(error))
    if isinstance(error, HostKeyChanged | LoginRefused):
        return RunEnding("failed", "settled", str(error))
    if isinstance(error, Unreached):
        return RunEnding("failed", "unreached", str(error))
    if isinstance(error, OtherroofError):
        return RunEnding("failed", "settled", str(error))
    return RunEnding("failed", "settled", f"a fault in Otherroof itself: {type(error).__name__}: {error}")
