"""The service in real time: a loop that carries out the plans, with APScheduler for its timer and its workers.

The loop alone decides and writes the books; workers carry out one thing each and report back through a queue, and so
do signals. Everything that is a rule lives in `plan`, `due` and the chores, of which the loop knows none by name.

APScheduler's own cron trigger is not used: its days of the week count from Monday, it refuses 7, it takes day of
month AND day of week, and over a change of clocks it fires twice in autumn and late in spring (see
`settings.crontab`). What it is used for: waking the loop at a moment, and one worker for each far box, so that two
runs to one far box can never overlap.
"""

from __future__ import annotations

import logging
import queue
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any, Protocol

from apscheduler.events import EVENT_JOB_ERROR, EVENT_JOB_EXECUTED, JobExecutionEvent
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.schedulers.background import BackgroundScheduler

from otherroof.base.clock import Clock
from otherroof.base.errors import OtherroofError, RunCut
from otherroof.base.local_time import wall_time
from otherroof.base.units import count_text
from otherroof.copying.report import outcome_text
from otherroof.schedule.chores import Chore, ChoreInputs
from otherroof.schedule.job_runner import RunEnding, RunJob, ending_for
from otherroof.schedule.plan import RunStart, far_worker
from otherroof.schedule.records import ServiceRecords
from otherroof.settings import Mistake, Settings
from otherroof.settings.differences import what_differs
from otherroof.system.notification import Notifier

# At least this often all is thought through anew; more often if the watchdog wants a sign sooner.
TICK_S = 30.0
# So often it looks whether somebody wishes a run: they sit at a terminal and wait.
WISH_LOOK_S = 1.0
# The scheduler counts as dead after this many missed wake-ups in a row; setting the clock back costs one.
MOST_MISSED = 4
# Together less than the 20 s after which the service manager kills what is left (TimeoutStopSec in the unit).
STOP_GRACE_S = 8.0
REST_GRACE_S = 1.5

log = logging.getLogger(__name__)


class SettingsSource(Protocol):
    """Where the settings come from. `due_in_s` says in how many seconds they are to be read anew (0: now), None if they
    have not changed; `read` gives them and their mistakes, and keeps them if they are whole."""

    def due_in_s(self) -> float | None: ...

    def read(self) -> tuple[Settings | None, Sequence[Mistake]]: ...


@dataclass(frozen=True, slots=True)
class _Wake:
    """The timer went off."""


@dataclass(frozen=True, slots=True)
class _StopAsked:
    reason: str


@dataclass(frozen=True, slots=True)
class _Reload:
    """The settings are to be read anew."""


@dataclass(frozen=True, slots=True)
class _Wished:
    """A wish for a run came or went."""


@dataclass(frozen=True, slots=True)
class _Finished:
    """A worker is done. `value` is what it returned, or the error it met."""

    task: str
    value: Any


_Message = _Wake | _StopAsked | _Reload | _Wished | _Finished


class Service:
    """One running service. `run` works until `stop`; `stop` and `reload` may be called from signal handlers."""

    def __init__(
        self,
        records: ServiceRecords,
        run_job: RunJob,
        at_end: Chore,
        clock: Clock,
        notifier: Notifier,
        source: SettingsSource,
        mistakes: tuple[str, ...] = (),
    ) -> None:
        self._records = records
        self._run_job = run_job
        self._at_end = at_end
        self._clock = clock
        self._notifier = notifier
        self._source = source
        self._mistakes = mistakes
        # A SimpleQueue may be put to from a signal handler that interrupts a `get`.
        self._inbox: queue.SimpleQueue[_Message] = queue.SimpleQueue()
        self._tick_s = min(TICK_S, notifier.alive_every_s or TICK_S)
        self._under_way: dict[str, Callable[[Any], None]] = {}  # by task: who is told of its end
        self._workers: set[str] = set()
        self._missed = 0
        self._settles_s: float | None = None
        self._trouble = ""
        self._wishes: object = None  # as they were when last looked at
        self._stopping = ""
        # No limit on lateness: with the library's own of one second, a busy machine would drop what came late without a
        # word. What piled up is done once.
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
        )

    def stop(self, reason: str) -> None:
        """Stop soon and cleanly."""
        self._inbox.put(_StopAsked(reason))

    def reload(self) -> None:
        """Read the settings anew soon."""
        self._inbox.put(_Reload())

    def run(self) -> list[str]:
        """Work until told to stop. Returns what did not end in time; the next start goes on from there."""
        self._scheduler.add_listener(self._heard, EVENT_JOB_EXECUTED | EVENT_JOB_ERROR)
        self._scheduler.start()
        log.info("the service works on %s", self._records.settings.state)
        self._notifier.ready()
        try:
            while not self._stopping:
                self._look_at_settings()
                self._work()
                # Sent only here, after a whole pass, so that the watchdog knows that the loop works.
                self._notifier.alive()
                # Longer than the timer takes: if nothing came by then, its wake-up was missed.
                self._take(self._tick_s * 1.5)
            return self._end()
        finally:
            self._records.stop("the service ends")
            # Not waited for: what did not end within its grace may hang, and the next start goes on from there.
            self._scheduler.shutdown(wait=False)

    def _look_at_settings(self) -> None:
        """Take up changed files by itself: whoever changes them does not think of a reload."""
        self._settles_s = self._source.due_in_s()
        if self._settles_s == 0:
            self._settles_s = None
            self._take_up(*self._source.read())

    def _work(self) -> None:
        wakes = [self._clock.now() + timedelta(seconds=min(self._tick_s, self._settles_s or self._tick_s))]
        waiting, last_times, trouble = 0, None, ""
        try:
            self._wishes = self._records.wish_mark()  # before they are read: what comes meanwhile is seen next time
            plan = self._records.plan()
            for start in plan.runs:
                self._begin_run(start)
            last_times = self._records.last_times()
            waiting = len(plan.waits)
            wakes.append(plan.wake)
        except OtherroofError as problem:
            # The ledger's disk may be full or away for a while; the next pass tries again.
            trouble = str(problem)
        # Some chores are done without the ledger too, and one of them says that it cannot be used.
        chores = self._records.plan_chores(last_times)
        for chore in chores.begin:
            try:
                self._begin_chore(chore, trouble)
            except OtherroofError as problem:
                trouble = str(problem)
        if chores.wake is not None:
            wakes.append(chores.wake)
        if trouble and trouble != self._trouble:
            log.error("nothing can be decided: %s", trouble)
        self._trouble = trouble
        self._notifier.status(f"in trouble: {trouble}" if trouble else self._status(waiting, min(wakes)))
        self._wake_at(min(wakes))

    def _begin_run(self, start: RunStart) -> None:
        stop = self._records.begin(start)
        more = " as somebody wishes" if start.wish is not None else f" (try {start.tries + 1})" if start.tries else ""
        log.info("%s begins%s", start.job, more)
        run = partial(self._run_job, self._records.settings, start, stop)
        self._submit(f"run {start.job}", far_worker(start.far), run, partial(self._run_ended, start.job))

    def _begin_chore(self, chore: Chore, trouble: str = "") -> None:
        stop = self._records.begin_chore(chore)
        inputs = ChoreInputs(self._records.settings, self._mistakes, trouble, stop)
        self._submit(chore.name, chore.worker, partial(chore.do, inputs), partial(self._chore_ended, chore))

    def _submit(self, task: str, worker: str, call: Callable[[], Any], ended: Callable[[Any], None]) -> None:
        # One thread a worker: what has the same worker waits in line by that, with no lock of ours.
        if worker not in self._workers:
            self._scheduler.add_executor(ThreadPoolExecutor(1), alias=worker)
            self._workers.add(worker)
        self._under_way[task] = ended
        self._scheduler.add_job(_carried_out, args=(call,), id=task, executor=worker)

    def _wake_at(self, moment: datetime) -> None:
        # Set anew in each pass, so that a clock that was set does not leave it far ahead.
        self._scheduler.add_job(
            self._inbox.put, "date", args=(_Wake(),), run_date=moment, id="wake", replace_existing=True
        )

    def _heard(self, event: JobExecutionEvent) -> None:
        # Called in the scheduler's threads; all it may do is put a word into the queue.
        if event.job_id != "wake":
            self._inbox.put(_Finished(event.job_id, event.exception or event.retval))

    def _take(self, wait_s: float) -> None:
        """Wait for something to happen, then deal with all that has."""
        try:
            message = self._next_message(wait_s)
        except queue.Empty:
            self._missed += 1
            if self._missed >= MOST_MISSED:
                # Not one of our own errors, on purpose: the program ends, and the service manager starts it again
                # (Restart=on-failure), with a scheduler that lives.
                raise RuntimeError("the scheduler gives no sign of life any more") from None
            return
        while True:
            self._deal_with(message)
            try:
                message = self._inbox.get_nowait()
            except queue.Empty:
                return

    def _next_message(self, wait_s: float) -> _Message:
        """Raises queue.Empty if none came in that time."""
        until = self._clock.monotonic() + wait_s
        while True:
            left = until - self._clock.monotonic()
            try:
                return self._inbox.get(timeout=max(0.0, min(left, WISH_LOOK_S)))
            except queue.Empty:
                if self._records.wish_mark() != self._wishes:
                    return _Wished()
                if left <= WISH_LOOK_S:
                    raise

    def _deal_with(self, message: _Message) -> None:
        match message:
            case _Wake():
                self._missed = 0
            case _Wished():
                pass  # the next pass reads all wishes
            case _StopAsked(reason):
                self._stopping = reason
            case _Reload():
                self._use_new_settings()
            case _Finished(task, value):
                try:
                    self._under_way.pop(task)(value)
                except OtherroofError as problem:
                    # A run whose end could not be written down counts as one that never said it: tried again.
                    log.error("%s: its end cannot be noted: %s", task, problem)  # noqa: TRY400

    def _run_ended(self, job: str, value: Any) -> None:
        ended = value if isinstance(value, RunEnding) else ending_for(value)
        self._records.end(job, ended)
        log.log(
            logging.INFO if ended.outcome in ("done", "cut") else logging.WARNING,
            "%s: %s",
            job,
            ": ".join(part for part in (outcome_text(ended.outcome), ended.reason) if part),
        )

    def _chore_ended(self, chore: Chore, value: Any) -> None:
        if isinstance(value, RunCut):
            log.info("%s: left off, nothing is lost by that: %s", chore.name, value)
        elif isinstance(value, BaseException):
            log.warning("%s: %s", chore.name, value)
        self._records.end_chore(chore, value)

    def _use_new_settings(self) -> None:
        self._notifier.reloading()
        self._take_up(*self._source.read())
        self._notifier.ready()

    def _take_up(self, settings: Settings | None, mistakes: Sequence[Mistake]) -> None:
        lines = tuple(mistake.line() for mistake in mistakes)
        if settings is not None and settings.state != self._records.settings.state:
            lines = (*lines, "home.state: the state folder cannot change while the service runs; restart it")
        if settings is None or lines:
            for line in lines:
                log.warning("%s", line)
            log.warning("the settings are not taken up; those of before stay in force")
            self._records.note_news()
        else:
            changed = ", ".join(what_differs(self._records.settings, settings)) or "nothing"
            log.info("the settings were read anew and are in force; changed: %s", changed)
            self._records.use(settings)
        self._mistakes = lines

    def _status(self, waiting: int, wake: datetime) -> str:
        busy = ", ".join(sorted(self._records.running)) or "nothing"
        waits = f"; {waiting} wait" if waiting else ""
        wrong = f"; {count_text(len(self._mistakes), 'mistake')} in the settings" if self._mistakes else ""
        return f"copies {busy}{waits}{wrong}; thinks again by {wall_time(wake, self._records.settings.zone):%a %H:%M}"

    def _end(self) -> list[str]:
        log.info("stops: %s", self._stopping)
        self._notifier.stopping()
        self._records.stop(self._stopping)
        begun = self._clock.monotonic()
        # Runs first, since they use the tunnels that the last chore takes down.
        self._wait_for_ends(STOP_GRACE_S)
        self._begin_chore(self._at_end)
        # What the runs have left of their time is the last chore's too: a tunnel may take seconds to go down.
        left = STOP_GRACE_S - (self._clock.monotonic() - begun)
        self._wait_for_ends(max(REST_GRACE_S, left))
        return sorted(self._under_way)

    def _wait_for_ends(self, seconds: float) -> None:
        """Until nothing is under way any more, or for so long."""
        deadline = self._clock.monotonic() + seconds
        while self._under_way and (left := deadline - self._clock.monotonic()) > 0:
            try:
                self._deal_with(self._inbox.get(timeout=left))
            except queue.Empty:
                break


def _carried_out(call: Callable[[], Any]) -> Any:
    """What `call` returns, or the error of ours that it met. Others are logged by the scheduler, with a trace."""
    try:
        return call()
    except OtherroofError as problem:
        return problem
