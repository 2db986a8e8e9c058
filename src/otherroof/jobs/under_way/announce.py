"""Tells other processes how far a run is while it is under way, and hears from them that it is to stop.

In a thread of its own, so that both go on while the run waits for something: a small file is written every other
second, and twice a second it looks whether somebody wishes a stop. It must not know what the run does.
"""

from __future__ import annotations

import os
import secrets
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace

from otherroof.base.clock import Clock
from otherroof.base.errors import EXIT_INTERRUPTED, EXIT_LOOK, EXIT_WELL, HomeTrouble, OtherroofError, RunCut, ended_by
from otherroof.copying.progress import Progress
from otherroof.copying.report import RunReport
from otherroof.forecast.advance import AdvanceWatch, ProgressReading
from otherroof.jobs.context import JobContext
from otherroof.ledger.live.live_run import By, EndedRun, LiveRun
from otherroof.ledger.live.live_runs import LiveRuns
from otherroof.ledger.live.wishes import Wishes

LOOK_S = 0.5
LOOKS_A_WRITE = 4  # when the stage is still the same
END_S = 5.0  # for the thread to end; it waits for nothing but this machine's disk
BY_HAND = "stopped by hand"


@dataclass(frozen=True, slots=True)
class RunAsked:
    """Who runs it, and the token of the wish that it fulfils, if it does."""

    by: By = "hand"
    wish: str = ""


def run_reading(progress: Progress) -> ProgressReading:
    """A run's numbers as a reading."""
    return ProgressReading(
        progress.stage, progress.files, progress.files_total, progress.landed, progress.bytes_total, progress.path
    )


class Announcement:
    """One run's word to others, and theirs to it. As a `StopRequest` it is up if the run's own sign is, or if somebody
    wished a stop. `context` is the run's own, `report` what it fills in."""

    def __init__(self, state: str, first: LiveRun, report: RunReport, context: JobContext[Progress]) -> None:
        self.by_hand = False
        self._live = LiveRuns(state)
        self._wishes = Wishes(state)
        self._now = first
        self._report = report
        self._context = context
        self._trouble = ""
        self._watch = AdvanceWatch(lambda: run_reading(context.progress))
        self._lock = threading.Lock()  # of all that is written
        self._over = threading.Event()

    def asked(self) -> str:
        """Why the run should stop; empty while it should go on."""
        return self._context.stop.asked() or (BY_HAND if self.by_hand else "")

    @contextmanager
    def under_way(self) -> Iterator[None]:
        """While inside, others see the run, if they can be told at all: if not, it is a copy all the same. The caller
        holds the job's lock. Raises Busy if somebody looks for too long."""
        with ExitStack() as stack:
            try:
                trouble = stack.enter_context(self._live.held(self._now))
            except HomeTrouble as problem:
                trouble = str(problem)
            self._tell_trouble(trouble)
            thread = threading.Thread(target=self._go_on, name=f"otherroof-tells-{self._now.job}", daemon=True)
            thread.start()
            error: BaseException | None = None
            try:
                yield
            except BaseException as problem:
                error = problem
                raise
            finally:
                self._over.set()
                thread.join(END_S)
                self._say_last(error)

    def note_run(self, run: str) -> None:
        """The run has this id from now on. To be called before it stands in the history, so that whoever finds it there
        finds it here too."""
        with self._lock:
            self._now = replace(self._now, run=run, before=self._now.run)
        self._write()

    def _go_on(self) -> None:
        looks = 0
        while not self._over.wait(LOOK_S):
            before = self._now
            self._look()
            looks += 1
            now = self._now
            changed = (now.stopping, now.advance.reading.stage) != (before.stopping, before.advance.reading.stage)
            if changed or looks >= LOOKS_A_WRITE:
                looks = 0
                self._write()

    def _hear(self) -> None:
        try:
            self.by_hand = self.by_hand or self._wishes.is_stop_asked(self._now.job, self._now.token)
        except HomeTrouble as problem:
            self._tell_trouble(str(problem))

    def _look(self) -> None:
        self._hear()
        meter = self._context.progress.meter
        advance, stopping = self._watch.read(self._context.clock.monotonic()), self.asked()
        with self._lock:
            self._now = replace(
                self._now, advance=advance, stopping=stopping, wire_up=meter.wire_up, wire_down=meter.wire_down
            )

    def _write(self) -> None:
        try:
            with self._lock:
                self._now = replace(self._now, at=self._context.clock.now())
                self._live.write(self._now)
        except HomeTrouble as problem:
            self._tell_trouble(str(problem))

    def _say_last(self, error: BaseException | None) -> None:
        # What came since the last look counts too: a run that broke off as a person stopped it is not to begin again
        # in a minute.
        self._hear()
        try:
            with self._lock:
                self._live.write_end(self._ended(error))
            if self._wishes.is_stop_asked(self._now.job, self._now.token):
                self._wishes.drop_stop(self._now.job)
        except HomeTrouble as problem:
            # The run has its end in the history all the same; only whoever waits for it learns less.
            self._tell_trouble(str(problem))

    def _ended(self, error: BaseException | None) -> EndedRun:
        report = self._report
        if not report.run:  # it never came so far as to be in the history
            report.outcome = "cut" if isinstance(error, RunCut) else "failed"
        said = "" if error is None else str(error)
        if error is None:
            code = EXIT_LOOK if report.problems else EXIT_WELL
        elif isinstance(error, RunCut):
            code = EXIT_INTERRUPTED  # as the verb itself leaves, whose run was stopped
        elif isinstance(error, OtherroofError):
            code = error.exit_code
        else:
            code, said = EXIT_LOOK, ended_by(error)
        return EndedRun(self._now.token, self._now.wish, code, said, self.by_hand, report)

    def _tell_trouble(self, trouble: str) -> None:
        """The copy goes on without it; once is enough."""
        if trouble and not self._trouble:
            self._trouble = trouble
            self._context.told(f"{self._now.job}: others cannot see how far it is: {trouble}")


def first_word(job: str, far: str, asked: RunAsked, clock: Clock) -> LiveRun:
    """What is known of a run before it has done anything."""
    now = clock.now()
    return LiveRun(secrets.token_hex(8), job, far, asked.by, os.getpid(), now, now, wish=asked.wish)
