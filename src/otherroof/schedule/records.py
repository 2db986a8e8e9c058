"""The service's desk: asks the ledger, lets the plan decide, and writes down what was begun and how it ended.

Used by one thread. It starts nothing itself: the caller (`serve`, or a simulation) carries out the plan and reports
back, so both follow the same rules.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from otherroof.base.clock import Clock
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from otherroof.ledger.job_times import JobTimes
from otherroof.schedule.actions import RunEnding
from otherroof.schedule.due import FUTURE_SLACK, JobScheduleFacts, current_times
from otherroof.schedule.plan import (
    FarScheduleFacts,
    RunStart,
    ScheduleFacts,
    SchedulePlan,
    month_begins,
    plan_schedule,
    wait_text,
    window_end,
)
from otherroof.settings import Settings

LOOK_EVERY = timedelta(minutes=5)
DIGEST = "digest"
DIGEST_PAUSE = timedelta(minutes=15)

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class RunUnderWay:
    """A run under way."""

    start: RunStart
    begun: datetime
    sign: StopSign


class ServiceRecords:
    """The books of one service. `look_every`: how often the watch looks when nothing else happens."""

    def __init__(self, settings: Settings, ledger: Ledger, clock: Clock, look_every: timedelta = LOOK_EVERY) -> None:
        self.settings = settings
        self.running: dict[str, RunUnderWay] = {}
        self.probing: set[str] = set()
        self._ledger = ledger
        self._clock = clock
        self._look_every = look_every
        self._look_at = clock.now()
        self._digesting = False
        self._digest_rests_until = clock.monotonic()  # monotonic: the wall clock may be set back meanwhile

    def use(self, settings: Settings) -> None:
        """From now on these settings count; runs under way keep to their windows as they are now."""
        self.settings = settings
        now = self._clock.now()
        for name, running in self.running.items():
            if name in settings.jobs:
                running.sign.set_window_end(window_end(settings.jobs[name], now, settings.zone))
        self.look_soon()

    def look_soon(self) -> None:
        """Something happened that the watch should see."""
        self._look_at = min(self._look_at, self._clock.now())

    def plan(self) -> SchedulePlan:
        """What to do now. Raises HomeTrouble if the ledger cannot be used."""
        now = self._clock.now()
        turns = self._turns(now)
        plan = plan_schedule(self.settings, self._facts(now, turns))
        self._tell_waits(plan, turns)
        return plan

    def begin(self, start: RunStart) -> StopSign:
        """Note that a run begins; gives the sign by which it can be stopped."""
        now = self._clock.now()
        turn = self._ledger.turns()[start.job]
        begun = replace(turn, begun=now, ended=None, ending=None, tries=start.tries + 1, waiting="")
        self._ledger.note_job_times(begun)
        sign = StopSign(self._clock, until=start.until, room=start.room, month_ends=start.month_ends)
        self.running[start.job] = RunUnderWay(start, now, sign)
        return sign

    def end(self, job: str, ended: RunEnding) -> None:
        """Note how a run came to its end."""
        running = self.running.pop(job)
        turn = self._ledger.turns()[job]
        tries = turn.tries if ended.ending == "unreached" else 0
        self._ledger.note_job_times(
            replace(turn, begun=running.begun, ended=self._clock.now(), ending=ended.ending, tries=tries)
        )
        self.look_soon()

    def begin_probe(self, far: str) -> None:
        """Note that a probe begins."""
        self._ledger.note_last_time(_probe(far), self._clock.now())
        self.probing.add(far)

    def end_probe(self, far: str) -> None:
        """Note that a probe has come to its end."""
        self.probing.discard(far)
        self.look_soon()

    def begin_digest(self) -> None:
        """Note that the digest is being made."""
        self._digesting = True

    def end_digest(self, made: bool) -> None:
        """Note that the digest was made, or that it could not be and is due again after a while."""
        self._digesting = False
        if made:
            self._ledger.note_last_time(DIGEST, self._clock.now())
        else:
            self._digest_rests_until = self._clock.monotonic() + DIGEST_PAUSE.total_seconds()

    def begin_look(self) -> None:
        """Note that the watch looks."""
        self._look_at = self._clock.now() + self._look_every

    def stop(self, reason: str) -> None:
        """Ask every run under way to stop."""
        for running in self.running.values():
            running.sign.ask(reason)

    def _turns(self, now: datetime) -> dict[str, JobTimes]:
        known = self._ledger.turns()
        turns = {}
        for name, job in self.settings.jobs.items():
            turns[name] = current_times(known.get(name), name, f"{job.at} {self.settings.home.zone}", now)
            if turns[name] != known.get(name):
                self._ledger.note_job_times(turns[name])
        return turns

    def _facts(self, now: datetime, turns: dict[str, JobTimes]) -> ScheduleFacts:
        marks = {name: at for name, at in self._ledger.marks().items() if at <= now + FUTURE_SLACK}
        if DIGEST not in marks:
            self._ledger.note_last_time(DIGEST, now)
        # If the clock was set back, the next look is no further away than ever.
        self._look_at = min(self._look_at, now + self._look_every)
        answered = {far: self._ledger.last_answer(far, now + FUTURE_SLACK) for far in self.settings.far}
        jobs = {
            name: self._job_facts(name, turns[name], answered[job.far], now) for name, job in self.settings.jobs.items()
        }
        busy = self.probing | {running.start.far for running in self.running.values()}
        far = {name: self._far_facts(name, marks, busy, now) for name in self.settings.far}
        return ScheduleFacts(now, jobs, far, frozenset(self.running), self._digest_made(marks, now), self._look_at)

    def _digest_made(self, marks: dict[str, datetime], now: datetime) -> datetime:
        if self._digesting or self._clock.monotonic() < self._digest_rests_until:
            return now
        made = _believed(self._ledger.last_digest(), now)
        return max(moment for moment in (marks.get(DIGEST, now), made) if moment is not None)

    def _job_facts(self, name: str, turn: JobTimes, answered: datetime | None, now: datetime) -> JobScheduleFacts:
        good, hold = self._ledger.newest_good(name, now + FUTURE_SLACK), self._ledger.hold_of(name)
        return JobScheduleFacts(
            turn,
            good=good.started if good else None,
            released=_believed(hold.released if hold else None, now),
            answered=answered,
        )

    def _far_facts(self, name: str, marks: dict[str, datetime], busy: set[str], now: datetime) -> FarScheduleFacts:
        used = 0
        if self.settings.far[name].month_gb:
            used = self._ledger.wire_bytes_since(name, month_begins(now, self.settings.zone))
        return FarScheduleFacts(marks.get(_probe(name)), name in busy, used)

    def _tell_waits(self, plan: SchedulePlan, turns: dict[str, JobTimes]) -> None:
        waits = {wait.job: wait_text(wait, self.settings.zone) for wait in plan.waits}
        for name, turn in turns.items():
            text = waits.get(name, "")
            if text != turn.waiting:
                self._ledger.note_job_times(replace(turn, waiting=text))
                if text:
                    log.info("%s %s", name, text)


def _probe(far: str) -> str:
    return f"probe:{far}"


def _believed(moment: datetime | None, now: datetime) -> datetime | None:
    """`moment`, unless it was written by a clock that was far ahead."""
    return moment if moment is not None and moment <= now + FUTURE_SLACK else None
