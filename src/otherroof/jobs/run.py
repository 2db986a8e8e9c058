"""One run of one job: the job is opened, what changed is copied, and what came of it is written down.

    J1  open the job; from the moment its locks are held the run is in the ledger (`open_job`, `_RunRecord.kept`)
    J2  copy, over as many connections as it takes
    J3  write down how it ended, and what a person must look at, before the locks are given back

Every step's failure ends the run with a reason in the ledger; nothing here decides what is copied.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from otherroof.base.errors import Held, HomeTrouble, OtherroofError, RunCut, ended_by
from otherroof.copying.compare.catalogue_repair import JobStateFiles, KnownDamage
from otherroof.copying.compare.find_changes import CopyRules
from otherroof.copying.compare.guard import GuardLimits, Release
from otherroof.copying.context import RunContext
from otherroof.copying.progress import Progress
from otherroof.copying.reconnect import RetryLimits, SteadyConnection
from otherroof.copying.report import ByteCounts, Problem, RunReport
from otherroof.copying.run import Run, RunRequest
from otherroof.far_copy.run_ids import listing_text, next_run_id
from otherroof.jobs.context import JobContext
from otherroof.jobs.open_job import LOOK, ONTO, WRITE, OpenedJob, open_job
from otherroof.jobs.own_files import own_secrets
from otherroof.jobs.under_way.announce import Announcement, RunAsked, first_word
from otherroof.ledger import Ledger
from otherroof.ledger.runs import Hold
from otherroof.settings import Settings
from otherroof.settings.copies.names import stem_of

if TYPE_CHECKING:
    # Only a run onto a disk has one, and whoever begins that has imported it.
    from otherroof.jobs.carried.onto import OntoDisk

WIRE_NOTE_S = 60.0


@dataclass(frozen=True, slots=True)
class RunOptions:
    """What the person or the service chose for this run."""

    dry: bool = False
    reread: bool = False
    asked: RunAsked = field(default_factory=RunAsked)
    onto: OntoDisk | None = None  # the disk that takes the far box's place


@dataclass(frozen=True, slots=True)
class RunResult:
    """How a run ended: its report, the error that ended it if there was one, and whether a person wished it to stop."""

    report: RunReport
    error: OtherroofError | None = None
    by_hand: bool = False


def run_job(
    settings: Settings, name: str, context: JobContext[Progress], options: RunOptions | None = None
) -> RunResult:
    """Carry out one run of job `name`.

    Raises only if the run could not even be written down: Busy, or trouble with the ledger itself.
    """
    options = options or RunOptions()
    report = RunReport(name, "")
    if options.onto is not None:
        context = replace(context, disk=options.onto.disk)
    first = first_word(name, settings.jobs[name].far, options.asked, context.clock)
    announced = Announcement(os.path.dirname(settings.ledger), first, report, context)
    context = replace(context, stop=announced)
    record = _RunRecord(report, context, options, announced)
    # A dry run sends nothing, and nobody need know of it.
    others = nullcontext() if options.dry else announced.under_way()
    try:
        # J1, J3
        access = LOOK if options.dry else WRITE if options.onto is None else ONTO
        with open_job(settings, name, context, access, record.kept, others) as job:
            # J2
            secrets = own_secrets(settings)
            steps = RunContext(context.clock, context.stop, context.progress, record.tick, record.renamed, secrets)
            limits = RetryLimits(job.far.tries, job.far.pause_s)
            connection = SteadyConnection(name, job.connect, limits, steps)
            Run(_request(job, options), connection, steps, record.report).carry_out()
    except OtherroofError as problem:
        # What was written down as the run's end is its result. Anything else happened where nothing could be written
        # down.
        if problem is not record.error:
            raise
    return RunResult(record.report, record.error, announced.by_hand)


def _request(job: OpenedJob, options: RunOptions) -> RunRequest:
    chosen, onto = job.job, options.onto
    hold = job.ledger.holds.of(job.name) if onto is None else None
    release = None
    if hold is not None and hold.released is not None:
        release = Release(hold.removed, hold.changed, hold.of_files)
    rules = CopyRules(
        job=job.name,
        folder=os.fsencode(chosen.folder),
        limits=GuardLimits(chosen.guard.removed_percent, chosen.guard.changed_percent, chosen.guard.from_files),
        leave_out=chosen.leave_out,
        other_disks=chosen.other_disks,
        reread=options.reread,
        release=release,
        released_by=f"move {onto.disk.folder}/{stem_of(job.name)} aside, and begin anew" if onto is not None else "",
    )
    if onto is not None:
        return RunRequest(rules, onto.files(job.name), options.dry, accept=onto.accepts(job, dry=options.dry))
    return RunRequest(rules, JobStateFiles(job.settings.state, job.name), options.dry, _known_damage(job))


def _known_damage(job: OpenedJob) -> KnownDamage:
    marks = job.ledger.damages.of(job.name)
    return KnownDamage(
        tuple(sorted({mark.name for mark in marks if mark.in_newest and mark.name})),
        frozenset(mark.run for mark in marks if mark.path == listing_text(mark.run)),
    )


class _RunRecord:
    """One run in the ledger, from its beginning to its end. A dry run leaves nothing there.

    `error` is what ended the run, once it has been written down.
    """

    _ledger: Ledger
    _far: str

    def __init__(
        self, report: RunReport, context: JobContext[Progress], options: RunOptions, announced: Announcement
    ) -> None:
        self.report = report
        self.error: OtherroofError | None = None
        self._context = context
        self._announced = announced
        self._dry = options.dry
        self._onto = options.onto.disk.folder if options.onto is not None else ""
        context.progress.begin("waiting for its turn")
        self._begun = self._wire_noted = context.clock.monotonic()

    @contextmanager
    def kept(self, job: OpenedJob) -> Iterator[None]:
        """J1, J3. Entered when the locks are held, so what the ledger has as unfinished was cut."""
        self._ledger, self._far = job.ledger, job.job.far
        self._begin(job)
        try:
            yield
        except OtherroofError as problem:
            self._end(job, problem)
            self.error = problem
            raise
        except BaseException as problem:
            self._end(job, RunCut(ended_by(problem)))
            raise
        self._end(job, None)

    def _begin(self, job: OpenedJob) -> None:
        self._context.progress.begin("connecting")
        self._ledger.runs.mark_cut(job.name)
        # After every run of this job, also if the clock was put back: versions are ordered by their ids.
        newest = self._ledger.runs.rows(job=job.name, newest=1, carried=True)
        now = self._context.clock.now()
        self._begun = self._context.clock.monotonic()  # it may have waited for its turn until here
        self.report.run = next_run_id(now, newest[0].report.run if newest else "")
        if not self._dry:
            self._announced.note_run(self.report.run)
            self._ledger.runs.begin(job.name, self.report.run, job.job.far, now, self._onto)
            if not self._onto:
                job.notes += self._ledger.take_untold(now)

    def renamed(self, old: str, new: str) -> None:
        """The run had to take another id than it began with."""
        if not self._dry:
            self._announced.note_run(new)
            self._ledger.runs.rename(self.report.job, old, new)

    def tick(self) -> None:
        """Called about every second. Notes the bytes sent, so that a killed run counts against the month too, and how
        long it has lived."""
        self._context.tick()
        now = self._context.clock.monotonic()
        if self._dry or now - self._wire_noted < WIRE_NOTE_S:
            return
        self._wire_noted = now
        meter = self._context.progress.meter
        try:
            sizes = ByteCounts(sent=self._context.progress.landed, wire_up=meter.wire_up, wire_down=meter.wire_down)
            self._ledger.runs.note_sent(self.report.job, self.report.run, sizes, now - self._begun)
        except HomeTrouble as problem:
            # The copy goes on: this is tried again in a minute, and at its end the run needs the ledger in any case.
            self._context.told(str(problem))

    def _end(self, job: OpenedJob, error: OtherroofError | None) -> None:
        report, meter = self.report, self._context.progress.meter
        report.bytes.wire_up, report.bytes.wire_down = meter.wire_up, meter.wire_down
        report.problems[:0] = [Problem("", note) for note in job.notes]
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
        if not self._dry:
            self._write_end(error)

    def _write_end(self, error: OtherroofError | None) -> None:
        report, now = self.report, self._context.clock.now()
        self._ledger.runs.end(report, now)
        if self._onto:
            return  # it tells nothing of the far box, and of nothing that stands against the job there
        if isinstance(error, Held):
            files = report.files
            self._ledger.holds.note(
                Hold(report.job, report.run, now, error.what, files.removed, files.changed, files.seen, None)
            )
        elif error is None:
            self._ledger.holds.drop(report.job)
            # It was there to the end, whatever a probe met meanwhile.
            self._ledger.answers.note(self._far, now)
            # It looked at what was damaged there, and brought anew what was not as it should be.
            self._ledger.damages.left_newest(report.job)
