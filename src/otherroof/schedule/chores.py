"""What the service does from time to time besides running jobs: the list of its chores, and which of them are due.

To add a chore, write a function here that makes it and name that function in `service_chores`; nothing else has to
know of it. This module knows neither threads nor the loop, and it writes no job's times.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from math import inf

from otherroof.base.clock import Clock
from otherroof.copying.context import StopRequest
from otherroof.jobs.context import NeverStopped
from otherroof.jobs.stop_sign import raise_if_asked
from otherroof.ledger import Ledger
from otherroof.probe.probe import probe_far
from otherroof.probe.way import take_down_idle_tunnels, tend_tunnels
from otherroof.schedule.due import next_time
from otherroof.schedule.job_runner import ending_for
from otherroof.schedule.last_resort import LastResort, tell_channels
from otherroof.schedule.plan import far_worker
from otherroof.settings import Settings
from otherroof.watch import digest, page
from otherroof.watch.gather import WatchInputs
from otherroof.watch.look import look
from otherroof.watch.sending import send_due

LOOK_EVERY_S = 5 * 60.0
DIGEST_PAUSE_S = 15 * 60.0
TEND_EVERY_S = 60.0
REPOST_EVERY_S = 60.0
PAGE_EVERY_S = 3600.0
PAGE_AFTER_NEWS_S = 60.0
# The name under which the ledger keeps when a service first worked with it.
FIRST_START = "first start"

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class ChoreFacts:
    """What a chore's time is decided from.

    `last_times`: by name, when what the ledger remembers was last done; None if the ledger cannot be used now.
    `rested_s`: seconds that have passed since this chore last began, whatever the wall clock was set to; infinite if
    it has not begun since the service started. `news`: whether something happened since then that people may have to
    hear of.
    """

    now: datetime
    settings: Settings
    last_times: Mapping[str, datetime] | None = None
    rested_s: float = inf
    news: bool = True

    def after_rest(self, seconds: float) -> datetime:
        """When this chore will have rested for so long; now, if it has."""
        return self.now + timedelta(seconds=max(0.0, seconds - self.rested_s))


@dataclass(frozen=True, slots=True)
class ChoreInputs:
    """What a chore is given to work with: the settings in force, what is wrong with their files, a line each, and why
    nothing can be decided now (empty if it can). A chore that may last asks `stop` whether it is to end; the
    answer may be yes before its work begins."""

    settings: Settings
    mistakes: tuple[str, ...] = ()
    trouble: str = ""
    stop: StopRequest = field(default_factory=NeverStopped)


@dataclass(frozen=True, slots=True)
class Chore:
    """Something that the service does from time to time.

    `name` is the only one of its kind. Of all that has the same `worker`, one thing goes on at a time. `due` says from
    when on it is to be done, None if not for now; it is asked often, and changes nothing. `do` carries it out on the
    worker, opens what it needs by itself, and may not wait without a time-out. `ended` is told on the loop what `do`
    returned or raised, and says True if people may have to hear of it. If it is `remembered`, `last_times` has its
    last beginning under its name, also after a restart; one that ends with RunCut counts as not begun.
    """

    name: str
    worker: str
    due: Callable[[ChoreFacts], datetime | None]
    do: Callable[[ChoreInputs], object]
    ended: Callable[[object], bool | None] = lambda _: None
    remembered: bool = False


@dataclass(frozen=True, slots=True)
class ChorePlan:
    """The chores to begin now, and when the next of the others is due."""

    begin: tuple[Chore, ...]
    wake: datetime | None


def plan_chores(chores: Iterable[Chore], facts: Mapping[str, ChoreFacts], busy: Iterable[str]) -> ChorePlan:
    """Which chores begin: those that are due, unless their worker is busy. Earlier in the list goes first."""
    # A chore that is due and whose worker is busy is not in `later`: the end of the other wakes the loop.
    taken, begin, later = set(busy), list[Chore](), list[datetime]()
    for chore in chores:
        moment = chore.due(facts[chore.name])
        if moment is not None and moment > facts[chore.name].now:
            later.append(moment)
        elif moment is not None and chore.worker not in taken:
            begin.append(chore)
            taken.add(chore.worker)
    return ChorePlan(tuple(begin), min(later, default=None))


def service_chores(clock: Clock, look_every_s: float = LOOK_EVERY_S) -> Callable[[Settings], Sequence[Chore]]:
    """Gives, for the settings in force, every chore of the service. `look_every_s`: how often the watch looks when
    nothing happens."""
    # Here, because they need what stands above.
    from otherroof.schedule.drills import drill_chore, sweep_chore
    from otherroof.schedule.proofs import prove_chore
    from otherroof.schedule.thin_chore import thin_chores

    last_resort = LastResort(clock)  # outlives the settings: they may be read anew while the watch is blind
    return lambda settings: (
        _digest(clock),
        _look(clock, look_every_s, last_resort),
        _repost(clock),
        *([_page(clock)] if settings.told.page is not None else []),
        *(_probe(clock, far) for far in settings.far),
        *(prove_chore(clock, name, job.far) for name, job in settings.jobs.items()),
        *thin_chores(clock, settings),
        *(drill_chore(clock, name, job.far) for name, job in settings.jobs.items()),
        sweep_chore(clock),
        _tend(clock),
        _last_resort_alert(clock, last_resort),
        _all_clear(clock, last_resort),
    )


def at_end(clock: Clock) -> Chore:
    """What the service does once when it ends: takes down the tunnels that it kept up between runs."""

    def do(inputs: ChoreInputs) -> None:
        with Ledger(inputs.settings.ledger) as ledger:
            for line in take_down_idle_tunnels(inputs.settings, ledger, clock):
                log.warning("%s", line)

    return Chore("rest", "rest", lambda facts: facts.now, do)


def _probe(clock: Clock, far: str) -> Chore:
    name = f"probe {far}"

    def due(facts: ChoreFacts) -> datetime | None:
        if facts.last_times is None:
            return None
        last = facts.last_times.get(name)
        # A last time that lies ahead was left out of `last_times`, so a wrong clock cannot put probes off for long.
        return facts.now if last is None else last + timedelta(hours=facts.settings.far[far].probe_hours)

    def do(inputs: ChoreInputs) -> None:
        check = partial(raise_if_asked, inputs.stop)
        with Ledger(inputs.settings.ledger) as ledger:
            climb = probe_far(inputs.settings, far, ledger, clock, linger=True, check=check)
        log.info("probe of %s: %s", far, climb.headline)

    # On the runs' own worker: a run finds out the same, so none is probed meanwhile.
    return Chore(name, far_worker(far), due, do, ended=lambda _: True, remembered=True)


def _digest(clock: Clock) -> Chore:
    def due(facts: ChoreFacts) -> datetime | None:
        if facts.last_times is None:
            return None
        # Noted with the digest itself, so that a service killed right after it does not send it twice.
        last = facts.last_times.get("digest", facts.last_times[FIRST_START])
        settings = facts.settings
        # The pause counts if the digest could not be made: its time has passed and stays so, and the loop would try it
        # again and again.
        return max(next_time(settings.told.digest.at, last, settings.zone), facts.after_rest(DIGEST_PAUSE_S))

    def do(inputs: ChoreInputs) -> None:
        with Ledger(inputs.settings.ledger) as ledger:
            digest.send(inputs.settings, ledger, clock, WatchInputs(inputs.mistakes))

    return Chore("digest", "watch", due, do)


def _look(clock: Clock, every_s: float, last_resort: LastResort) -> Chore:
    def due(facts: ChoreFacts) -> datetime | None:
        # A look that succeeds keeps the last resort silent, so there must be none while nothing can be decided.
        if facts.last_times is None:
            return None
        return facts.now if facts.news else facts.after_rest(every_s)

    def do(inputs: ChoreInputs) -> None:
        with Ledger(inputs.settings.ledger) as ledger:
            look(inputs.settings, ledger, clock, WatchInputs(inputs.mistakes))

    def ended(value: object) -> None:
        if isinstance(value, BaseException):
            last_resort.trouble = ending_for(value).reason
        else:
            last_resort.well()

    return Chore("look", "watch", due, do, ended)


def _repost(clock: Clock) -> Chore:
    def due(facts: ChoreFacts) -> datetime | None:
        return None if facts.last_times is None else facts.after_rest(REPOST_EVERY_S)

    def do(inputs: ChoreInputs) -> None:
        with Ledger(inputs.settings.ledger) as ledger:
            send_due(inputs.settings, ledger, clock)

    return Chore("repost", "watch", due, do)


def _page(clock: Clock) -> Chore:
    def due(facts: ChoreFacts) -> datetime | None:
        if facts.last_times is None:
            return None
        # Soon after a run or an alert, and from time to time, so that ages on it stay true and it never grows pale.
        return facts.after_rest(PAGE_AFTER_NEWS_S if facts.news else PAGE_EVERY_S)

    def do(inputs: ChoreInputs) -> None:
        with Ledger(inputs.settings.ledger) as ledger:
            page.write_by_service(inputs.settings, ledger, clock, WatchInputs(inputs.mistakes))

    return Chore("page", "page", due, do)


def _tend(clock: Clock) -> Chore:
    def do(inputs: ChoreInputs) -> None:
        with Ledger(inputs.settings.ledger) as ledger:
            for line in tend_tunnels(inputs.settings, ledger, clock):
                log.warning("%s", line)

    return Chore("tend", "tend", lambda facts: facts.after_rest(TEND_EVERY_S), do)


def _last_resort_alert(clock: Clock, last_resort: LastResort) -> Chore:
    def do(inputs: ChoreInputs) -> str:
        trouble = inputs.trouble or last_resort.trouble
        tell_channels(inputs.settings, clock, trouble, over=False)
        return trouble

    return Chore(
        "last resort",
        "last resort",
        lambda facts: facts.now + timedelta(seconds=last_resort.due_in_s()),
        do,
        lambda value: last_resort.note_told(str(value)),
    )


def _all_clear(clock: Clock, last_resort: LastResort) -> Chore:
    return Chore(
        "all clear",
        "last resort",
        lambda facts: facts.now if last_resort.is_over else None,
        lambda inputs: tell_channels(inputs.settings, clock, last_resort.told, over=True),
        lambda _: last_resort.note_all_clear(),
    )
