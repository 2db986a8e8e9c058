"""Gives the service its real hands: runs, probes, the watch, the digest, the tunnels. Each opens its own ledger."""

from __future__ import annotations

import logging
from collections.abc import Callable

from otherroof.base.clock import Clock
from otherroof.copying.progress import Progress
from otherroof.jobs.run import Around, run_job
from otherroof.jobs.stopping import StopSign
from otherroof.ledger import Ledger
from otherroof.probe.probe import probe_far
from otherroof.probe.way import rest_tunnels, tend_tunnels
from otherroof.schedule.hands import Ended, Hands, ended_by
from otherroof.schedule.outcry import cry
from otherroof.settings import Settings
from otherroof.watch import Extra, digest, look, send_due

log = logging.getLogger(__name__)

Ticker = Callable[[Progress, str], Callable[[], None]]


def real_hands(clock: Clock, show: Ticker) -> Hands:
    """The hands that do it. `show` gives, for a run's progress and job, what to call about every second."""

    def run(settings: Settings, job: str, sign: StopSign) -> Ended:
        progress = Progress()
        meter, tell = progress.meter, show(progress, job)

        def tick() -> None:
            sign.crossed(meter.wire_up + meter.wire_down)
            tell()

        with Ledger(settings.ledger) as ledger:
            ran = run_job(settings, job, Around(ledger, clock, sign, progress, tick, linger=True, told=log.warning))
        if ran.error is not None and ran.report.outcome != "held":
            return ended_by(ran.error)
        return Ended(ran.report.outcome, "settled", ran.report.reason)

    def probe(settings: Settings, far: str) -> None:
        with Ledger(settings.ledger) as ledger:
            climb = probe_far(settings, far, ledger, clock, linger=True)
        log.info("probe of %s: %s", far, climb.headline)

    def watch(settings: Settings, mistakes: tuple[str, ...]) -> None:
        with Ledger(settings.ledger) as ledger:
            look(settings, ledger, clock, Extra(mistakes))

    def summarise(settings: Settings, mistakes: tuple[str, ...]) -> None:
        with Ledger(settings.ledger) as ledger:
            digest.send(settings, ledger, clock, Extra(mistakes))

    def tend(settings: Settings) -> None:
        with Ledger(settings.ledger) as ledger:
            for line in tend_tunnels(settings, ledger, clock):
                log.warning("%s", line)
            send_due(settings, ledger, clock)

    def rest(settings: Settings) -> None:
        with Ledger(settings.ledger) as ledger:
            for line in rest_tunnels(settings, ledger, clock):
                log.warning("%s", line)

    def outcry(settings: Settings, trouble: str, over: bool) -> None:
        cry(settings, clock, trouble, over=over)

    return Hands(run, probe, watch, summarise, tend, rest, outcry)
