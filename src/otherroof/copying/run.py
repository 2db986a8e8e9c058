"""One run of one job, from the first look at the far copy to the commit.

    R1  look at the far folder: whose it is, which runs it holds
    R2  make the catalogue tell the truth about it
    R3  scan the folder and compare                              (`looking`)
    R4  recognise what only moved                                (`looking`)
    R5  let the guard look, before anything is sent              (`looking`)
    R6  send
    R7  commit: the listing, then the catalogue

Knows neither the place nor the layout it is given, and writes no history: it fills in a report.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from otherroof.base.clock import stamp
from otherroof.base.errors import LinkLost
from otherroof.copying.compare.catalogue import Catalogue, replace_catalogue, write_catalogue
from otherroof.copying.compare.catalogue_repair import CheckedCatalogue, JobStateFiles, check_catalogue
from otherroof.copying.compare.change import DONE, PlanTotals
from otherroof.copying.compare.find_changes import ChangeFinder, CopyRules, FolderTotals, is_mount_point
from otherroof.copying.compare.fold import fold
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.context import SendContext, SentBytes
from otherroof.copying.home.chunk_lists import ChunkStore
from otherroof.copying.home.looks_encrypted import EncryptionSampler, count_new_endings
from otherroof.copying.home.read import SourceFolder
from otherroof.copying.progress import Stage
from otherroof.copying.reconnect import RetryLimits, RunContext, SteadyConnection
from otherroof.copying.report import Problem, RunReport
from otherroof.copying.send.known_content import note_known_content
from otherroof.copying.send.send import Sender
from otherroof.copying.send.stream import ReadAhead
from otherroof.far_copy.entry import path_text
from otherroof.far_copy.numbers import FILE
from otherroof.far_copy.ports import FarCopyView, Keeper
from otherroof.far_copy.state import CopyState


@dataclass(frozen=True, slots=True)
class RunRequest:
    """What is to be copied and how: with `dry` it is only looked at."""

    subject: CopyRules
    bearing: RetryLimits
    dry: bool = False


@dataclass(frozen=True, slots=True)
class RunTools:
    """What a run works with. `connect` opens the way to the far copy, again after it broke.

    `renamed` hears where the run's id had to be another than the report began with: old, new.
    """

    connect: Callable[[], Keeper]
    renamed: Callable[[str, str], None]
    files: JobStateFiles
    around: RunContext


def next_run_id(now: datetime, last_seen: str) -> str:
    """A run id for `now`, in order after every run that left a trace, even where the clock went back."""
    if last_seen:
        last = datetime.strptime(last_seen[:18], "%Y-%m-%dT%H%M%SZ").replace(tzinfo=UTC)
        now = max(now, last + timedelta(seconds=1))
    return f"{now.astimezone(UTC):%Y-%m-%dT%H%M%SZ}-{secrets.token_hex(2)}"


class Run:
    """Carries out one run. `report` is filled in as it goes, also where it ends with an error."""

    def __init__(self, wish: RunRequest, means: RunTools, report: RunReport) -> None:
        self._wish = wish
        self._means = means
        self._around = means.around
        self._clock = means.around.clock
        self._report = report
        self._source = SourceFolder(wish.subject.folder, self._clock)
        self._far = SteadyConnection(wish.subject.job, means.connect, wish.bearing, means.around)
        self._sent = SentBytes()
        self._sampler = EncryptionSampler()
        self._counted = FolderTotals()

    def carry_out(self) -> None:
        """All steps. Raises Held, RunCut, or whatever else ended the run."""
        begun = self._clock.monotonic()
        try:
            cared = self._begin()
            try:
                self._carry_out(cared, begun)
            finally:
                cared.catalogue.close()
        finally:
            self._report.seconds.total = self._clock.monotonic() - begun
            self._report.bytes.sent = self._sent.bytes
            self._source.close()

    def _carry_out(self, cared: CheckedCatalogue, begun: float) -> None:
        plan = RunPlan(self._means.files.notes)
        try:
            self._look(cared, plan)
        except BaseException:
            self._drop_plan(cared, plan)
            raise
        finally:
            self._report.seconds.scan = self._clock.monotonic() - begun
        if self._wish.dry:
            self._drop_plan(cared, plan)
            return
        try:
            self._send(cared, plan)
            self._commit(cared.catalogue, plan)
        except BaseException:
            plan.close()  # the next run goes on with these notes
            raise
        plan.discard()
        self._tidy()

    # -- R1, R2 --

    def _begin(self) -> CheckedCatalogue:
        self._far.open()
        found: list[CheckedCatalogue] = []

        def begin(keeper: Keeper, view: FarCopyView) -> None:
            if view.last_seen >= self._report.run:
                old, self._report.run = self._report.run, next_run_id(self._clock.now(), view.last_seen)
                self._means.renamed(old, self._report.run)
            found[:] = [check_catalogue(self._means.files, keeper, view)]

        self._far.with_retries(begin)
        self._report.problems += [Problem("", remark) for remark in found[0].remarks]
        return found[0]

    # -- R3, R4, R5 --

    def _look(self, cared: CheckedCatalogue, plan: RunPlan) -> None:
        facts = cared.catalogue.facts
        self._stage("comparing", facts.files)
        plan.note_fact("run", self._report.run)
        plan.note_fact("base", facts.run)
        for path, numbers, upto in cared.parts:
            plan.note_half_sent(path, numbers, upto)
        looking = ChangeFinder(self._wish.subject, cared, self._source, self._around)
        self._counted = looking.counted
        looking.compare(plan)
        self._report.problems += looking.notes.problems
        self._report.files.left_out = looking.notes.left_out
        self._report.other_disks = [path_text(path) for path in looking.notes.other_disks]
        looking.find_moves(plan)
        self._report.nature = self._sampler.nature(count_new_endings(plan.came_and_went()))
        self._fill_in(plan.tally())
        try:
            looking.guard(plan)
        finally:
            self._fill_in(plan.tally())
        plan.commit()

    def _drop_plan(self, cared: CheckedCatalogue, plan: RunPlan) -> None:
        """Nothing of this plan is carried out; what an earlier run had half sent is still gone on with."""
        if cared.parts:
            plan.keep_half_sent()
        else:
            plan.discard()

    def _fill_in(self, tally: PlanTotals) -> None:
        files, sizes = self._report.files, self._report.bytes
        files.seen, sizes.seen = self._counted.files, self._counted.size
        files.new, files.changed = tally.new, tally.changed
        files.moved, files.removed = tally.moved, tally.removed
        sizes.new = tally.fresh_bytes
        files.problems = len([one for one in self._report.problems if one.path])

    # -- R6 --

    def _send(self, cared: CheckedCatalogue, plan: RunPlan) -> None:
        begun = self._clock.monotonic()
        if plan.is_empty():
            return
        tally = plan.tally()
        self._stage("sending", tally.new + tally.changed + tally.moved, tally.fresh_bytes)
        note_known_content(plan, cared.catalogue.blocks(), cared.catalogue.asides())
        plan.commit()
        self._far.with_retries(lambda keeper, view: keeper.clear_litter(view, _parts_to_keep(plan)))
        try:
            self._far.with_retries(lambda keeper, view: self._send_once(keeper, view, cared.unsure, plan))
        finally:
            self._report.seconds.send = self._clock.monotonic() - begun
            self._report.problems += [Problem(path_text(path), why) for path, why in plan.troubles()]
            endings = self._report.nature.endings_changed if self._report.nature is not None else 0
            self._report.nature = self._sampler.nature(endings)
            self._fill_in(plan.result())

    def _send_once(self, keeper: Keeper, view: FarCopyView, unsure: bool, plan: RunPlan) -> None:
        keeper.begin(self._report.run, view)
        keeper.place.widen()
        reader = ReadAhead(self._wish.subject.folder, self._clock)
        chunks = ChunkStore(self._means.files.chunks)
        try:
            outfit = SendContext(
                layout=keeper.layout(self._report.run),
                plan=plan,
                source=self._source,
                reader=reader,
                chunks=chunks,
                clock=self._clock,
                stop=self._around.stop,
                progress=self._around.progress,
                tick=self._around.tick,
                unsure=unsure,
                sent=self._sent,
                sampler=self._sampler,
            )
            sender = Sender(outfit)
            sender.settle()
            sender.send()
        finally:
            reader.close()
            chunks.close()

    # -- R7 --

    def _commit(self, catalogue: Catalogue, plan: RunPlan) -> None:
        begun = self._clock.monotonic()
        self._stage("committing")
        facts = CopyState(
            self._report.run,
            self._far.keeper.home_id,
            is_mount_point(self._wish.subject.folder),
            top=self._source.top().line(),
        )
        if plan.is_empty() and catalogue.facts.whole_run:
            known = catalogue.facts
            facts.files, facts.size, facts.whole_run = known.files, known.size, known.whole_run
            self._commit_listing(facts, None)
            catalogue.note_run(facts)
        else:
            facts.whole_run = self._report.run
            aside = write_catalogue(self._means.files.catalogue, fold(catalogue.blocks(), plan.outcome()), facts)
            written = Catalogue(aside)
            try:
                self._commit_listing(facts, written)
            finally:
                written.close()
            self._keep_chunks(plan)
            catalogue.close()
            replace_catalogue(aside, self._means.files.catalogue)
        self._report.seconds.commit = self._clock.monotonic() - begun

    def _commit_listing(self, facts: CopyState, written: Catalogue | None) -> None:
        """The listing with the lines of `written`, or without lines where nothing changed."""
        taken = stamp(self._clock.now())

        def commit(keeper: Keeper, view: FarCopyView) -> None:
            if facts.run in view.runs:
                return  # the connection broke after the rename: it counts already
            if not view.ready:
                keeper.begin(facts.run, view)
            keeper.commit(facts, written.blocks() if written is not None else (), taken)

        self._far.with_retries(commit)

    def _tidy(self) -> None:
        try:
            self._far.keeper.tidy(self._far.view, self._report.run)
        except LinkLost:
            return  # the run counts; what is left over is removed by the next one

    def _keep_chunks(self, plan: RunPlan) -> None:
        """Chunk lists follow files that moved, and go with files that went."""
        chunks = ChunkStore(self._means.files.chunks)
        try:
            for todo in plan.pages(f"state = {DONE} AND source IS NOT NULL"):
                chunks.moved(todo.source or b"", todo.path)
            for todo in plan.pages(f"state = {DONE} AND want <> {FILE} AND old_digest IS NOT NULL AND old_size > 0"):
                chunks.forget(todo.path)
        finally:
            chunks.close()

    def _stage(self, stage: Stage, files: int = 0, size: int = 0) -> None:
        progress = self._around.progress
        progress.stage, progress.files, progress.files_total, progress.bytes_total = stage, 0, files, size
        progress.path = b""


def _parts_to_keep(plan: RunPlan) -> list[bytes]:
    """Half-sent files that this run goes on with; other litter takes room at the far end."""
    return [path for path, _, _ in plan.parts() if (todo := plan.get(path)) is not None and todo.want == FILE]
