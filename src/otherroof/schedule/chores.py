"""What the service really does: runs, probes, looks, digests, tunnels. Each opens the ledger for itself."""

from __future__ import annotations

import logging
from collections.abc import Callable

from otherroof.base.clock import Clock
from otherroof.copying.progress import Progress
from otherroof.jobs.context import JobContext
from otherroof.jobs.run import run_job
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from otherroof.probe.probe import probe_far
from otherroof.probe.way import take_down_idle_tunnels, tend_tunnels
from otherroof.schedule.actions import RunEnding, ServiceActions, ending_for
from otherroof.schedule.last_resort import tell_channels
from otherroof.settings import Settings
from otherroof.watch import digest
from otherroof.watch.gather import WatchInputs
from otherroof.watch.look import look
from otherroof.watch.sending import send_due

log = logging.getLogger(__name__)

Ticker = Callable[[Progress, str], Callable[[], None]]


def real_actions(clock: Clock, show: Ticker) -> ServiceActions:
    """The hands that do it. `show` gives, for a run's progress and job, what to call about every second."""

    def run(settings: Settings, job: str, sign: StopSign) -> RunEnding:
        progress = Progress()
        meter, tell = progress.meter, show(progress, job)

        def tick() -> None:
            sign.crossed(meter.wire_up + meter.wire_down)
            tell()

        with Ledger(settings.ledger) as ledger:
            context = JobContext(progress, ledger, clock, sign, tick, log.warning, linger=True)
            ran = run_job(settings, job, context)
        if ran.error is not None and ran.report.outcome != "held":
            return ending_for(ran.error)
        return RunEnding(ran.report.outcome, "settled", ran.report.reason)

    def probe(settings: Settings, far: str) -> None:
        with Ledger(settings.ledger) as ledger:
            climb = probe_far(settings, far, ledger, clock, linger=True)
        log.info("probe of %s: %s", far, climb.headline)

    def watch(settings: Settings, mistakes: tuple[str, ...]) -> None:
        with Ledger(settings.ledger) as ledger:
            look(settings, ledger, clock, WatchInputs(mistakes))

    def summarise(settings: Settings, mistakes: tuple[str, ...]) -> None:
        with Ledger(settings.ledger) as ledger:
            digest.send(settings, ledger, clock, WatchInputs(mistakes))

    def tend(settings: Settings) -> None:
        with Ledger(settings.ledger) as ledger:
            for line in tend_tunnels(settings, ledger, clock):
                log.warning("%s", line)
            send_due(settings, ledger, clock)

    def rest(settings: Settings) -> None:
        with Ledger(settings.ledger) as ledger:
            for line in take_down_idle_tunnels(settings, ledger, clock):
                log.warning("%s", line)

    def outcry(settings: Settings, trouble: str, over: bool) -> None:
        tell_channels(settings, clock, trouble, over=over)

    return ServiceActions(run, probe, watch, summarise, tend, rest, outcry)
