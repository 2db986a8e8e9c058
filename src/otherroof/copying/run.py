"""One run of one job, from the first look at the far copy to the commit.

    R1  look at the far folder: whose it is, which runs it holds
    R2  make the catalogue tell the truth about it
    R3  scan the folder and compare
    R4  recognise what only moved
    R5  let the guard look, before anything is sent
    R6  send
    R7  commit: the listing, then the catalogue

Knows neither the place nor the layout it is given, and writes no history: it fills in a report.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from otherroof.clock import Clock, stamp
from otherroof.copying.catalogue import Catalogue, Facts, put_in_place, write_catalogue
from otherroof.copying.catalogue_care import Cared, JobFiles, care
from otherroof.copying.chunk_store import ChunkStore
from otherroof.copying.compare import FILE, FOLDER, SIZE, Difference, SameBlock, compare, kind_of
from otherroof.copying.diagnosis import reason_of
from otherroof.copying.entry import shown
from otherroof.copying.fold import fold
from otherroof.copying.guard import Limits, Release, Sight, verdict
from otherroof.copying.leave_out import left_out_by
from otherroof.copying.locate import note_known_content
from otherroof.copying.name_groups import names_left_behind
from otherroof.copying.nature import Sampler, count_new_endings
from otherroof.copying.outfit import Outfit, Sent, Stop
from otherroof.copying.plan import DONE, Plan, Tally
from otherroof.copying.ports import FarView, Keeper
from otherroof.copying.progress import Progress, Stage
from otherroof.copying.scan import Batch, Scan
from otherroof.copying.send import Sender
from otherroof.copying.source import Source
from otherroof.copying.stream import Reader
from otherroof.copying.tally import Problem, RunReport
from otherroof.errors import Held, HostKeyChanged, LinkLost, LoginRefused, OtherroofError, PlaceError, RunCut, Unreached

TICK_EVERY = 20_000  # entries between two looks at the stop sign while scanning
WORTH = 1024 * 1024  # bytes that must have crossed for a broken connection not to count as a failed try
LONGEST_PAUSE_S = 600.0


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be copied and how, as the job's settings say it."""

    job: str
    folder: bytes
    limits: Limits
    leave_out: tuple[str, ...] = ()
    other_disks: bool = False
    reread: bool = False
    dry: bool = False
    release: Release | None = None
    tries: int = 4
    pause_s: float = 5.0


@dataclass(frozen=True, slots=True)
class Means:
    """What a run works with. `connect` opens the way to the far copy, again after it broke.

    `renamed` hears where the run's id had to be another than the report began with: old, new.
    """

    connect: Callable[[], Keeper]
    renamed: Callable[[str, str], None]
    files: JobFiles
    clock: Clock
    stop: Stop
    progress: Progress
    tick: Callable[[], None]


@dataclass(slots=True)
class Counted:
    """What the comparison saw."""

    files: int = 0
    size: int = 0
    held_files: int = 0


@dataclass(slots=True)
class _Session:
    """What a run holds open."""

    keeper: Keeper
    view: FarView
    cared: Cared
    plan: Plan | None = None
    counted: Counted = field(default_factory=Counted)


def next_run_id(now: datetime, last_seen: str) -> str:
    """A run id for `now`, in order after every run that left a trace, even where the clock went back."""
    if last_seen:
        last = datetime.strptime(last_seen[:18], "%Y-%m-%dT%H%M%SZ").replace(tzinfo=UTC)
        now = max(now, last + timedelta(seconds=1))
    return f"{now.astimezone(UTC):%Y-%m-%dT%H%M%SZ}-{secrets.token_hex(2)}"


class Run:
    """Carries out one run. `report` is filled in as it goes, also where it ends with an error."""

    def __init__(self, wish: Wish, means: Means, report: RunReport) -> None:
        self._wish = wish
        self._means = means
        self._report = report
        self._clock = means.clock
        self._source = Source(wish.folder, means.clock)
        self._left_tries = wish.tries
        self._sent = Sent()
        self._sampler = Sampler()

    def carry_out(self) -> None:
        """All steps. Raises Held, RunCut, or whatever else ended the run."""
        begun = self._clock.monotonic()
        keeper: Keeper | None = None
        try:
            keeper = self._connect()
            self._carry_out(keeper, begun)
        finally:
            self._report.seconds.total = self._clock.monotonic() - begun
            self._report.bytes.sent = self._sent.bytes
            self._source.close()

    def _carry_out(self, keeper: Keeper, begun: float) -> None:
        session = self._begin(keeper)
        self._report.problems += [Problem("", remark) for remark in session.cared.remarks]
        try:
            try:
                self._look(session)
            finally:
                self._report.seconds.scan = self._clock.monotonic() - begun
            if self._wish.dry:
                return
            self._send(session)
            self._commit(session)
        finally:
            session.cared.catalogue.close()
            if session.plan is not None:
                session.plan.close()

    # -- R1, R2 --

    def _begin(self, keeper: Keeper) -> _Session:
        while True:
            try:
                view = keeper.view()
                if view.last_seen >= self._report.run:
                    old, self._report.run = self._report.run, next_run_id(self._clock.now(), view.last_seen)
                    self._means.renamed(old, self._report.run)
                return _Session(keeper, view, care(self._means.files, keeper, view))
            except LinkLost as problem:
                keeper, _ = self._again(keeper, problem)

    # -- R3, R4, R5 --

    def _look(self, session: _Session) -> None:
        session.plan = plan = Plan(self._means.files.notes)
        try:
            self._compare(session, plan)
            blocks = session.cared.catalogue.blocks()
            plan.add(list(names_left_behind(blocks, plan.inodes_with_names(), plan.has, self._source.device)))
            plan.find_hard_links()
            self._find_moves(plan)
            self._report.nature = self._sampler.nature(count_new_endings(plan.came_and_went()))
            self._fill_in(session, plan.tally())
            self._guard(session, plan)
            plan.commit()
        except BaseException:
            self._drop_plan(session, plan)
            raise
        if self._wish.dry:
            self._drop_plan(session, plan)

    def _drop_plan(self, session: _Session, plan: Plan) -> None:
        """Nothing of this plan is carried out; what an earlier run had half sent is still gone on with."""
        session.plan = None
        if session.cared.parts:
            plan.keep_parts()
        else:
            plan.discard()

    def _compare(self, session: _Session, plan: Plan) -> None:
        self._stage("comparing", session.cared.catalogue.facts.files)
        plan.note_fact("run", self._report.run)
        plan.note_fact("base", session.cared.catalogue.facts.run)
        for path, numbers, upto in session.cared.parts:
            plan.note_part(path, numbers, upto)
        wish = self._wish
        scan = Scan(wish.folder, left_out=left_out_by(wish.leave_out), other_disks=wish.other_disks)
        found = compare(self._ticking(scan), session.cared.catalogue.blocks(), scan.notes.is_blind, reread=wish.reread)
        plan.add(self._counting(found, session.counted))
        session.counted.held_files = session.cared.catalogue.facts.files
        self._report.problems += scan.notes.problems
        self._report.files.left_out = scan.notes.left_out

    def _ticking(self, scan: Scan) -> Iterator[Batch]:
        since = 0
        for batch in scan:
            since += len(batch.names)
            if since > TICK_EVERY:
                self._means.progress.files += since
                since = 0
                self._check_stop()
                self._means.tick()
            yield batch

    def _counting(self, found: Iterator[SameBlock | Difference], counted: Counted) -> Iterator[Difference]:
        for one in found:
            if isinstance(one, SameBlock):
                counted.files += one.files
                counted.size += one.size
                continue
            if one.found is not None and kind_of(one.found) != FOLDER:
                counted.files += 1
                counted.size += one.found[SIZE] if kind_of(one.found) == FILE else 0
            yield one

    def _find_moves(self, plan: Plan) -> None:
        for todo in plan.perhaps_moved():
            self._check_stop()
            self._means.progress.path = todo.path
            try:
                _, entry, numbers = self._source.digest(todo.path)
            except OtherroofError:
                continue  # it is met again when it is to be sent, and written down there
            if numbers != todo.numbers:
                continue
            gone = plan.gone_with(entry.digest, entry.size)
            free = next((path for path in gone if not plan.is_taken(path)), None)
            plan.note_source(todo.path, entry.digest, free)

    def _guard(self, session: _Session, plan: Plan) -> None:
        wish, counted = self._wish, session.counted
        facts = session.cared.catalogue.facts
        sight = Sight(
            held_files=counted.held_files,
            found_files=counted.files,
            tally=plan.tally(),
            was_mounted=facts.mounted,
            is_mounted=is_mount(wish.folder),
        )
        why = verdict(sight, wish.limits, wish.release)
        if why and sight.tally.changed:
            self._settle_doubts(plan)
            sight = replace(sight, tally=plan.tally())
            why = verdict(sight, wish.limits, wish.release)
        if session.cared.lost and wish.release is None:
            why = f"{session.cared.remarks[-1]}: its disk may be missing or was exchanged"
        self._fill_in(session, sight.tally)
        if why:
            raise Held(
                f"held, nothing was sent: {why}",
                where=wish.job,
                advice=f"look at {shown(wish.folder)}; if it is meant so: otherroof release {wish.job}",
            )

    def _settle_doubts(self, plan: Plan) -> None:
        """Before a run is held for changes: files of the same size may only have been touched."""
        for todo in plan.pages(f"want = {FILE} AND had = {FILE} AND NOT doubt AND size = old_size"):
            self._check_stop()
            try:
                _, entry, _ = self._source.digest(todo.path)
            except OtherroofError:
                continue  # then it counts as changed
            if entry.digest == todo.old_digest:
                plan.settle_doubt(todo.path, True)

    def _fill_in(self, session: _Session, tally: Tally) -> None:
        files, sizes = self._report.files, self._report.bytes
        files.seen, sizes.seen = session.counted.files, session.counted.size
        files.new, files.changed = tally.new, tally.changed
        files.moved, files.removed = tally.moved, tally.removed
        sizes.new = tally.fresh_bytes
        files.problems = len([one for one in self._report.problems if one.path])

    # -- R6 --

    def _send(self, session: _Session) -> None:
        plan = session.plan
        assert plan is not None
        begun = self._clock.monotonic()
        if plan.is_empty():
            return
        tally = plan.tally()
        self._stage("sending", tally.new + tally.changed + tally.moved, tally.fresh_bytes)
        catalogue = session.cared.catalogue
        note_known_content(plan, catalogue.blocks(), catalogue.asides())
        plan.commit()
        self._persist(session, lambda: self._clear_litter(session, plan))
        try:
            self._persist(session, lambda: self._send_once(session, plan))
        finally:
            self._report.seconds.send = self._clock.monotonic() - begun
            troubles = [Problem(shown(path), why) for path, why in plan.troubles()]
            self._report.problems += troubles
            endings = self._report.nature.endings_changed if self._report.nature is not None else 0
            self._report.nature = self._sampler.nature(endings)
            self._fill_in(session, plan.result())

    def _clear_litter(self, session: _Session, plan: Plan) -> None:
        """What was half sent and will not be gone on with takes room at the far end: away with it, before sending."""
        wanted = [path for path, _, _ in plan.parts() if (todo := plan.get(path)) is not None and todo.want == FILE]
        session.keeper.clear_litter(session.view, wanted)

    def _send_once(self, session: _Session, plan: Plan) -> None:
        keeper = session.keeper
        keeper.begin(self._report.run, session.view)
        keeper.place.widen()
        reader = Reader(self._wish.folder, self._clock)
        chunks = ChunkStore(self._means.files.chunks)
        try:
            outfit = Outfit(
                layout=keeper.layout(self._report.run),
                plan=plan,
                source=self._source,
                reader=reader,
                chunks=chunks,
                clock=self._clock,
                stop=self._means.stop,
                progress=self._means.progress,
                tick=self._means.tick,
                unsure=session.cared.unsure,
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

    def _commit(self, session: _Session) -> None:
        begun = self._clock.monotonic()
        self._stage("committing")
        plan, catalogue, run = session.plan, session.cared.catalogue, self._report.run
        assert plan is not None
        facts = Facts(run, session.keeper.home_id, is_mount(self._wish.folder), top=self._source.top().line())
        taken = stamp(self._clock.now())
        if plan.is_empty() and catalogue.facts.whole_run:
            known = catalogue.facts
            facts.files, facts.size, facts.whole_run = known.files, known.size, known.whole_run
            self._persist(session, lambda: session.keeper.commit(facts, (), taken))
            catalogue.note_run(facts)
        else:
            facts.whole_run = run
            aside = write_catalogue(self._means.files.catalogue, fold(catalogue.blocks(), plan.outcome()), facts)
            written = Catalogue(aside)
            try:
                self._persist(session, lambda: self._commit_listing(session, facts, written, taken))
            finally:
                written.close()
            self._keep_chunks(plan)
            catalogue.close()
            put_in_place(aside, self._means.files.catalogue)
        plan.discard()
        session.plan = None
        self._tidy(session)
        self._report.seconds.commit = self._clock.monotonic() - begun

    def _commit_listing(self, session: _Session, facts: Facts, written: Catalogue, taken: str) -> None:
        if self._report.run in session.view.runs:
            return  # the connection broke after the rename: it counts already
        if not session.view.ready:
            session.keeper.begin(self._report.run, session.view)
        session.keeper.commit(facts, written.blocks(), taken)

    def _tidy(self, session: _Session) -> None:
        try:
            session.keeper.tidy(session.view, self._report.run)
        except LinkLost:
            return  # the run counts; what is left over is removed by the next one

    def _keep_chunks(self, plan: Plan) -> None:
        """Chunk lists follow files that moved, and go with files that went."""
        chunks = ChunkStore(self._means.files.chunks)
        try:
            for todo in plan.pages(f"state = {DONE} AND source IS NOT NULL"):
                chunks.moved(todo.source or b"", todo.path)
            for todo in plan.pages(f"state = {DONE} AND want <> {FILE} AND old_digest IS NOT NULL AND old_size > 0"):
                chunks.forget(todo.path)
        finally:
            chunks.close()

    # -- common --

    def _persist(self, session: _Session, work: Callable[[], None]) -> None:
        """Do `work`, over a new connection each time one breaks, as long as it is worth it."""
        while True:
            before = self._means.progress.meter.wire_up
            try:
                work()
            except LinkLost as problem:
                if self._means.progress.meter.wire_up - before > WORTH:
                    self._left_tries = self._wish.tries
                session.keeper, session.view = self._again(session.keeper, problem)
            except PlaceError as refusal:
                reason = reason_of(session.keeper.place, f"the far copy of {self._wish.job}", refusal)
                raise reason or refusal from refusal
            else:
                return

    def _connect(self) -> Keeper:
        while True:
            self._stage("connecting")
            try:
                return self._means.connect()
            except LinkLost as problem:
                self._pause(problem)

    def _again(self, keeper: Keeper, problem: LinkLost) -> tuple[Keeper, FarView]:
        """The far copy over a new connection, and what stands there now. A far box that is starting again is awaited.

        Raises what spoke against the last try; a changed key or a refused login at once.
        """
        progress = self._means.progress
        stage = progress.stage
        trouble: Unreached = problem
        progress.stage = "connecting"
        while True:
            self._pause(trouble)
            keeper.place.close()
            try:
                keeper = self._means.connect()
                view = keeper.view()
            except (HostKeyChanged, LoginRefused):
                raise
            except Unreached as failed:
                trouble = failed
            else:
                progress.stage = stage
                return keeper, view

    def _pause(self, problem: Unreached) -> None:
        """Wait before the next try, longer each time; raises `problem` when there is none left."""
        self._left_tries -= 1
        if self._left_tries < 0:
            raise problem
        until = self._clock.monotonic() + min(
            LONGEST_PAUSE_S, self._wish.pause_s * 2 ** (self._wish.tries - 1 - self._left_tries)
        )
        while self._clock.monotonic() < until:
            self._check_stop()
            self._clock.sleep(min(1.0, max(0.01, until - self._clock.monotonic())))
            self._means.tick()

    def _check_stop(self) -> None:
        why = self._means.stop.asked()
        if why:
            raise RunCut(why, where=self._wish.job, advice="the next run goes on from there")

    def _stage(self, stage: Stage, files: int = 0, size: int = 0) -> None:
        progress = self._means.progress
        progress.stage, progress.files, progress.files_total, progress.bytes_total = stage, 0, files, size
        progress.path = b""


def is_mount(folder: bytes) -> bool:
    """Whether a file system of its own begins at `folder`."""
    return os.path.ismount(folder)
