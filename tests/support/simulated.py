"""A household whose nights pass in seconds: the service's real records and ledger, a stepped clock, invented runs.

The world around them is a list of troubles: the service is down or killed, a far box is silent, runs are held.
Everything that happened is kept, so that a test can compare it with what should have happened.
"""

from __future__ import annotations

import heapq
import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal
from zoneinfo import ZoneInfo

from otherroof.base.clock import SteppedClock
from otherroof.copying.report import WINDOW_ENDED, ByteCounts, RunReport
from otherroof.ledger.runs import Hold
from otherroof.probe.ladder import ClimbResult, RungFinding, RungResult
from otherroof.schedule.chores import Chore, service_chores
from otherroof.schedule.job_runner import RunEnding
from otherroof.schedule.plan import RunStart
from otherroof.schedule.records import ServiceRecords
from otherroof.settings import FarBox, Home, Job, Settings
from otherroof.settings.alerting import AlertingSettings
from support.household import host_key
from support.ledgers import ledger_of
from support.watching import NotingChannel

ANSWER_S = 60.0
NO_ANSWER = ClimbResult((RungResult("SSH speaks", RungFinding("not ok", "no answer", "look at the router there")),))
Period = tuple[datetime, datetime]


def household(
    jobs: dict[str, dict[str, object]], *, zone: str, far: dict[str, dict[str, object]] | None = None
) -> Settings:
    """Settings of an invented household; `jobs` and `far` give what differs from a plain nightly job."""
    boxes = far or {"heron": {}}
    return Settings(
        where="/nowhere",
        home=Home(name="larch", zone=zone),
        far={
            name: FarBox(
                address=f"10.77.{place}.2",
                account="copykeeper",
                login_key="keys/far",
                host_key=host_key(place),
                base="/srv/otherroof",
                **more,
            )
            for place, (name, more) in enumerate(boxes.items())
        },
        jobs={
            name: Job(**{"folder": f"/srv/family/{name}", "far": next(iter(boxes)), "at": "30 1 * * *"} | more)
            for name, more in jobs.items()
        },
        told=AlertingSettings(),
    )


@dataclass(slots=True)
class Troubles:
    """What goes wrong: when the service is down (and how that began), a far box silent, a job's runs held."""

    down: list[tuple[datetime, datetime, Literal["kill", "stop"]]] = field(default_factory=list)
    silent: dict[str, list[Period]] = field(default_factory=dict)
    held: dict[str, list[Period]] = field(default_factory=dict)

    def is_silent(self, far: str, now: datetime) -> bool:
        return any(start <= now < end for start, end in self.silent.get(far, ()))

    def silence_after(self, far: str, now: datetime) -> datetime | None:
        return min((start for start, _ in self.silent.get(far, ()) if start >= now), default=None)

    def is_held(self, job: str, now: datetime) -> bool:
        return any(start <= now < end for start, end in self.held.get(job, ()))


@dataclass(frozen=True, slots=True)
class Ran:
    """One run that happened, with how the schedule took its end; "killed" where it never said."""

    job: str
    far: str
    begun: datetime
    ended: datetime
    ending: str
    outcome: str


class Simulation:
    """Drives the service's records through time from event to event."""

    def __init__(
        self,
        settings: Settings,
        where: Path,
        start: datetime,
        troubles: Troubles | None = None,
        *,
        seed: int = 1,
        minutes: tuple[float, float] = (2, 40),
        look_every: timedelta = timedelta(hours=6),
    ) -> None:
        self.settings = settings
        self.clock = SteppedClock(start)
        self.ledger = ledger_of(self, str(where / "ledger.db"))
        self.ledger.file.db.execute("PRAGMA synchronous = OFF")
        self.troubles = troubles or Troubles()
        self.ran: list[Ran] = []
        self.probed: list[tuple[str, datetime]] = []
        self.digests: list[datetime] = []
        self.looks: list[datetime] = []
        self.on_look: Callable[[datetime], object] = lambda _: None
        self.channel = NotingChannel()
        self.plans = 0
        self.run_bytes = 0
        self._look_every = look_every
        self._minutes = minutes
        self._random = random.Random(seed)
        self._left: dict[str, float] = {}
        self._events: list[tuple[datetime, int, Callable[[], None]]] = []
        self._number = 0
        self._records: ServiceRecords | None = None
        self._under_way: dict[str, tuple[str, datetime]] = {}
        self._up()
        for begin, end, how in self.troubles.down:
            self.at(begin, self._kill if how == "kill" else self._stop)
            self.at(end, self._up)

    def change(self, settings: Settings) -> None:
        """The settings are read anew."""
        self.settings = settings
        if self._records is not None:
            self._records.use(settings)

    def release(self, job: str) -> None:
        """A person releases the job's held run."""
        assert self.ledger.holds.release(job, self.clock.now())

    def until(self, end: datetime) -> None:
        """Let time pass to `end`."""
        while True:
            wake = self._work() if self._records is not None else end
            following = min([wake, end] + [one[0] for one in self._events[:1]])
            self.clock.step((following - self.clock.now()).total_seconds())
            while self._events and self._events[0][0] <= self.clock.now():
                heapq.heappop(self._events)[2]()
            if self.clock.now() >= end:
                return

    def at(self, moment: datetime, do: Callable[[], None]) -> None:
        """Let `do` happen at `moment`."""
        self._number += 1
        heapq.heappush(self._events, (moment, self._number, do))

    def _work(self) -> datetime:
        records = self._records
        assert records is not None
        while True:
            plan = records.plan()
            self.plans += 1
            for start in plan.runs:
                self._begin(records, start)
            chores = records.plan_chores(records.last_times())
            for chore in chores.begin:
                records.begin_chore(chore)
                self._do(records, chore)
            if not (plan.runs or chores.begin):
                return min(plan.wake, chores.wake or plan.wake)

    def _chores(self, settings: Settings) -> list[Chore]:
        """Those that can be told from one another in what they leave behind; the rest comes every minute."""
        found = service_chores(self.clock, self._look_every.total_seconds())(settings)
        return [chore for chore in found if chore.name.split()[0] in ("probe", "digest", "look")]

    def _do(self, records: ServiceRecords, chore: Chore) -> None:
        now, (kind, *names) = self.clock.now(), chore.name.split()
        if kind == "probe":
            (far,) = names
            self.probed.append((far, now))
            self.at(now + timedelta(seconds=20), lambda: self._probe_ends(records, chore, far))
            return
        if kind == "digest":
            self.ledger.digests.note(now, now - timedelta(days=7), True, ())
            self.digests.append(now)
        else:
            self.looks.append(now)
            self.on_look(now)
        records.end_chore(chore, None)

    def _begin(self, records: ServiceRecords, start: RunStart) -> None:
        now = self.clock.now()
        sign = records.begin(start)
        run = f"{now:%Y-%m-%dT%H%M%SZ}-{self._number % 65536:04x}"
        self.ledger.runs.mark_cut(start.job, "never said its end")
        self.ledger.runs.begin(start.job, run, start.far, now)
        self._under_way[start.job] = (run, now)
        ended, seconds = self._fate(start, now)
        self._note_answer(start.far, now, ended)

        def end() -> None:
            if ended.ending == "cut":
                assert sign.asked(), "a run was cut that nobody asked to stop"
            else:
                assert not sign.asked() or start.until == self.clock.now()
            self._finish(records, start.job, ended)

        self.at(now + timedelta(seconds=seconds), lambda: end() if self._is(start.job, run, records) else None)

    def _is(self, job: str, run: str, records: ServiceRecords) -> bool:
        return self._records is records and self._under_way.get(job, ("", None))[0] == run

    def _note_answer(self, far: str, now: datetime, ended: RunEnding) -> None:
        if ended.ending != "unreached":
            self.ledger.answers.note(far, now)

    def _fate(self, start: RunStart, now: datetime) -> tuple[RunEnding, float]:
        if self.troubles.is_silent(start.far, now):
            return RunEnding("failed", "unreached", "no answer"), ANSWER_S
        hold = self.ledger.holds.of(start.job)
        freed = hold is not None and hold.released is not None
        if self.troubles.is_held(start.job, now) and not freed:
            return RunEnding("held", "settled", "too much would go"), 20.0
        needed = self._left.get(start.job) or self._random.uniform(*self._minutes) * 60
        silence = self.troubles.silence_after(start.far, now)
        if silence is not None and silence < now + timedelta(seconds=needed):
            self._left[start.job] = needed - (silence - now).total_seconds()
            return RunEnding("failed", "unreached", "the link was lost"), (silence - now).total_seconds() + ANSWER_S
        if start.until is not None and start.until < now + timedelta(seconds=needed):
            self._left[start.job] = needed - (start.until - now).total_seconds()
            return RunEnding("cut", "cut", WINDOW_ENDED), (start.until - now).total_seconds()
        self._left.pop(start.job, None)
        return RunEnding("done", "settled"), float(int(needed))

    def _finish(self, records: ServiceRecords, job: str, ended: RunEnding) -> None:
        run, begun = self._under_way.pop(job)
        now, far = self.clock.now(), records.running[job].start.far
        self.ledger.runs.end(self._report(job, run, ended), now)
        if ended.outcome == "held":
            self.ledger.holds.note(self._hold(job, run, ended))
        elif ended.outcome == "done":
            self.ledger.holds.drop(job)
        records.end(job, ended)
        self.ran.append(Ran(job, far, begun, now, ended.ending, ended.outcome))

    def _report(self, job: str, run: str, ended: RunEnding) -> RunReport:
        report = RunReport(job=job, run=run, outcome=ended.outcome, reason=ended.reason)
        report.bytes = ByteCounts(wire_up=self.run_bytes if ended.outcome == "done" else 0)
        return report

    def _hold(self, job: str, run: str, ended: RunEnding) -> Hold:
        return Hold(job, run, self.clock.now(), ended.reason, 9, 0, 9, None)

    def _probe_ends(self, records: ServiceRecords, chore: Chore, far: str) -> None:
        if self._records is not records:
            return
        now = self.clock.now()
        if self.troubles.is_silent(far, now):
            self.ledger.probes.note(far, now, NO_ANSWER, answered=False)
        else:
            self.ledger.answers.note(far, now)
        records.end_chore(chore, None)

    def _up(self) -> None:
        self._records = ServiceRecords(self.settings, self.ledger, self.clock, self._chores)

    def _kill(self) -> None:
        assert self._records is not None
        for job, (_, begun) in self._under_way.items():
            far = self._records.running[job].start.far
            self.ran.append(Ran(job, far, begun, self.clock.now(), "killed", "cut"))
        self._under_way.clear()
        self._records = None

    def _stop(self) -> None:
        assert self._records is not None
        self._records.stop("the service stops")
        for job in list(self._under_way):
            self._finish(self._records, job, RunEnding("cut", "cut", "the service stops"))
        self._records = None


def utc(year: int, month: int, day: int, hour: int = 0, minute: int = 0) -> datetime:
    """A moment in UTC."""
    return datetime(year, month, day, hour, minute, tzinfo=UTC)


def covered_s(periods: Iterable[Period], start: datetime, end: datetime) -> float:
    """Seconds of [start, end) that any of `periods` covers."""
    total, reached = 0.0, start
    for opens, closes in sorted(periods):
        share = (min(closes, end) - max(opens, reached)).total_seconds()
        if share > 0:
            total += share
            reached = min(closes, end)
    return total


def passings(zone: str, start: datetime, end: datetime, wanted: Callable[[datetime], bool]) -> list[datetime]:
    """Every moment at which the dial of a wall clock in `zone` passes a wanted quarter of an hour for the first time.

    Made by walking through time; shares nothing with the schedule's own arithmetic.
    """
    quarter, moment, found = timedelta(minutes=15), start, []
    top = start.astimezone(ZoneInfo(zone)).replace(tzinfo=None, fold=0)
    while (moment := moment + quarter) < end:
        wall = moment.astimezone(ZoneInfo(zone)).replace(tzinfo=None, fold=0)
        due = False
        while top < wall:
            top += quarter
            due = due or wanted(top)
        if due:
            found.append(moment)
    return found
