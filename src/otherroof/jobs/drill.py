"""A drill: a part of a job's newest version, or all of it, is brought back for practice, compared, timed and removed.

    D1  a folder of its own in the state folder; what killed drills left there is removed
    D2  open the job as a restore does; the drill is in the ledger from here on
    D3  the newest version's listing; what comes back is drawn at random, within the room that there is
    D4  restore it, with the clock running
    D5  compare it with the listing and with home's files; run the job's own check on it
    D6  write down what came of it

A drill from nothing does D3 to D5 as a new machine would: with an empty state folder, from settings and keys alone.
"""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace

from otherroof.base.clock import Clock
from otherroof.base.errors import HomeTrouble, OtherroofError, RunCut, ended_by
from otherroof.base.units import size_text
from otherroof.copying.context import StopRequest
from otherroof.copying.home.read import SourceFolder
from otherroof.copying.report import Problem
from otherroof.far_copy.entry import Entry, path_text
from otherroof.far_copy.reader import Reader
from otherroof.forecast.restore_time import time_back
from otherroof.jobs.commands import run_check_after_drill
from otherroof.jobs.context import JobContext
from otherroof.jobs.drill_folder import ADVICE, drill_folder, remove_tree, room_for_drill
from otherroof.jobs.open_job import READ, OpenedJob, open_job
from otherroof.jobs.restore import list_versions
from otherroof.ledger import Ledger
from otherroof.ledger.drills import DrillFigures, DrillOutcome, DrillRow
from otherroof.ledger.far_findings import DamagedFile
from otherroof.restore.drilling.choice import MOST_FILES, choose, sums_of
from otherroof.restore.drilling.compare import compare_restored
from otherroof.restore.drilling.part import Pace, TimedReader
from otherroof.restore.drilling.report import DrillReport
from otherroof.restore.progress import RestoreProgress
from otherroof.restore.restore import Restorer
from otherroof.restore.selection import Selection
from otherroof.restore.target import TargetFolder
from otherroof.restore.versions import named_run
from otherroof.settings import NoTunnel, Settings

MB = 1_000_000
TICK_S = 1.0
# What a shell says of a command that it could not run.
NOT_RUN = 127


@dataclass(frozen=True, slots=True)
class DrillRequest:
    """Which job; how many bytes at most, None for what the settings say, and from nothing for what the disk holds.

    `limit`, if there is one, is among the signs that stop it: what came until then is an answer too.
    """

    job: str
    most: int | None = None
    from_nothing: bool = False
    limit: StopRequest | None = None


def drill_mark(job: str) -> str:
    """The name by which the ledger keeps when a job was last drilled, with an answer."""
    return f"drill {job}"


def drill(
    settings: Settings,
    request: DrillRequest,
    context: JobContext[RestoreProgress],
    chance: random.Random | None = None,
) -> DrillReport:
    """Carry out one drill. Damage that it found is in the answer.

    `chance` draws what comes back; nobody can foresee it unless another one is given. Raises Busy, HomeTrouble (if
    there is no room, too), WrongUse if there is no version yet, and what `open_job` raises.
    """
    report = DrillReport(request.job, request.from_nothing)
    record = _DrillRecord(report, context)
    with drill_folder(settings, request.job, context.clock) as folder:
        steps = _DrillSteps(settings, request, context, chance or random.SystemRandom(), report, folder)
        with open_job(settings, request.job, context, READ, record.kept) as job:
            steps.carry_out(job)
    return report


class _DrillSteps:
    """D3 to D5 of one drill."""

    def __init__(
        self,
        settings: Settings,
        request: DrillRequest,
        context: JobContext[RestoreProgress],
        chance: random.Random,
        report: DrillReport,
        folder: str,
    ) -> None:
        self._settings = settings
        self._request = request
        self._context = context
        self._chance = chance
        self._report = report
        self._folder = folder
        self._into = os.path.join(folder, "restored")
        self._tick = _tick_of(context)
        self._begun = context.clock.monotonic()

    def carry_out(self, job: OpenedJob) -> None:
        """All steps; `job` is open with this home's real state."""
        try:
            self._steps(job)
            limit = self._request.limit
            self._report.had_its_time = bool(self._report.cut and limit is not None and limit.asked())
        finally:
            # Before what came of it is written down: where the disk has become full, the ledger has no room else.
            remove_tree(self._folder, keep_top=True)

    def _steps(self, job: OpenedJob) -> None:
        if not self._request.from_nothing:
            self._practise(job, job.ledger)
            return
        self._report.lacks += [Problem("", f"run {job.lost} counted, and {job.lost_why}")] if job.lost else []
        bare = _with_nothing(self._settings, job.job.far, os.path.join(self._folder, "state"))
        self._report.versions = len(list_versions(bare, job.name))
        # The clock runs from here: a new machine would not have opened the job before.
        self._begun = self._context.clock.monotonic()
        with open_job(bare, job.name, replace(self._context, ledger=None), READ) as anew:
            self._practise(anew, job.ledger)

    def _practise(self, job: OpenedJob, ledger: Ledger) -> None:
        run = named_run(job.view.runs, "", job.name)
        self._report.run = run
        with closing(job.keeper.reader(run)) as reader:
            reader.look(job.view)
            chosen = self._chosen(reader)
            self._restore(reader, chosen)
            if not self._report.cut:
                self._compare(chosen if chosen is not None else reader.entries(), job.job.folder)
            self._note_damage(ledger, reader, chosen)
        if not self._report.cut:
            self._check(job)

    def _chosen(self, reader: Reader) -> Sequence[Entry] | None:
        """D3. What comes back; None for all of it. Raises HomeTrouble if there is no room for anything."""
        asked = self._settings.jobs[self._request.job]
        free, most = room_for_drill(self._folder), self._request.most
        if most is None and not self._request.from_nothing:
            most = int(asked.drill_mb * MB)
        room = free if most is None else min(free, most)
        always = Selection(tuple(os.fsencode(path.strip("/")) for path in asked.drill.always))
        fixed = always if always.paths else None
        sums = self._report.sums = sums_of(reader.entries(), room, fixed)
        few = sums.files <= MOST_FILES or self._request.from_nothing
        if sums.room <= room and few:
            self._report.whole = True
            return None
        if fixed is not None and sums.always.room > room:
            self._report.lacks.append(
                Problem("", f"what `always` names takes {size_text(sums.always.room)}, for which there is no room here")
            )
        chosen = choose(reader.entries(), sums, room, self._chance, fixed)
        if not chosen and sums.files:
            raise HomeTrouble(
                f"there is room for {size_text(room)} only, which is too little for a drill",
                where=self._folder,
                advice=ADVICE,
            )
        return chosen

    def _restore(self, reader: Reader, chosen: Sequence[Entry] | None) -> None:
        """D4."""
        report, progress, pace = self._report, self._context.progress, Pace(self._context.clock)
        timed = TimedReader(reader, pace, chosen)
        before_s = self._context.clock.monotonic() - self._begun
        with closing(TargetFolder(os.fsencode(self._into), "refuse")) as target:
            try:
                back = Restorer(timed, target, progress).restore(Selection(), self._tick)
            except RunCut as cut:
                report.cut = cut.what
            else:
                left_off = {(path_text(path), why) for path, why in target.notes.attributes}
                report.left_off = [one for one in back.problems if (one.path, one.why) in left_off]
                report.lacks += [one for one in back.problems if (one.path, one.why) not in left_off]
                report.damaged = back.damaged
                report.size = back.size
        report.files = progress.files
        report.back = time_back(pace.pieces(), report.sums.files, report.sums.size, before_s)

    def _compare(self, entries: Iterator[Entry] | Sequence[Entry], folder: str) -> None:
        """D5."""
        clock, home = self._context.clock, None
        if os.path.isdir(folder):
            home = SourceFolder(os.fsencode(folder), clock)
        with closing(SourceFolder(os.fsencode(self._into), clock)) as restored:
            try:
                self._report.compared = compare_restored(entries, restored, home, self._tick)
            except RunCut as cut:
                self._report.cut = cut.what
            finally:
                if home is not None:
                    home.close()

    def _check(self, job: OpenedJob) -> None:
        try:
            end = run_check_after_drill(job.job, self._into, self._context.clock, self._context.stop)
        except HomeTrouble as problem:
            self._report.check_code, self._report.check_said = NOT_RUN, problem.what
        except RunCut as cut:
            self._report.cut = cut.what
        else:
            if end is not None:
                self._report.check_code, self._report.check_said = end.code, end.said

    def _note_damage(self, ledger: Ledger, reader: Reader, chosen: Sequence[Entry] | None) -> None:
        """What was found damaged stays known, so that an alert tells of it; what came back whole is damaged no more."""
        report, now = self._report, self._context.clock.now()
        bad = {problem.path for problem in report.damaged}
        entries = (reader.entries() if chosen is None else chosen) if bad else ()
        names = {text: entry.path for entry in entries if (text := path_text(entry.path)) in bad}
        ledger.damages.note(
            [
                DamagedFile(report.job, file.path, report.run, now, file.why, names.get(file.path, b""), in_newest=True)
                for file in report.damaged
            ]
        )
        if report.cut:
            return
        bad = {problem.path for problem in (*report.wrong, *report.lacks)}
        known = [mark.path for mark in ledger.damages.of(report.job) if mark.run == report.run]
        # Of a part only what was drawn was read; of a whole version everything that it holds was.
        read = None if chosen is None else {path_text(entry.path) for entry in chosen}
        whole = [path for path in known if path not in bad and (read is None or path in read)]
        if whole:
            ledger.damages.settle_in(report.job, report.run, whole)


class _DrillRecord:
    """One drill in the ledger, from its beginning to its end."""

    def __init__(self, report: DrillReport, context: JobContext[RestoreProgress]) -> None:
        self._report = report
        self._context = context

    @contextmanager
    def kept(self, job: OpenedJob) -> Iterator[None]:
        """D2, D6."""
        clock, began = self._context.clock, self._context.clock.monotonic()
        row = DrillRow(job.name, job.job.far, clock.now(), self._report.from_nothing)
        number = job.ledger.drills.begin(row)

        def end(outcome: DrillOutcome, reason: str = "") -> None:
            self._report.took_s = clock.monotonic() - began
            self._count_wire()
            ended = replace(row, version=self._report.run, ended=clock.now(), outcome=outcome, reason=reason)
            job.ledger.drills.end(number, replace(ended, figures=_figures(self._report)))

        try:
            yield
        except RunCut as problem:
            end("cut", str(problem))
            raise
        except OtherroofError as problem:
            end("failed", str(problem))
            raise
        except BaseException as problem:
            end("cut", ended_by(problem))
            raise
        outcome: DrillOutcome = "damaged" if self._report.wrong else "whole"
        if self._report.cut and not self._report.wrong:
            outcome = "timed" if self._report.timed_only else "cut"
        end(outcome, self._report.cut)
        if not self._report.cut or self._report.timed_only:
            job.ledger.marks.note(drill_mark(job.name), clock.now())

    def _count_wire(self) -> None:
        meter = self._context.progress.meter
        self._report.wire_up, self._report.wire_down = meter.wire_up, meter.wire_down


def _figures(report: DrillReport) -> DrillFigures:
    back = report.back
    return DrillFigures(
        files=report.files,
        size=report.size,
        of_files=report.sums.files,
        of_size=report.sums.size,
        damaged=len(report.wrong),
        changed_at_home=report.compared.changed_at_home,
        wire_up=report.wire_up,
        wire_down=report.wire_down,
        took_s=report.took_s,
        back_s=back.seconds if back else None,
        soonest_s=back.soonest if back else None,
        latest_s=back.latest if back else None,
        check_code=report.check_code,
        check_said=report.check_said,
    )


def _tick_of(context: JobContext[RestoreProgress]) -> Callable[[], None]:
    """Called for anything that comes; shows progress about every second, and raises RunCut if the work is to stop."""
    last = [context.clock.monotonic()]

    def tick() -> None:
        now = context.clock.monotonic()
        if now - last[0] < TICK_S / 2:
            return
        last[0] = now
        context.tick()
        if why := context.stop.asked():
            raise RunCut(why, advice="what was restored for practice is removed")

    return tick


def _with_nothing(settings: Settings, far: str, state: str) -> Settings:
    """The settings of a machine that has lost everything else: its state folder is empty.

    Without a tunnel, since this machine's own is up while the job is open, and two of it cannot be.
    """
    home = settings.home.model_copy(update={"state": state})
    box = settings.far[far].model_copy(update={"tunnel": NoTunnel()})
    return settings.model_copy(update={"home": home, "far": {**settings.far, far: box}})


@dataclass(slots=True)
class TimeLimit:
    """A stop sign for a drill that nobody watches: it goes up after `seconds`."""

    clock: Clock
    seconds: float
    begun: float | None = None

    def asked(self) -> str:
        """Why the drill should stop; empty while it should go on."""
        now = self.clock.monotonic()
        if self.begun is None:
            self.begun = now
        if now - self.begun < self.seconds:
            return ""
        return f"it was not through within {self.seconds / 3600:g} h; what came until then was timed"
