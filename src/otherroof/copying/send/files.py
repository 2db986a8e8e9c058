"""Step S4 of sending: the files. Small ones are read whole, digested and put; large ones are streamed.

Content that the far copy holds, under whatever name, is not sent again. A file that cannot be read steadily is
tried again and then left as it was at the far end.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import cast

from otherroof.base.errors import FarTrouble, OtherroofError, RunCut
from otherroof.copying.compare.change import BEGUN, LARGE, PlannedChange, Rows
from otherroof.copying.context import SendContext
from otherroof.copying.home.looks_encrypted import HEAD
from otherroof.copying.home.read import GrownWhileRead
from otherroof.copying.send.far_syncs import FarSyncs
from otherroof.copying.send.known_content import NotYetThere, find_content
from otherroof.copying.send.landed import AGE_S, DueFiles
from otherroof.copying.send.large_files import LargeFiles
from otherroof.copying.send.under_way import (
    LANDING_STEPS,
    FileQueue,
    FileTask,
    FileUnderWay,
    SendState,
)
from otherroof.far.place import Task, TaskResult
from otherroof.far.trouble import reason_of
from otherroof.far_copy.numbers import FILE
from otherroof.far_copy.writer import ArrivedPart, ContentLocation, FileProperties, NotDurable

LATER_S = 0.25  # between two looks at what waits for its time, if nothing else is under way
REASONS_ASKED = 5  # after so many refusals the rest is tried without asking for the reason each time


class FileSender:
    """Brings the files of a plan."""

    def __init__(self, context: SendContext, syncs: FarSyncs) -> None:
        self._context = context
        self._plan = context.plan
        self._writer = context.writer
        self._place = context.writer.place
        self._reader = context.reader
        self._state = SendState()
        self._queue = FileQueue(context.plan, self._state)
        self._large = LargeFiles(context, self._state, self._queue)
        self._syncs = syncs

    def send(self) -> None:
        """All files that are planned. Content that is on its way is waited for in further rounds.

        Raises FarTrouble if the far box takes nothing more, LinkLost if the connection broke.
        """
        state = self._state
        before = -1
        try:
            # In each round every file that is still planned is looked at once. A file whose content is only on its way
            # waits for the next round, by when it stands somewhere. If no fewer wait than the round before, they wait
            # for each other, such as two files that swapped names: `stuck` then lets content be taken from a file that
            # is still to be replaced, and if that does not help either, has it sent.
            while True:
                state.deferred = 0
                self._round()
                if self._context.run.stop.asked():
                    return
                if state.refusal is not None:
                    self._diagnose(state.refusal, state.refused_size)
                    state.refusal = None
                elif not state.deferred:
                    return
                else:
                    state.stuck = state.stuck + 1 if state.deferred == before else 0
                    before = state.deferred
        finally:
            # However it ended: what has arrived of large files is worth knowing in the next run.
            self._large.note_parts()
            for stream in self._reader.under_way:
                self._reader.forget(stream)
            self._plan.commit()

    def _round(self) -> None:
        self._state.lent.clear()
        self._state.taken.clear()
        with self._syncs.told_first():
            for result in self._place.carry_out(self._tasks(), self._tick):
                if isinstance(result.key, DueFiles):
                    self._syncs.ended(TaskResult(result.key, error=result.error))
                else:
                    self._ended(result.key, result)
        self._plan.commit()
        self._syncs.raise_refusal()

    def _diagnose(self, refusal: FarTrouble, size: int) -> None:
        """After a refusal: find out whether it concerns this file alone or the whole far box."""
        reason = reason_of(self._place, self._writer.name, size)
        if reason is not None:
            raise reason from refusal

    def _tick(self) -> None:
        why = self._context.run.stop.asked()
        if why:
            for stream in self._reader.under_way:
                stream.cut(why)
        self._large.note_parts()
        self._plan.commit()
        self._context.run.tick()

    # -- tasks --

    def _tasks(self) -> Iterator[FileTask | None]:
        """Follow-ups first, then the next file; None while all that is left is under way."""
        queue = self._queue
        # Further names of a file are linked later, unless the far box can neither link nor copy.
        which = Rows.FIRST_NAMES_TO_BRING if self._writer.can_make_from_far else Rows.FILES_TO_BRING
        # The plan is read page by page while the place asks for work, so only what is under way is in memory.
        for change in self._plan.pages(which):
            yield from queue.follow_ups()
            if self._begins_nothing:
                break
            self._consider(change)
            if queue.is_full:
                yield from queue.release()
                yield from self._syncs.due_tasks()
        yield from queue.release()
        while queue.under_way or queue.waits:
            self._large.spread()
            for file in queue.take_due(self._context.run.clock.monotonic()):
                self._take_place(file)
            yield from queue.follow_ups()
            yield from self._syncs.due_tasks()
            if queue.under_way:
                yield None
            elif self._context.run.stop.asked():
                return
            elif queue.waits:  # the place would take None for the end, with nothing under way
                self._context.run.clock.sleep(LATER_S)
                self._tick()

    @property
    def _begins_nothing(self) -> bool:
        if self._context.run.stop.asked() or self._syncs.is_refused:
            return True
        # After a refusal nothing new is begun until it is known whether the far box refuses everything; after a few of
        # them the rest is simply tried.
        return self._state.refusal is not None and self._state.refusals <= REASONS_ASKED

    def _consider(self, change: PlannedChange) -> None:
        self._context.run.progress.path = change.path
        # Another file is being made from its content as it stands now, so it must not be replaced in this round.
        if change.path in self._state.lent:
            self._state.deferred += 1
            return
        try:
            if change.size > LARGE:
                self._consider_large(change)
            else:
                try:
                    self._consider_small(change)
                except GrownWhileRead:
                    # It was small when the folder was scanned. A log that grows is the usual case.
                    _, change.numbers = self._context.source.describe_file(change.path)
                    self._consider_large(change)
        except RunCut:
            return  # in the middle of reading a large one: what is under way still ends
        except OtherroofError as problem:
            self._plan.trouble(change, problem.what)

    def _consider_small(self, change: PlannedChange) -> None:
        if (
            change.digest is not None
            and change.digest == change.old_digest
            and self._is_as_noted(change)
            and self._is_same(change)
        ):
            return
        data, entry, change.numbers = self._context.source.read_small(change.path, LARGE)
        if secret := self._context.run.secrets.found_in(data):
            self._plan.trouble(
                change,
                f"holds this home's own secret ({secret}) and is never sent; name it under leave_out, and this line "
                "no longer comes",
            )
            return
        self._plan.take_entry(change, entry)
        if self._is_same(change) or self._found(change):
            return
        self._context.totals.sampler.look(data[:HEAD])
        file = FileUnderWay(change, "put", data)
        # Sending it again would be right too. Reading it back takes as many bytes, but on the way down, where a
        # household's line has more room.
        if self._context.unsure and change.had == 0 and data:
            self._adopt(file)
        else:
            self._put(file)

    def _consider_large(self, change: PlannedChange) -> None:
        # A digest from an earlier round holds as long as the file has not changed since.
        if change.digest is not None:
            if self._is_as_noted(change):
                if change.had == FILE and change.digest == change.old_digest and self._lacks_chunks(change):
                    self._digest_first(change)
            else:
                change.digest = None
        elif change.doubt or self._context.unsure or self._plan.held_content.may_be_there(change):
            # Reading a large file twice costs only home's disk: worth it if it may turn out that nothing need be sent.
            self._digest_first(change)
        if change.digest is not None and (self._is_same(change) or self._found(change)):
            return
        file = FileUnderWay(change, "prepare")
        if self._context.unsure and change.had == 0 and change.digest is not None:
            self._adopt(file)
        else:
            self._large.prepare(file)

    def _is_as_noted(self, change: PlannedChange) -> bool:
        """Whether the file is still the one whose digest is noted; then its line is taken."""
        assert change.digest is not None
        entry, numbers = self._context.source.describe_file(change.path)
        if numbers != change.numbers:
            return False
        entry.digest = change.digest
        self._plan.take_entry(change, entry)
        return True

    def _lacks_chunks(self, change: PlannedChange) -> bool:
        return change.old_digest is None or self._context.chunks.get(change.path, change.old_digest) is None

    def _digest_first(self, change: PlannedChange) -> None:
        """Read a large file before anything is sent; its chunks are kept if the far copy's are not known."""
        chunks = self._context.chunks
        key = chunks.key if self._lacks_chunks(change) else None
        found, entry, change.numbers = self._context.source.digest(change.path, key)
        if found is not None and change.old_digest in (None, entry.digest):
            chunks.put(change.path, entry.digest, found)
        self._plan.take_entry(change, entry)
        self._plan.note_digest(change)

    def _adopt(self, file: FileUnderWay) -> None:
        """A cut run whose notes are lost may have sent this file already: look there before sending it."""
        change = file.change
        assert change.numbers is not None
        assert change.digest is not None
        file.step = "adopt"
        self._queue.add(
            file,
            Task(
                file, self._writer.adopt(change.path, FileProperties.of(change.numbers), change.digest), len(file.data)
            ),
        )

    def _put(self, file: FileUnderWay, *, now: bool = False) -> None:
        change = file.change
        assert change.numbers is not None
        properties, had = FileProperties.of(change.numbers), change.had == FILE
        if self._syncs.takes_next_at_once():
            file.step = "put durable"
            script = self._writer.put_durable(change.path, file.data, properties, had)
        elif had:
            # What is there must stand aside durably before this takes its place, for which the far disk is waited for;
            # meanwhile the content need not stay in memory here.
            file.step = "put part"
            script = self._writer.put_part(change.path, file.data, properties)
        else:
            file.step = "put"
            script = self._writer.put(change.path, file.data, properties)
        self._queue.add(file, Task(file, script, len(file.data)), now=now)

    def _take_place(self, file: FileUnderWay) -> None:
        file.step = "take place"
        script = self._writer.take_place(file.change.path, file.change.had == FILE)
        self._queue.add(file, Task(file, script, waits_for_disk=not self._syncs.instant), now=True)

    def _is_same(self, change: PlannedChange) -> bool:
        """The content is the same; only times or rights changed, so nothing is sent."""
        if change.had == FILE and change.digest == change.old_digest:
            self._plan.done(change)
            return True
        return False

    def _found(self, change: PlannedChange) -> bool:
        """Whether the content need not be sent, or not now."""
        assert change.numbers is not None
        assert change.digest is not None
        if not self._writer.can_make_from_far or change.size == 0:
            return False
        state = self._state
        # Sent whatever the far box holds: it was tried from there and failed, or nothing else breaks the circle.
        if state.stuck > 1 or change.path in state.plain:
            return False
        source = find_content(self._plan, change, change.digest, stuck=state.stuck == 1)
        if source is NotYetThere.LATER or (isinstance(source, ContentLocation) and source.path in state.taken):
            state.deferred += 1
            return True
        if source is None:
            return False
        if state.stuck:
            state.lent.add(source.path)
        file, had = FileUnderWay(change, "from far"), change.had == FILE
        script = self._writer.make_from(change.path, source, FileProperties.of(change.numbers), had)
        self._queue.add(file, Task(file, script, waits_for_disk=had and not self._syncs.instant))
        return True

    # -- ends --

    def _ended(self, file: FileUnderWay, result: TaskResult[FileUnderWay | DueFiles, object]) -> None:
        self._queue.under_way -= 1
        if file.step == "upload":
            failure = self._large.uploaded(file, result.error)
            if failure is not None:
                self._failed(file, failure)
        elif isinstance(result.error, NotDurable):
            self._syncs.refused(result.error, file.change.path)  # it stands there; this run ends
        elif result.error is not None:
            self._failed(file, result.error)
        elif file.step == "prepare":
            self._large.upload(file, cast(ArrivedPart, result.value))
        elif file.step == "adopt" and not result.value:
            self._send_after_all(file)
        else:
            self._arrived(file)

    def _arrived(self, file: FileUnderWay) -> None:
        if file.step in ("put", "put durable", "put part"):
            self._context.totals.bytes += len(file.data)
            self._context.run.progress.put += len(file.data)
            file.data = b""
        if file.step == "put part":
            self._take_place(file)
            return
        if file.step == "finish part":
            if self._writer.waits_for_commit:
                self._queue.add_later(file, self._context.run.clock.monotonic() + AGE_S)
            else:
                self._take_place(file)
            return
        self._context.run.progress.files += 1
        batch = self._syncs.note_landed(file.change.path) if file.step in LANDING_STEPS else 0
        self._plan.done(file.change, batch)

    def _send_after_all(self, file: FileUnderWay) -> None:
        if file.data:
            self._put(file, now=True)
        else:
            self._large.prepare(file, now=True)

    def _failed(self, file: FileUnderWay, error: OtherroofError) -> None:
        """One file failed. If it was to be made from far content that is not there, send it; else note the trouble."""
        change = file.change
        if file.step == "finish part":
            # Its sync may have been refused: what the next run would read back of it may be there in memory alone.
            self._plan.half_sent.forget(change.path)
        if isinstance(error, FarTrouble) and file.step == "from far":
            # Content is made under incoming/ before it replaces anything; what was moved for it was moved back.
            self._state.plain.add(change.path)
            self._state.deferred += 1
            self._plan.take_back_begin(change)
            return
        if isinstance(error, FarTrouble):
            self._state.refusal, self._state.refused_size = error, change.size
            self._state.refusals += 1
        # The refusal of one step does not tell what the steps before it have done; whoever settles it looks.
        if change.state == BEGUN:
            self._plan.note_refusal(change, error.what)
        else:
            self._plan.trouble(change, error.what)
