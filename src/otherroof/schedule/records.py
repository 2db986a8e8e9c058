"""The service's records: asks the ledger, lets the plans decide, and writes down what was begun and how it ended.

Used by one thread. It starts nothing itself: the caller (the loop, or a simulation) carries out the plans and reports
back, so both follow the same rules. It knows no chore in particular.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from math import inf

from otherroof.base.clock import Clock
from otherroof.base.errors import HomeTrouble, RunCut
from otherroof.base.local_time import month_begins
from otherroof.base.text.words import list_text
from otherroof.jobs.copies.histories import keep_histories
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from otherroof.ledger.job_times import JobTimes
from otherroof.ledger.live.wishes import RunWish
from otherroof.schedule.chores import FIRST_START, Chore, ChoreFacts, ChorePlan, plan_chores
from otherroof.schedule.due import FUTURE_SLACK, JobScheduleFacts, current_times
from otherroof.schedule.job_runner import RunEnding
from otherroof.schedule.job_window import window_end
from otherroof.schedule.plan import (
    FarScheduleFacts,
    RunStart,
    ScheduleFacts,
    SchedulePlan,
    far_worker,
    plan_schedule,
    run_words,
    wait_text,
)
from otherroof.settings import Settings

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class RunUnderWay:
    """A run under way."""

    start: RunStart
    begun: datetime
    stop: StopSign


@dataclass(frozen=True, slots=True)
class ChoreUnderWay:
    """A chore under way. `before`: when it last began before this, by the ledger; None if never, or if it is not
    remembered."""

    chore: Chore
    stop: StopSign
    before: datetime | None = None


class ServiceRecords:
    """What one service has under way, and what of it the ledger keeps. `chores` gives its chores, for the settings in
    force."""

    def __init__(
        self, settings: Settings, ledger: Ledger, clock: Clock, chores: Callable[[Settings], Sequence[Chore]]
    ) -> None:
        self.settings = settings
        self.running: dict[str, RunUnderWay] = {}
        self._ledger = ledger
        self._clock = clock
        self._make_chores = chores
        self._chores = chores(settings)
        self._chores_under_way: dict[str, ChoreUnderWay] = {}
        self._chore_begun: dict[str, float] = {}  # monotonic: the wall clock may be set meanwhile
        self._has_news: set[str] = set()  # chores that have not begun since something happened
        self._taken_up: set[str] = set()  # wishes, also those whose file cannot be removed
        self._wish_trouble: dict[str, str] = {}  # by job, "" for all: why its wishes cannot be looked at

    def use(self, settings: Settings) -> None:
        """From now on these settings count; runs under way keep to their windows as they are now."""
        self.settings, self._chores = settings, self._make_chores(settings)
        now = self._clock.now()
        for name, running in self.running.items():
            # Whoever wished a run has gone beyond its window.
            if name in settings.jobs and running.start.wish is None:
                running.stop.set_window_end(window_end(settings.jobs[name], now, settings.zone))
        self.note_news()

    def note_news(self) -> None:
        """Something happened that people may have to hear of: the watch looks soon."""
        self._has_news = {chore.name for chore in self._chores}

    def plan(self) -> SchedulePlan:
        """What to do now. Raises HomeTrouble if the ledger cannot be used."""
        now = self._clock.now()
        # A run gives its lock back a moment before this hears of its end, which is noted under the name it began with.
        keep_histories(self.settings, self._ledger, self._clock, self.running)
        turns = self._turns(now)
        plan = plan_schedule(self.settings, self._facts(now, turns))
        self._tell_waits(plan, turns)
        return plan

    def begin(self, start: RunStart) -> StopSign:
        """Note that a run begins; gives the sign by which it can be stopped."""
        now = self._clock.now()
        # Written down before the run begins: a service killed at any moment after this knows that one was under way.
        turn = self._ledger.job_times.by_job()[start.job]
        begun = replace(turn, begun=now, ended=None, ending=None, tries=start.tries + 1, waiting="")
        self._ledger.job_times.note(begun)
        stop = StopSign(self._clock, until=start.until, room=start.room, month_ends=start.month_ends)
        self.running[start.job] = RunUnderWay(start, now, stop)
        if start.wish is not None:
            self._take_up(start.wish)
        return stop

    def _take_up(self, wish: RunWish) -> None:
        self._taken_up.add(wish.token)
        try:
            # After the turn was noted: a service killed before this leaves the wish to the next one.
            self._ledger.wishes.take_back(wish.job)
        except HomeTrouble as problem:
            log.warning("%s: the wish for this run will be fulfilled once more after a restart: %s", wish.job, problem)

    def wish_mark(self) -> frozenset[tuple[str, int]]:
        """Another value as soon as a wish came or went."""
        try:
            found = self._ledger.wishes.mark()
        except HomeTrouble as problem:
            self._note_wish_trouble("", str(problem))
            return frozenset()
        self._note_wish_trouble("")
        return found

    def end(self, job: str, ended: RunEnding) -> None:
        """Note how a run came to its end."""
        running = self.running.pop(job)
        turn = self._ledger.job_times.by_job().get(job)
        # None: by hand a run was begun under the job's new name in this moment. The history has how this one ended.
        if turn is not None:
            # Only silence at the far end is counted on; any other end begins the count anew.
            tries = turn.tries if ended.ending == "unreached" else 0
            self._ledger.job_times.note(
                replace(turn, begun=running.begun, ended=self._clock.now(), ending=ended.ending, tries=tries)
            )
        self.note_news()

    def last_times(self) -> Mapping[str, datetime]:
        """When what the ledger remembers was last done, by name. Raises HomeTrouble if the ledger cannot be used."""
        now = self._clock.now()
        times = {name: at for name, at in self._ledger.marks.by_name().items() if at <= now + FUTURE_SLACK}
        if FIRST_START not in times:
            self._ledger.marks.note(FIRST_START, now)
            times[FIRST_START] = now
        return times

    def plan_chores(self, last_times: Mapping[str, datetime] | None) -> ChorePlan:
        """Which chores to begin now. `last_times`: None if the ledger cannot be used."""
        now, passed = self._clock.now(), self._clock.monotonic()
        facts = {
            name: ChoreFacts(
                now, self.settings, last_times, passed - self._chore_begun.get(name, -inf), name in self._has_news
            )
            for name in (chore.name for chore in self._chores)
        }
        return plan_chores(self._chores, facts, self._busy_workers())

    def begin_chore(self, chore: Chore) -> StopSign:
        """Note that a chore begins; gives the sign by which it can be stopped. Raises HomeTrouble, with nothing begun,
        if it cannot be remembered."""
        before = None
        if chore.remembered:
            before = self._ledger.marks.by_name().get(chore.name)
            # Before it does anything: one in which the service is killed each time would else begin with every start.
            self._ledger.marks.note(chore.name, self._clock.now())
        # Made here and not by the work: whoever stops the service while the worker only gets ready would not be heard.
        stop = StopSign(self._clock)
        self._chores_under_way[chore.name] = ChoreUnderWay(chore, stop, before)
        self._chore_begun[chore.name] = self._clock.monotonic()
        self._has_news.discard(chore.name)
        return stop

    def end_chore(self, chore: Chore, value: object) -> None:
        """Note that a chore has come to its end: what it returned, or the error it met."""
        one = self._chores_under_way.pop(chore.name)
        if chore.ended(value):
            self.note_news()
        if chore.remembered and isinstance(value, RunCut):
            self._count_as_not_begun(one)

    def _count_as_not_begun(self, one: ChoreUnderWay) -> None:
        """A chore that was cut is due again with the next start, or the far box would go unlooked at for as long as if
        it had been done. One that had its share, such as a night's proof, says so by ending well."""
        if one.before is None:
            self._ledger.marks.forget(one.chore.name)
        else:
            self._ledger.marks.note(one.chore.name, one.before)

    def stop(self, reason: str) -> None:
        """Ask every run under way to stop, and every chore."""
        signs = [one.stop for one in self.running.values()] + [one.stop for one in self._chores_under_way.values()]
        for sign in signs:
            sign.ask(reason)

    def _turns(self, now: datetime) -> dict[str, JobTimes]:
        known = self._ledger.job_times.by_job()
        turns = {}
        for name, job in self.settings.jobs.items():
            # The zone belongs to the times: if the household moves, they are other moments.
            turns[name] = current_times(known.get(name), name, f"{job.at} {self.settings.home.zone}", now)
            if turns[name] != known.get(name):
                self._ledger.job_times.note(turns[name])
        return turns

    def _facts(self, now: datetime, turns: dict[str, JobTimes]) -> ScheduleFacts:
        answered = {far: self._ledger.answers.last(far, now + FUTURE_SLACK) for far in self.settings.far}
        jobs = {
            name: self._job_facts(name, turns[name], answered[job.far], now) for name, job in self.settings.jobs.items()
        }
        far = {name: self._far_facts(name, now) for name in self.settings.far}
        return ScheduleFacts(now, jobs, far, frozenset(self.running))

    def _busy_workers(self) -> set[str]:
        at_runs = {far_worker(running.start.far) for running in self.running.values()}
        return at_runs | {one.chore.worker for one in self._chores_under_way.values()}

    def _job_facts(self, name: str, turn: JobTimes, answered: datetime | None, now: datetime) -> JobScheduleFacts:
        good, hold = self._ledger.runs.newest_good_begun(name, now + FUTURE_SLACK), self._ledger.holds.of(name)
        return JobScheduleFacts(
            turn,
            good=good,
            released=_believed(hold.released if hold else None, now),
            answered=answered,
            wish=self._wish(name),
        )

    def _wish(self, name: str) -> RunWish | None:
        try:
            wish = self._ledger.wishes.run_wish(name)
        except HomeTrouble as problem:
            self._note_wish_trouble(name, str(problem))
            return None
        self._note_wish_trouble(name)
        return wish if wish is not None and wish.token not in self._taken_up else None

    def _note_wish_trouble(self, name: str, why: str = "") -> None:
        """What nobody can wish must not keep the service from what it owes: that goes on, and the log says why once."""
        if why and why != self._wish_trouble.get(name):
            log.warning("what somebody wishes is not heard of: %s", why)
        self._wish_trouble[name] = why

    def _far_facts(self, name: str, now: datetime) -> FarScheduleFacts:
        used = 0
        if self.settings.far[name].month_gb:
            used = self._ledger.wire_bytes_since(name, month_begins(now, self.settings.zone))
        return FarScheduleFacts(self._at_work(name), used)

    def _at_work(self, far: str) -> str:
        """What of ours is at work at the far box, in words; empty if nothing is."""
        runs = [run_words(job) for job, running in self.running.items() if running.start.far == far]
        chores = [name for name, one in self._chores_under_way.items() if one.chore.worker == far_worker(far)]
        return list_text(runs + [f"its {name.split()[0]}" if name == f"probe {far}" else name for name in chores])

    def _tell_waits(self, plan: SchedulePlan, turns: dict[str, JobTimes]) -> None:
        waits = {wait.job: wait_text(wait, self.settings.zone) for wait in plan.waits}
        for name, turn in turns.items():
            text = waits.get(name, "")
            if text != turn.waiting:
                self._ledger.job_times.note(replace(turn, waiting=text))
                if text:
                    log.info("%s %s", name, text)


def _believed(moment: datetime | None, now: datetime) -> datetime | None:
    """`moment`, unless it was written by a clock that was far ahead."""
    return moment if moment is not None and moment <= now + FUTURE_SLACK else None
