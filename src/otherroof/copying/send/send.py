"""Carries out a plan: what went is moved aside, what came is brought, with many requests in flight.

    S1  what went, or changed its kind, is moved aside
    S2  folders that went are dropped, the deepest first
    S3  new folders are made, the outermost first
    S4  files are brought: found in the far copy, or sent
    S5  symbolic links are made
    S6  further names of one file are linked to the first

Each step looks only at what is still planned, so that after a broken connection the same steps go on from where
they were. Which bytes lie where at the far end is the layout's affair.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace

from otherroof.base.errors import FarTrouble, LinkLost, OtherroofError, PlaceError, RunCut
from otherroof.copying.compare.catalogue_repair import CheckedCatalogue
from otherroof.copying.compare.change import TROUBLE, PlannedChange, Rows
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.context import RunContext, SendContext, SendTotals
from otherroof.copying.home.chunk_lists import ChunkStore
from otherroof.copying.home.read import SourceFolder
from otherroof.copying.send.files import FileSender
from otherroof.copying.send.known_content import note_known_content
from otherroof.copying.send.settling import settle_unfinished
from otherroof.copying.send.stream import ReadAhead
from otherroof.far.place import Task, TaskResult
from otherroof.far.requests import Script
from otherroof.far.trouble import reason_of
from otherroof.far_copy.entry import parse_line
from otherroof.far_copy.keeper import Keeper
from otherroof.far_copy.numbers import FILE, FOLDER, LINK, MODE
from otherroof.far_copy.view import FarCopyView
from otherroof.far_copy.writer import ContentLocation, FileProperties

FOLDERS_AT_ONCE = 64
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
        self.totals = SendTotals()

    def prepare(self, checked: CheckedCatalogue) -> None:
        """Learn from the catalogue which content the far copy holds already."""
        self._unsure = checked.unsure
        note_known_content(self._plan, checked.catalogue.blocks(), checked.catalogue.asides())
        self._plan.commit()

    def remove_litter(self, keeper: Keeper, view: FarCopyView) -> None:
        """Half-sent files that this run does not go on with take room at the far end."""
        parts = [path for path, _, _ in self._plan.parts()]
        wanted = [path for path in parts if (todo := self._plan.get(path)) is not None and todo.want == FILE]
        keeper.clear_litter(view, wanted)

    def send(self, keeper: Keeper, view: FarCopyView) -> None:
        """All that is left of the plan, over this connection. Raises what ended it."""
        keeper.begin(self._run, view)
        keeper.place.widen()
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
                    unsure=self._unsure,
                )
            )
            steps.settle()
            steps.send()


class SendSteps:
    """The six steps, over one connection."""

    def __init__(self, context: SendContext) -> None:
        self._context = context
        self._plan = context.plan
        self._writer = context.writer
        self._place = context.writer.place

    def settle(self) -> None:
        """Find out what became of every change whose end is not known."""
        settle_unfinished(self._plan, self._writer)

    def send(self) -> None:
        """All six steps. Raises RunCut if it was asked to stop, LinkLost if the connection broke."""
        self._move_aside()
        self._drop_folders()
        self._make_folders()
        FileSender(self._context).send()
        if self._plan.regroup_names():  # a first name was replaced since the scan: the others have content of their own
            FileSender(self._context).send()
        self._make_symlinks()
        self._link_further_names()
        self.settle()
        self._check_stop()

    # -- S1 --

    def _move_aside(self) -> None:
        for done in self._carry_out(Rows.TO_MOVE_ASIDE, lambda todo: self._writer.aside(todo.path)):
            todo = done.key
            if done.error is not None:
                self._refused(done)
            elif todo.want == 0:
                self._plan.done(todo)
            else:
                todo.had = 0
                self._plan.take_back_begin(todo)

    # -- S2 --

    def _drop_folders(self) -> None:
        for done in self._carry_out(
            Rows.FOLDERS_TO_DROP, lambda todo: self._writer.drop_folder(todo.path), backwards=True
        ):
            todo = done.key
            if isinstance(done.error, LinkLost):
                raise done.error
            # A folder that still holds something unknown stays; no listing names it any more.
            todo.had = 0
            if todo.want == 0:
                self._plan.done(todo)
            else:
                self._plan.take_back_begin(todo)

    # -- S3 --

    def _make_folders(self) -> None:
        def tasks() -> Iterator[Task[list[PlannedChange], dict[bytes, PlaceError]]]:
            held: list[PlannedChange] = []
            for todo in self._plan.pages(Rows.FOLDERS_TO_MAKE):
                if not self._describe(todo):
                    continue
                if todo.had == FOLDER:
                    self._plan.done(todo)
                    continue
                held.append(todo)
                if len(held) >= FOLDERS_AT_ONCE:
                    yield Task(held, self._writer.make_folders([folder.path for folder in held]), lane=0)
                    held = []
            if held:
                yield Task(held, self._writer.make_folders([folder.path for folder in held]), lane=0)

        first_refusal: PlaceError | None = None
        for done in self._place.carry_out(tasks(), self._context.run.tick):
            if done.error is not None:
                raise done.error
            refused = done.value or {}
            for todo in done.key:
                if todo.path in refused:
                    self._plan.trouble(todo, refused[todo.path].what)
                else:
                    self._plan.done(todo)
            first_refusal = first_refusal or next(iter(refused.values()), None)
        self._plan.commit()
        if first_refusal is not None and (reason := reason_of(self._place, self._writer.name)):
            raise reason from first_refusal

    # -- S5 --

    def _make_symlinks(self) -> None:
        def script(todo: PlannedChange) -> Script[None] | None:
            if not self._describe(todo):
                return None
            entry = parse_line(todo.line or b"")
            if todo.had == LINK and todo.old is not None and parse_line(todo.old).target == entry.target:
                self._plan.note_same(todo.path)
                self._plan.done(todo)
                return None
            return self._writer.symlink(todo.path, entry.target, todo.had == LINK)

        for done in self._carry_out(Rows.LINKS_TO_MAKE, script):
            self._note(done)

    # -- S6 --

    def _link_further_names(self) -> None:
        for done in self._carry_out(Rows.FURTHER_NAMES, self._further_name):
            self._note(done)

    def _further_name(self, todo: PlannedChange) -> Script[None] | None:
        assert todo.first is not None
        leader = self._plan.get(todo.first)
        if leader is None or leader.line is None or leader.state == TROUBLE:
            self._plan.trouble(todo, "another name of this file could not be copied")
            return None
        entry = replace(parse_line(leader.line), path=todo.path, first=todo.first)
        todo.digest, todo.line, todo.numbers = entry.digest, entry.line().encode(), leader.numbers
        if todo.had == FILE and todo.old is not None:
            before = parse_line(todo.old)
            if before.first == todo.first and before.digest == entry.digest == leader.old_digest:
                self._plan.done(todo)
                return None
        assert todo.numbers is not None
        return self._writer.make_from(
            todo.path, ContentLocation(todo.first), FileProperties.of(todo.numbers), todo.had == FILE
        )

    # -- common --

    def _carry_out(
        self, which: Rows, script: Callable[[PlannedChange], Script[None] | None], *, backwards: bool = False
    ) -> Iterator[TaskResult[PlannedChange, None]]:
        """Carry out every planned change that matches; each is noted as begun before the request goes out."""

        def tasks() -> Iterator[Task[PlannedChange, None]]:
            held: list[Task[PlannedChange, None]] = []
            for todo in self._plan.pages(which, backwards=backwards):
                self._check_stop()
                made = script(todo)
                if made is None:
                    continue
                self._plan.begin(todo)
                held.append(Task(todo, made))
                if len(held) >= COMMIT_EVERY:
                    self._plan.commit()
                    yield from held
                    held = []
            self._plan.commit()
            yield from held

        yield from self._place.carry_out(tasks(), self._context.run.tick)
        self._plan.commit()

    def _note(self, done: TaskResult[PlannedChange, None]) -> None:
        if done.error is None:
            self._plan.done(done.key)
        else:
            self._refused(done)

    def _refused(self, done: TaskResult[PlannedChange, None]) -> None:
        """Note a refusal; whether the change was made all the same is settled at the end."""
        if not isinstance(done.error, FarTrouble):
            raise done.error or AssertionError("no error")
        self._plan.note_refusal(done.key, done.error.what)

    def _describe(self, todo: PlannedChange) -> bool:
        """Look at a folder or link again and write its line; False if that cannot be done."""
        assert todo.numbers is not None
        try:
            entry, todo.numbers = self._context.source.describe(todo.path, todo.numbers[MODE])
        except OtherroofError as problem:
            self._plan.trouble(todo, problem.what)
            return False
        todo.line = entry.line().encode()
        return True

    def _check_stop(self) -> None:
        why = self._context.run.stop.asked()
        if why:
            self._plan.commit()
            raise RunCut(why, advice="the next run goes on from there")
