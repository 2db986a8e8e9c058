"""One run of one job with everything around it: lock, command before it, tunnel, far box, copy, history.

    O1  take the job's lock and then the far box's; what the ledger has as unfinished was cut
    O2  run the command that the job wants before it
    O3  open the way: tunnel and network rungs
    O4  log in, pinned key proved, and copy
    O5  write down how it ended, and what a person must look at

Every step's failure ends the run with a reason in the ledger; nothing here decides what is copied.
"""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from functools import partial

from otherroof.base.clock import Clock
from otherroof.base.errors import Held, HomeTrouble, OtherroofError, RunCut
from otherroof.base.locks import Patience
from otherroof.copying.compare.catalogue_repair import JobStateFiles
from otherroof.copying.compare.find_changes import CopyRules
from otherroof.copying.compare.guard import GuardLimits, Release
from otherroof.copying.context import RunContext, StopRequest
from otherroof.copying.progress import Progress
from otherroof.copying.reconnect import RetryLimits, SteadyConnection
from otherroof.copying.report import Problem, RunReport
from otherroof.copying.run import Run, RunRequest
from otherroof.far.trial_file import TrialResult, write_trial_file
from otherroof.far_copy.listing_key import ListingKey, read_or_make_key
from otherroof.far_copy.run_ids import next_run_id
from otherroof.jobs.far_place import job_limit, make_keeper, open_place
from otherroof.jobs.locks import far_lock, job_lock
from otherroof.layouts.open.keeper import ExtraScript, OpenKeeper
from otherroof.ledger import Ledger
from otherroof.ledger.runs import Hold
from otherroof.probe.ssh_checks import clock_finding
from otherroof.probe.way import open_way
from otherroof.settings import Job, Settings

WIRE_NOTE_S = 60.0


@dataclass(frozen=True, slots=True)
class RunOptions:
    """What the person or the service chose for this run."""

    dry: bool = False
    reread: bool = False


@dataclass(frozen=True, slots=True)
class RunSurroundings:
    """What a run is given from outside: history, time, the stop sign, and who watches. A `patient` run waits for
    another one to the same far box, as long as the far box's settings say."""

    ledger: Ledger
    clock: Clock
    stop: StopRequest
    progress: Progress = field(default_factory=Progress)
    tick: Callable[[], None] = lambda: None
    linger: bool = False
    patient: bool = False
    told: Callable[[str], None] = lambda _: None


@dataclass(frozen=True, slots=True)
class RunResult:
    """How a run ended: its report, and the error that ended it if there was one."""

    report: RunReport
    error: OtherroofError | None = None


def ledger_path(settings: Settings) -> str:
    """Where the history lies."""
    return settings.ledger


def run_job(settings: Settings, name: str, around: RunSurroundings, choice: RunOptions | None = None) -> RunResult:
    """Carry out one run of job `name`.

    Raises only if the run could not even be written down: Busy, or trouble with the ledger itself.
    """
    return _RunOfJob(settings, name, around, choice or RunOptions()).carry_out()


class _RunOfJob:
    def __init__(self, settings: Settings, name: str, around: RunSurroundings, choice: RunOptions) -> None:
        self._settings = settings
        self._name = name
        self._job: Job = settings.jobs[name]
        self._far = settings.far[self._job.far]
        self._around = around
        self._ledger = around.ledger
        self._clock = around.clock
        self._choice = choice
        self._wire_noted = self._clock.monotonic()

    def carry_out(self) -> RunResult:
        """O1 to O5."""
        with job_lock(self._settings, self._name, self._clock), self._turn_at_far():
            self._ledger.mark_cut(self._name, "the process ended without a word")
            report = RunReport(self._name, self._first_id())
            if not self._choice.dry:
                self._ledger.begin_run(self._name, report.run, self._job.far, self._clock.now())
            error: OtherroofError | None = None
            try:
                self._work(report)
            except OtherroofError as problem:
                error = problem
            except BaseException as problem:
                self._end(report, RunCut(f"ended by {type(problem).__name__}"))
                raise
            self._end(report, error)
            return RunResult(report, error)

    def _turn_at_far(self) -> AbstractContextManager[object]:
        if self._choice.dry:
            return nullcontext()  # a dry run sends nothing, so it need not wait for another run to the same far box
        wait = Patience(self._far.queue_s if self._around.patient else 0.0, self._around.told, self._check)
        return far_lock(self._settings, self._name, self._clock, wait)

    def _check(self) -> None:
        reason = self._around.stop.asked()
        if reason:
            raise RunCut(reason)

    def _first_id(self) -> str:
        newest = self._ledger.runs(job=self._name, newest=1)
        return next_run_id(self._clock.now(), newest[0].report.run if newest else "")

    def _work(self, report: RunReport) -> None:
        if self._job.before is not None and not self._choice.dry:
            run_command_before(self._job)
        key, made = read_or_make_key(self._settings.path(self._settings.home.listing_key))
        if made:
            path = self._settings.path(self._settings.home.listing_key)
            self._around.told(f"made {path}: keep a copy of the settings folder and its keys away from this machine")
        with open_way(
            self._settings,
            self._job.far,
            self._ledger,
            self._clock,
            linger=self._around.linger,
        ) as way:
            self._copy(report, key)
        if way.trouble:
            report.problems.append(Problem("", f"the tunnel could not be taken down: {way.trouble}"))

    def _copy(self, report: RunReport, key: ListingKey) -> None:
        progress = self._around.progress
        keepers: list[OpenKeeper] = []

        def connect() -> OpenKeeper:
            limit = job_limit(self._settings, self._name, self._clock)
            place = open_place(self._settings, self._far, progress.meter, limit)
            self._ledger.note_answer(self._job.far, self._clock.now())
            alongside = None
            if not keepers and not self._choice.dry:
                alongside = ExtraScript(
                    write_trial_file(self._clock, place.offers.space), lambda trial: self._note(trial, report)
                )
            keepers.append(make_keeper(self._settings, self._name, place, key, alongside))
            return keepers[-1]

        context = RunContext(self._clock, self._around.stop, progress, partial(self._tick, report), self._renamed)
        limits = RetryLimits(self._far.tries, self._far.pause_s)
        connection = SteadyConnection(self._name, connect, limits, context)
        try:
            Run(self._request(), connection, context, report).carry_out()
        finally:
            report.bytes.wire_up, report.bytes.wire_down = progress.meter.wire_up, progress.meter.wire_down
            for keeper in keepers:
                keeper.place.close()

    def _tick(self, report: RunReport) -> None:
        """Called about every second. Notes the bytes sent, so that a killed run counts against the month too."""
        self._around.tick()
        if self._choice.dry or self._clock.monotonic() - self._wire_noted < WIRE_NOTE_S:
            return
        self._wire_noted = self._clock.monotonic()
        meter = self._around.progress.meter
        try:
            self._ledger.note_wire(self._name, report.run, meter.wire_up, meter.wire_down)
        except HomeTrouble as problem:
            # The copy goes on: this is tried again in a minute, and at its end the run needs the ledger in any case.
            self._around.told(str(problem))

    def _note(self, trial: TrialResult, report: RunReport) -> None:
        """Note the far disk's free space in the ledger, and report a wrong far clock: it misdates versions."""
        if trial.space is not None:
            self._ledger.note_space(self._job.far, self._clock.now(), trial.space.free, trial.space.total)
        if trial.offset is not None and not trial.offset.agrees:
            seen = clock_finding(trial.offset)
            report.problems.append(Problem("", f"{seen.text}; {seen.advice}"))

    def _request(self) -> RunRequest:
        job, hold = self._job, self._ledger.hold_of(self._name)
        release = None
        if hold is not None and hold.released is not None:
            release = Release(hold.removed, hold.changed, hold.of_files)
        rules = CopyRules(
            job=self._name,
            folder=os.fsencode(job.folder),
            limits=GuardLimits(job.guard.removed_percent, job.guard.changed_percent, job.guard.from_files),
            leave_out=job.leave_out,
            other_disks=job.other_disks,
            reread=self._choice.reread,
            release=release,
        )
        return RunRequest(rules, JobStateFiles(self._settings.state, self._name), dry=self._choice.dry)

    def _renamed(self, old: str, new: str) -> None:
        if not self._choice.dry:
            self._ledger.rename_run(self._name, old, new)

    def _end(self, report: RunReport, error: OtherroofError | None) -> None:
        report.files.problems = sum(1 for problem in report.problems if problem.path)
        if error is None:
            report.outcome = "done with problems" if report.problems else "done"
        elif isinstance(error, Held):
            report.outcome = "held"
        elif isinstance(error, RunCut):
            report.outcome = "cut"
        else:
            report.outcome = "failed"
        report.reason = str(error) if error is not None else ""
        if self._choice.dry:
            return
        now = self._clock.now()
        self._ledger.end_run(report, now)
        if isinstance(error, Held):
            files = report.files
            self._ledger.note_hold(
                Hold(self._name, report.run, now, error.what, files.removed, files.changed, files.seen, None)
            )
        elif error is None:
            self._ledger.drop_hold(self._name)


def run_command_before(job: Job) -> None:
    """Run the job's command before the copy. Raises HomeTrouble if it fails; its last words are in the message."""
    assert job.before is not None
    program = job.before[0]
    try:
        done = subprocess.run(
            job.before, stdin=subprocess.DEVNULL, capture_output=True, timeout=job.before_s, check=False
        )
    except OSError as problem:
        raise HomeTrouble(
            f"the command before the copy cannot be run: {problem.strerror}", where=program, advice="correct `before`"
        ) from problem
    except subprocess.TimeoutExpired as problem:
        raise HomeTrouble(
            f"the command before the copy did not end within {job.before_s:g} s",
            where=program,
            advice="see what it waits for, or raise before_s",
        ) from problem
    if done.returncode != 0:
        words = done.stderr.decode("utf-8", "replace").strip().splitlines()
        last = f" ({words[-1][:200]})" if words else ""
        raise HomeTrouble(
            f"the command before the copy ended with {done.returncode}{last}",
            where=program,
            advice="nothing was copied; run it by hand to see why",
        )
