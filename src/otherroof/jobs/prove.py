"""A proof of one job's far copy: read back what is due, note what is damaged, and heal it if this home has it whole.

    K1  open the job to read, beside runs if need be, and read back           (`proving.prove`)
    K2  open it alone, look once more at all that is known to be damaged, and heal it   (`proving.heal`)
    K3  write down what came of it

What is damaged stands in the ledger until it was found whole: that raises the alert and ends it.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field, replace

from otherroof.base.errors import Busy, Damaged, OtherroofError, ended_by
from otherroof.copying.home.read import SourceFolder
from otherroof.copying.report import Problem
from otherroof.far.place import run_script
from otherroof.far_copy.entry import path_text
from otherroof.far_copy.keeper import scratch_name
from otherroof.far_copy.run_ids import listing_text
from otherroof.forecast.proof_pace import MB, pace_said
from otherroof.jobs.context import JobContext
from otherroof.jobs.open_job import HEAL, PROVE, OpenedJob, open_job
from otherroof.jobs.proof_memory import LedgerMemory
from otherroof.jobs.thinning.standing_runs import runs_that_should_stand
from otherroof.ledger import Ledger
from otherroof.ledger.far_findings import DamagedFile
from otherroof.ledger.proofs import HealedDamage, ProofRow, moment_of_day
from otherroof.restore.proving.heal import DamageMark, Healer, HealReport
from otherroof.restore.proving.home_file import HomeFolder
from otherroof.restore.proving.own_word import OwnWords, fetch_own_reading
from otherroof.restore.proving.prove import FarProof
from otherroof.restore.proving.read_back import ReadingContext, WireBudget
from otherroof.restore.proving.report import ProofProgress, ProofReport
from otherroof.restore.proving.request import ProofRequest
from otherroof.settings import Settings
from otherroof.settings.copies.names import stem_of

WIRE_NOTE_S = 60.0
WORDS_SHARE = 0.1  # of the budget that the far box's own reading may take


@dataclass(frozen=True, slots=True)
class ProveOptions:
    """What the person or the service chose: `whole` everything, `share` (0 to 1) of it, or `budget_mb` MB on the wire;
    without any of them the job's own `prove_mb`. `heal` None: as the job says."""

    whole: bool = False
    share: float = 0.0
    budget_mb: float | None = None
    heal: bool | None = None


@dataclass(slots=True)
class ProofResult:
    """A proof's report, and what became of all that was known to be damaged. `row` is how the ledger has it."""

    report: ProofReport
    row: ProofRow
    number: int = 0  # of the row
    healing: HealReport = field(default_factory=HealReport)
    notes: list[Problem] = field(default_factory=list)
    falls_short: str = ""  # that the job's prove_mb is too little for prove_days

    @property
    def found_damage(self) -> bool:
        """Whether anything was or is damaged."""
        return bool(self.report.damaged or self.healing.healed or self.healing.left)


def prove(
    settings: Settings, name: str, context: JobContext[ProofProgress], options: ProveOptions | None = None
) -> ProofResult:
    """Prove the far copy of job `name`. Raises what `open_job` raises, LinkLost if the way broke; what was found by
    then is noted all the same."""
    options = options or ProveOptions()
    with _ledger(settings, context) as ledger:
        own = replace(context, ledger=ledger)
        with _recorded(settings, name, own, options) as result:
            # K1
            with open_job(settings, name, own, PROVE) as job:
                _read_back(job, own, options, result)
            chosen, report = settings.jobs[name], result.report
            result.falls_short = pace_said(report.to_read, report.largest, chosen.prove_mb, chosen.prove_days)
            # K2
            if ledger.damages.of(name) and not own.stop.asked():
                _heal(settings, name, own, options, result)
        return result


@contextmanager
def _ledger(settings: Settings, context: JobContext[ProofProgress]) -> Iterator[Ledger]:
    if context.ledger is not None:
        yield context.ledger
        return
    with Ledger(settings.ledger) as ledger:
        yield ledger


@contextmanager
def _recorded(
    settings: Settings, name: str, context: JobContext[ProofProgress], options: ProveOptions
) -> Iterator[ProofResult]:
    """K3. The proof in the ledger, from its beginning to its end, however it ends."""
    assert context.ledger is not None
    ledger, meter = context.ledger, context.progress.meter
    row = ProofRow(name, settings.jobs[name].far, context.clock.now(), whole=options.whole)
    number = ledger.proofs.begin(row)
    result = ProofResult(ProofReport(name, options.whole), row, number)
    try:
        yield result
    except BaseException as problem:
        row.reason = str(problem) if isinstance(problem, OtherroofError) else ended_by(problem)
        raise
    finally:
        report = result.report
        row.reason = row.reason or report.cut
        row.files, row.size, row.by_word = report.files, report.size, report.word_files
        row.drawn, row.drawn_damaged, row.population = report.drawn, report.drawn_damaged, report.population
        row.drawn_up_to, row.to_read = report.drawn_up_to, report.to_read
        row.too_large, row.largest = report.by_no_night, report.largest
        row.damaged, row.healed = len(report.damaged), len(result.healing.healed)
        row.never, row.since = report.never, moment_of_day(report.oldest_day) if report.oldest_day else None
        row.wire_up, row.wire_down, row.ended = meter.wire_up, meter.wire_down, context.clock.now()
        ledger.proofs.end(number, row)


# -- K1 --


def _read_back(job: OpenedJob, context: JobContext[ProofProgress], options: ProveOptions, result: ProofResult) -> None:
    memory = LedgerMemory(job.ledger, job.name, context.clock)
    budget = _budget(job, options)
    reading = ReadingContext(context.stop, context.progress, context.tick, WireBudget(context.progress.meter, budget))
    request = ProofRequest(
        job.name,
        options.whole,
        budget,
        options.share,
        _known_runs(job),
        job.job.prove_days,
        memory.today,
        int(job.job.prove_mb * MB),
    )
    with _own_words(job, budget) as words, _folder_here(job, context) as here:
        proof = FarProof(job.keeper, request, memory, reading, words, HomeFolder(here) if here is not None else None)
        result.report = proof.report
        try:
            proof.carry_out(job.view)
        finally:
            memory.flush()
    if options.whole and not proof.report.cut:
        proof.report.oldest_day = memory.today
    result.notes += [Problem("", note) for note in (*job.notes, *proof.report.notes)]


def _known_runs(job: OpenedJob) -> frozenset[str]:
    """The runs whose listings should be there."""
    return runs_that_should_stand(job, run_script(job.keeper.place, job.keeper.remover().notes()))


def _budget(job: OpenedJob, options: ProveOptions) -> int | None:
    if options.whole or options.share:
        return None
    wanted = job.job.prove_mb if options.budget_mb is None else options.budget_mb
    return int(wanted * MB)


@contextmanager
def _own_words(job: OpenedJob, budget: int | None) -> Iterator[OwnWords | None]:
    """What the far box says by its own reading, if it offers that and the budget has room for it."""
    path = os.path.join(job.scratch, scratch_name(job.name, ".read"))
    most = 1 << 62 if budget is None else int(budget * WORDS_SHARE)
    try:
        if not fetch_own_reading(job.keeper.place, stem_of(job.name), path, most):
            yield None
            return
        with closing(OwnWords(path + ".db")) as words:
            with open(path, "rb") as file:
                words.take(file)
            yield words
    finally:
        with suppress(FileNotFoundError):
            os.unlink(path)


# -- K2 --


def _heal(
    settings: Settings, name: str, context: JobContext[ProofProgress], options: ProveOptions, result: ProofResult
) -> None:
    heals = settings.jobs[name].heal if options.heal is None else options.heal
    context.progress.stage = "healing" if heals else "looking again"
    try:
        with open_job(settings, name, context, HEAL if heals else PROVE) as job:
            _look_again(job, context, result, heals=heals)
    except Busy as problem:
        result.notes.append(Problem("", f"nothing was healed: {problem.what}; the next proof tries it again"))


def _look_again(job: OpenedJob, context: JobContext[ProofProgress], result: ProofResult, *, heals: bool) -> None:
    ledger, known = job.ledger, job.ledger.damages.of(job.name)
    reading = ReadingContext(context.stop, context.progress, context.tick, WireBudget(context.progress.meter))
    marks = [DamageMark(mark.run, mark.path) for mark in known if mark.path != listing_text(mark.run)]
    with _folder_here(job, context) as here:
        if heals and here is None:
            result.notes.append(Problem("", f"nothing was healed: {job.job.folder} is not there"))
        healing = result.healing = Healer(job.keeper, job.view, reading, here if heals else None).heal(marks)
    if healing.healed:
        files = len({mark.path for mark in healing.healed})
        ledger.proofs.note_healed(result.number, HealedDamage(files, healing.healed[0].path, context.clock.now()))
    for mark in healing.whole:
        ledger.damages.settle_in(job.name, mark.run, [mark.path])
    now = context.clock.now()
    ledger.damages.note(
        [
            DamagedFile(job.name, path_text(one.path), one.run, now, one.why, one.path, one.in_newest)
            for one in healing.left
        ]
    )
    _look_at_listings(job, [mark.run for mark in known if mark.path == listing_text(mark.run)])
    healed = {(mark.run, mark.path) for mark in healing.healed}
    left = {(one.run, one.path): one.left for one in healing.left}
    for damage in result.report.damaged:
        damage.healed = (damage.run, damage.shown) in healed
        damage.left = left.get((damage.run, damage.path), damage.left)


@contextmanager
def _folder_here(job: OpenedJob, context: JobContext[ProofProgress]) -> Iterator[SourceFolder | None]:
    """The job's folder, None if it is not there."""
    if not os.path.isdir(job.job.folder):
        yield None
        return
    with closing(SourceFolder(os.fsencode(job.job.folder), context.clock)) as source:
        yield source


def _look_at_listings(job: OpenedJob, runs: list[str]) -> None:
    known = _known_runs(job) if runs else frozenset()
    for run in runs:
        try:
            if run in job.view.runs or run in known:
                job.keeper.prove_listing(run)
        except Damaged:
            continue
        job.ledger.damages.settle_in(job.name, run, [listing_text(run)])
