"""Carries out a plan: what went is moved aside, what came is brought, with many requests in flight.

    S0  folders in which something is to change are looked at: no far path leads through a link
    S1  what went, or changed its kind, is moved aside
    S2  folders that went are dropped, the deepest first
    S3  new folders are made, the outermost first
    S4  files are brought: found in the far copy, or sent
    S5  symbolic links are made
    S6  further names of one file are linked to the first
    S7  all that has landed is made durable

Each step looks only at what is still planned, so that after a broken connection the same steps go on from where
they were. Which bytes lie where at the far end is the layout's affair.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace

from otherroof.base.errors import FarTrouble, LinkLost, OtherroofError, PlaceError
from otherroof.copying.compare.catalogue import Catalogue
from otherroof.copying.compare.catalogue_repair import CheckedCatalogue
from otherroof.copying.compare.change import TROUBLE, PlannedChange, Rows
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.context import RunContext, SendContext, SendTotals
from otherroof.copying.home.chunk_lists import ChunkStore
from otherroof.copying.home.read import SourceFolder
from otherroof.copying.other_server import require_alone
from otherroof.copying.send.far_syncs import FarSyncs
from otherroof.copying.send.files import FileSender
from otherroof.copying.send.known_content import note_known_content
from otherroof.copying.send.landed import LandedFiles
from otherroof.copying.send.lost_folders import lost_with_folders, outermost
from otherroof.copying.send.settling import note_habits, settle_unfinished
from otherroof.copying.send.stream import ReadAhead
from otherroof.far.place import Place, Task, TaskResult
from otherroof.far.requests import Script
from otherroof.far.trouble import reason_of
from otherroof.far_copy.entry import parse_line, path_text
from otherroof.far_copy.keeper import Keeper
from otherroof.far_copy.numbers import FILE, FOLDER, LINK, MODE
from otherroof.far_copy.view import FarCopyView
from otherroof.far_copy.writer import ContentLocation, FileProperties

FOLDERS_AT_ONCE = 64
# From here on further connections come in time to be of use: each takes half a second to open.
WORTH_BYTES = 1024 * 1024
WORTH_FILES = 256  # as many as one connection works on at once
LARGE_ON_AVERAGE = 256 * 1024  # bytes; files of less content cost by their number
COMMIT_EVERY = 64  # intentions written down together


class PlanSender:
    """Sends one plan, over as many connections as it takes."""

    def __init__(self, run: str, plan: RunPlan, source: SourceFolder, chunks_path: str, context: RunContext) -> None:
        self._run = run
        self._plan = plan
        self._source = source
        self._chunks_path = chunks_path
        self._context = context
        self._unsure = False
        self._catalogue: Catalogue
        self._landed = LandedFiles(context.clock)
        self.totals = SendTotals()
        self.remarks: list[str] = []

    def prepare(self, checked: CheckedCatalogue) -> None:
        """Learn from the catalogue which content the far copy holds already."""
        self._unsure = checked.unsure
        self._catalogue = checked.catalogue
        note_known_content(self._plan, checked.catalogue.blocks(), checked.catalogue.asides())
        self._plan.commit()

    def remove_litter(self, keeper: Keeper, view: FarCopyView) -> None:
        """Half-sent files that this run does not go on with take room at the far end."""
        parts = [path for path, _, _ in self._plan.half_sent.all()]
        wanted = [path for path in parts if (change := self._plan.get(path)) is not None and change.want == FILE]
        keeper.clear_litter(view, wanted)

    def send(self, keeper: Keeper, view: FarCopyView) -> None:
        """All that is left of the plan, over this connection. Raises what ended it."""
        # The mark that this run is under way stands before the first change.
        keeper.begin(self._run, view)
        try:
            require_alone(keeper, view, self._run, self._plan.fact("base"))
        except FarTrouble:
            keeper.take_back_begin(self._run)
            raise
        self._widen(keeper.place)
        self._landed.forget()  # of an earlier connection: settled below
        with (
            closing(ReadAhead(self._source.root, self._context.clock)) as reader,
            closing(ChunkStore(self._chunks_path)) as chunks,
        ):
            steps = SendSteps(
                SendContext(
                    run=self._context,
                    writer=keeper.writer(self._run),
                    plan=self._plan,
                    source=self._source,
                    reader=reader,
                    chunks=chunks,
                    totals=self.totals,
                    landed=self._landed,
                    catalogue=self._catalogue,
                    unsure=self._unsure,
                )
            )
            try:
                # What an earlier connection left open is settled first: the steps below trust the plan.
                steps.settle()
                steps.send()
            finally:
                self.remarks += [*steps.remarks, *chunks.remarks]

    def _widen(self, place: Place) -> None:
        planned = self._plan.totals()
        brought = planned.new + planned.changed
        much = planned.fresh_bytes >= WORTH_BYTES or brought + planned.moved + planned.removed >= WORTH_FILES
        place.widen(for_much=much, for_large=planned.fresh_bytes > LARGE_ON_AVERAGE * brought)


class SendSteps:
    """The steps, over one connection."""

    def __init__(self, context: SendContext) -> None:
        self.remarks: list[str] = []
        self._context = context
        self._plan = context.plan
        self._writer = context.writer
        self._place = context.writer.place
        self._syncs = FarSyncs(context.landed, context.plan, context.writer, context.run.clock)

    def settle(self) -> None:
        """Find out what became of every change whose end is not known."""
        settle_unfinished(self._plan, self._writer, self._context.run)

    def send(self) -> None:
        """All steps. Raises RunCut if it was asked to stop, LinkLost if the connection broke."""
        # The order follows from what may stand at one path: a file must be gone before a folder of its name is made,
        # all below a folder before the folder, a folder made before anything in it, and a file brought before its
        # further names.
        note_habits(self._plan, self._writer)
        self._context.run.progress.stage = "sending"  # also after a connection broke while the far disk was waited for
        self._look_at_folders()
        self._move_aside()
        self._drop_folders()
        self._leave_out_below_refused()
        self._make_folders()
        self._leave_out_below_refused()
        FileSender(self._context, self._syncs).send()
        # If a first name was replaced since the scan, the others have content of their own.
        if self._plan.hard_links.regroup():
            FileSender(self._context, self._syncs).send()
        if not self._context.run.stop.asked():  # what has landed is still synced then, for as long as there is time
            self._make_symlinks()
            self._link_further_names()
        self._make_durable()
        self.settle()

    # -- S0 --

    def _look_at_folders(self) -> None:
        # A link of the household's was copied as one, and a folder takes its place now; or a run of which nothing is
        # known here was cut; or somebody laid a link at the far end. A path through it would lead out of the copy.
        def tasks() -> Iterator[Task[bytes, bool]]:
            for folder in self._plan.folders_with_changes():
                yield Task(folder, self._writer.stands_in_the_way(folder))

        in_the_way: list[bytes] = []
        refused: OtherroofError | None = None
        for result in self._place.carry_out(tasks(), self._context.run.tick):
            refused = refused or result.error
            if result.value:
                in_the_way.append(result.key)
        if refused is not None:  # a broken connection came first: it is tried again
            raise refused
        lost: list[bytes] = []
        # What was seen below one of these was seen through it, and says nothing.
        for folder in outermost(in_the_way):
            change = self._plan.get(folder)
            if change is not None and change.had in (FILE, LINK):
                continue  # known to be there: S1 moves it aside
            if change is not None and change.want != FOLDER:
                self._plan.gone_below(folder)
            else:
                lost.append(folder)
        self._free_for_folders(lost)
        self._plan.commit()

    def _free_for_folders(self, lost: list[bytes]) -> None:
        """Move aside what stands in place of these folders; what the catalogue has below them is to be brought anew."""
        asides = (Task(folder, self._writer.aside(folder), waits_for_disk=True) for folder in lost)
        free: list[bytes] = []
        for moved in self._place.carry_out(asides, self._context.run.tick):
            if moved.error is not None:
                self._plan.trouble_below(moved.key, "the far copy has a link or a file in place of the folder above it")
            else:
                free.append(moved.key)
                change = self._plan.get(moved.key)
                if change is None or change.had == FOLDER:
                    what = f"a link or a file in place of the folder {path_text(moved.key)}"
                    self.remarks.append(f"the far copy had {what}; what belongs there is sent again")
        if free:
            self._plan.add(lost_with_folders(self._context.catalogue, free, self._plan.get))

    # -- S1 --

    def _move_aside(self) -> None:
        for result in self._carry_out(
            Rows.TO_MOVE_ASIDE, lambda change: self._writer.aside(change.path), waits_for_disk=True
        ):
            change = result.key
            if result.error is not None:
                self._refused(result)
            elif change.want == 0:
                # Nothing is to come there: done. Else the path is free now, and a later step brings what is wanted.
                self._plan.done(change)
            else:
                change.had = 0
                self._plan.take_back_begin(change)

    # -- S2 --

    def _drop_folders(self) -> None:
        for result in self._carry_out(
            Rows.FOLDERS_TO_DROP, lambda change: self._writer.drop_folder(change.path), backwards=True
        ):
            change = result.key
            if isinstance(result.error, LinkLost):
                raise result.error
            # A folder that still holds something unknown stays; no listing names it any more.
            change.had = 0
            if change.want == 0:
                self._plan.done(change)
            else:
                self._plan.take_back_begin(change)

    # -- S3 --

    def _make_folders(self) -> None:
        def tasks() -> Iterator[Task[list[PlannedChange], dict[bytes, PlaceError]]]:
            waiting: list[PlannedChange] = []
            for change in self._plan.pages(Rows.FOLDERS_TO_MAKE):
                if not self._describe(change):
                    continue
                if change.had == FOLDER:
                    self._plan.done(change)
                    continue
                # All on connection 0: a folder must not overtake the one it lies in, and only one connection keeps an
                # order.
                waiting.append(change)
                if len(waiting) >= FOLDERS_AT_ONCE:
                    yield Task(waiting, self._writer.make_folders([folder.path for folder in waiting]), connection=0)
                    waiting = []
            if waiting:
                yield Task(waiting, self._writer.make_folders([folder.path for folder in waiting]), connection=0)

        first_refusal: PlaceError | None = None
        failed: OtherroofError | None = None
        for result in self._place.carry_out(tasks(), self._context.run.tick):
            if result.error is not None:
                failed = failed or result.error
                continue
            refused = result.value or {}
            for change in result.key:
                if change.path in refused:
                    self._plan.trouble(change, refused[change.path].what)
                else:
                    self._plan.done(change)
            first_refusal = first_refusal or next(iter(refused.values()), None)
        self._plan.commit()
        if failed is not None:
            raise failed
        if first_refusal is not None and (reason := reason_of(self._place, self._writer.name)):
            raise reason from first_refusal

    def _leave_out_below_refused(self) -> None:
        """If a folder could not be made, something else may stand there: nothing below it is touched."""
        for change in self._plan.pages(Rows.FOLDERS_REFUSED):
            self._plan.trouble_below(change.path, "the folder above it could not be made there")
        self._plan.commit()

    # -- S5 --

    def _make_symlinks(self) -> None:
        def script(change: PlannedChange) -> Script[None] | None:
            if not self._describe(change):
                return None
            entry = parse_line(change.line or b"")
            # Points where it pointed: only its time or owner changed, which the listing holds.
            if change.had == LINK and change.old is not None and parse_line(change.old).target == entry.target:
                self._plan.note_same(change.path)
                self._plan.done(change)
                return None
            return self._writer.symlink(change.path, entry.target, change.had == LINK)

        for result in self._carry_out(Rows.LINKS_TO_MAKE, script):
            self._note(result)

    # -- S6 --

    def _link_further_names(self) -> None:
        for result in self._carry_out(Rows.FURTHER_NAMES, self._further_name, waits_for_disk=True):
            if result.error is not None:
                self._refused(result)
            else:
                self._plan.done(result.key, self._syncs.note_landed(result.key.path))

    def _further_name(self, change: PlannedChange) -> Script[None] | None:
        assert change.first is not None
        leader = self._plan.get(change.first)
        if leader is None or leader.line is None or leader.state == TROUBLE:
            self._plan.trouble(change, "another name of this file could not be copied")
            return None
        # One inode, so all that belongs to it is the first name's; only the path differs.
        entry = replace(parse_line(leader.line), path=change.path, first=change.first)
        change.digest, change.line, change.numbers = entry.digest, entry.line().encode(), leader.numbers
        if change.had == FILE and change.old is not None:
            before = parse_line(change.old)
            if before.first == change.first and before.digest == entry.digest == leader.old_digest:
                self._plan.done(change)
                return None
        assert change.numbers is not None
        return self._writer.make_from(
            change.path, ContentLocation(change.first), FileProperties.of(change.numbers), change.had == FILE
        )

    # -- S7 --

    def _make_durable(self) -> None:
        # Before the last look at what is unfinished, which syncs what it finds by itself.
        if self._context.landed.waiting:
            self._context.run.progress.stage = "waiting for the far disk"
        run = self._context.run
        with self._syncs.told_first():
            for result in self._place.carry_out(self._syncs.all_tasks(run.stop.asked, run.tick), run.tick):
                self._syncs.ended(result)
        self._plan.commit()
        self._syncs.raise_refusal()
        self._check_stop()

    # -- common --

    def _carry_out(
        self,
        rows: Rows,
        script: Callable[[PlannedChange], Script[None] | None],
        *,
        backwards: bool = False,
        waits_for_disk: bool = False,
    ) -> Iterator[TaskResult[PlannedChange, None]]:
        """Carry out every planned change that matches; each is noted as begun before the request goes out."""

        def tasks() -> Iterator[Task[PlannedChange, None]]:
            waiting: list[Task[PlannedChange, None]] = []
            # Handed out only after the commit: `begin` is in the plan's file before any of these is asked for.
            for change in self._plan.pages(rows, backwards=backwards):
                self._check_stop()
                made = script(change)
                if made is None:
                    continue
                self._plan.begin(change)
                waiting.append(Task(change, made, waits_for_disk=waits_for_disk))
                if len(waiting) >= COMMIT_EVERY:
                    self._plan.commit()
                    yield from waiting
                    waiting = []
            self._plan.commit()
            yield from waiting

        yield from self._place.carry_out(tasks(), self._context.run.tick)
        self._plan.commit()

    def _note(self, result: TaskResult[PlannedChange, None]) -> None:
        if result.error is None:
            self._plan.done(result.key)
        else:
            self._refused(result)

    def _refused(self, result: TaskResult[PlannedChange, None]) -> None:
        """Note a refusal; whether the change was made all the same is settled at the end."""
        if not isinstance(result.error, FarTrouble):
            raise result.error or AssertionError("no error")
        self._plan.note_refusal(result.key, result.error.what)

    def _describe(self, change: PlannedChange) -> bool:
        """Look at a folder or link again and write its line; False if that cannot be done."""
        assert change.numbers is not None
        try:
            entry, change.numbers = self._context.source.describe(change.path, change.numbers[MODE])
        except OtherroofError as problem:
            self._plan.trouble(change, problem.what)
            return False
        change.line = entry.line().encode()
        self._plan.note_left_out(entry)
        return True

    def _check_stop(self) -> None:
        if self._context.run.stop.asked():
            self._plan.commit()
            self._context.run.check_stop()
