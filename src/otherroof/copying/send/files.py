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
from otherroof.copying.home.read import READ_TRIES, ChangedWhileRead, GrownWhileRead
from otherroof.copying.send.file_steps import FileUnderWay, SendState
from otherroof.copying.send.known_content import NotYetThere, find_content
from otherroof.copying.send.stream import FileStream, StreamRequest
from otherroof.far.place import Task, TaskResult
from otherroof.far.trouble import reason_of
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.numbers import FILE
from otherroof.far_copy.writer import ArrivedPart, ContentLocation, FileProperties

# An intention must be on this disk before the far box is asked. One commit for several tasks keeps this from costing a
# write for each small file; more would only make the connections wait for the reading of so many.
RELEASE_AT = 32  # tasks whose intentions are committed together
RELEASE_BYTES = 2 * 1024 * 1024  # … or this much content
# A dozen pieces (`stream.AHEAD`) of the 255 kB that OpenSSH takes in one write.
STREAM_WEIGHT = 3 * 1024 * 1024  # memory that a large file under way may hold
# As a number of connections: more than there can be.
EVERY_CONNECTION = 1 << 30
STRIPE_FROM = 8 * 1024 * 1024  # bytes; a larger file goes over all connections side by side

REASONS_ASKED = 5  # after so many refusals the rest is tried without asking for the reason each time


class FileSender:
    """Brings the files of a plan."""

    def __init__(self, context: SendContext) -> None:
        self._context = context
        self._plan = context.plan
        self._writer = context.writer
        self._place = context.writer.place
        self._reader = context.reader
        self._state = SendState()

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
            self._note_parts()
            for stream in self._reader.under_way:
                self._reader.forget(stream)
            self._plan.commit()

    def _round(self) -> None:
        self._state.lent.clear()
        self._state.taken.clear()
        for result in self._place.carry_out(self._tasks(), self._tick):
            self._ended(result)
        self._plan.commit()

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
        self._note_parts()
        self._plan.commit()
        self._context.run.tick()

    def _note_parts(self) -> None:
        for stream in self._reader.under_way:
            if stream.numbers is not None:
                self._plan.half_sent.note(stream.request.path, stream.numbers, stream.safe)

    # -- tasks --

    def _tasks(self) -> Iterator[Task[FileUnderWay, object] | None]:
        """Follow-ups first, then the next file; None while all that is left is under way."""
        state = self._state
        # Further names of a file are linked later, unless the far box can neither link nor copy.
        which = Rows.FIRST_NAMES_TO_BRING if self._writer.can_make_from_far else Rows.FILES_TO_BRING
        # The plan is read page by page while the place asks for work, so only what is under way is in memory.
        for change in self._plan.pages(which):
            yield from self._follow_ups()
            # After a refusal nothing new is begun until it is known whether the far box refuses everything; after a few
            # of them the rest is simply tried.
            if self._context.run.stop.asked() or (state.refusal is not None and state.refusals <= REASONS_ASKED):
                break
            self._consider(change)
            if len(state.ready) >= RELEASE_AT or state.ready_bytes >= RELEASE_BYTES:
                yield from self._release()
        yield from self._release()
        while state.under_way:
            self._spread_uploads()
            yield from self._follow_ups()
            if state.under_way:
                yield None

    def _follow_ups(self) -> Iterator[Task[FileUnderWay, object]]:
        while self._state.next:
            self._plan.commit()  # waits for the disk, so once for all that have gathered
            for _ in range(len(self._state.next)):
                yield self._state.next.popleft()

    def _release(self) -> Iterator[Task[FileUnderWay, object]]:
        """Hand out the waiting tasks, after their intentions were committed to the plan's file."""
        self._plan.commit()
        ready, self._state.ready, self._state.ready_bytes = self._state.ready, [], 0
        yield from ready

    def _add(self, file: FileUnderWay, task: Task[FileUnderWay, object], *, now: bool = False) -> None:
        # These three change what stands in the newest copy. The other steps touch `incoming/` alone, or nothing, so if
        # they are cut there is nothing to settle.
        if file.step in ("put", "from far", "finish"):
            self._plan.begin(file.change)
        self._state.under_way += 1
        if self._state.stuck:
            self._state.taken.add(file.change.path)
        if now:
            self._state.next.append(task)
        else:
            self._state.ready.append(task)
            self._state.ready_bytes += task.weight

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
            self._plan.trouble(change, f"holds this home's own secret ({secret}) and is not sent; add it to leave_out")
            return
        self._take_entry(change, entry)
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
            self._prepare(file)

    def _is_as_noted(self, change: PlannedChange) -> bool:
        """Whether the file is still the one whose digest is noted; then its line is taken."""
        assert change.digest is not None
        entry, numbers = self._context.source.describe_file(change.path)
        if numbers != change.numbers:
            return False
        entry.digest = change.digest
        self._take_entry(change, entry)
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
        self._take_entry(change, entry)
        self._plan.note_digest(change)

    def _adopt(self, file: FileUnderWay) -> None:
        """A cut run whose notes are lost may have sent this file already: look there before sending it."""
        change = file.change
        assert change.numbers is not None
        assert change.digest is not None
        file.step = "adopt"
        self._add(
            file,
            Task(
                file, self._writer.adopt(change.path, FileProperties.of(change.numbers), change.digest), len(file.data)
            ),
        )

    def _put(self, file: FileUnderWay, *, now: bool = False) -> None:
        change = file.change
        assert change.numbers is not None
        file.step = "put"
        script = self._writer.put(change.path, file.data, FileProperties.of(change.numbers), change.had == FILE)
        self._add(file, Task(file, script, len(file.data)), now=now)

    def _take_entry(self, change: PlannedChange, entry: Entry) -> None:
        if change.first is not None:
            entry.first = self._plan.first_name_of(change)  # another one if the first was replaced since the scan
        change.digest = entry.digest
        change.line = entry.line().encode()

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
        file = FileUnderWay(change, "from far")
        script = self._writer.make_from(change.path, source, FileProperties.of(change.numbers), change.had == FILE)
        self._add(file, Task(file, script))
        return True

    # -- large files --

    def _prepare(self, file: FileUnderWay, *, now: bool = False) -> None:
        change = file.change
        file.step = "prepare"
        upto = self._plan.half_sent.safe_bytes(change.path, change.numbers) if change.numbers is not None else None
        self._add(file, Task(file, self._writer.prepare(change.path, upto), STREAM_WEIGHT), now=now)

    def _upload(self, file: FileUnderWay, arrived: ArrivedPart) -> None:
        change, place = file.change, self._place
        old = None
        if (
            change.had == FILE
            and change.old_digest
            and place.offers.copy_range
            and change.path not in self._state.plain
        ):
            old = self._context.chunks.get(change.path, change.old_digest)
        request = StreamRequest(change.path, self._context.chunks.key, place.offers.max_write, place.offers.sync, old)
        file.connections = 0
        file.stream = FileStream(request, self._context.run.clock, arrived)
        self._reader.begin(file.stream)
        if change.numbers is not None:
            self._plan.half_sent.note(change.path, change.numbers, arrived.upto)
            self._plan.commit()  # committed now, so that after a kill the next run knows which parts may have arrived
        file.step = "upload"
        file.has_old = old is not None
        # A file that is small for a stream stays on one connection; a larger one begins on the first, and the others
        # join.
        self._state.uploading.append(file)
        self._add_upload(file, None if change.size < STRIPE_FROM else 0)
        self._spread_uploads()

    def _add_upload(self, file: FileUnderWay, connection: int | None) -> None:
        change, stream = file.change, file.stream
        assert stream is not None
        file.uploads += 1
        file.connections += 1
        script = self._writer.upload(change.path, stream, change.old_size if file.has_old else None)
        self._add(file, Task(file, script, STREAM_WEIGHT if file.connections == 1 else 0, connection), now=True)

    def _spread_uploads(self) -> None:
        """Let every connection, also one that was opened meanwhile, take its share of the large files under way."""
        for file in self._state.uploading:
            if file.change.size >= STRIPE_FROM:
                for connection in range(file.connections, self._place.connections):
                    self._add_upload(file, connection)

    def _uploaded(self, file: FileUnderWay, failure: OtherroofError | None) -> None:
        """One of the uploads of a file has ended."""
        file.failure = file.failure or failure
        file.uploads -= 1
        stream = file.stream
        assert stream is not None
        # The reader must not wait for somebody to take the rest. The file's other uploads end by themselves.
        if failure is not None:
            stream.abandon()
        if failure is None:
            file.connections = EVERY_CONNECTION  # the stream has ended: nothing is left for a further connection
        # The last of them decides: until then pieces of this file may still be written at the far end.
        if file.uploads:
            return
        self._state.uploading.remove(file)
        self._context.totals.bytes += stream.sent
        if isinstance(file.failure, RunCut) and stream.numbers is not None:
            self._plan.half_sent.note(stream.request.path, stream.numbers, stream.safe)
        self._reader.forget(stream)
        # Told to stop: neither a failure nor the end. The file stays planned, and the next run goes on with its part.
        if isinstance(file.failure, RunCut):
            return
        if self._worth_another_try(file, stream):
            file.tries += 1
            file.failure = None
            self._prepare(file, now=True)
        elif file.failure is not None:
            self._failed(file, file.failure)
        else:
            self._finish(file, stream)

    def _worth_another_try(self, file: FileUnderWay, stream: FileStream) -> bool:
        if file.failure is None or file.tries >= READ_TRIES:
            return False
        if isinstance(file.failure, FarTrouble) and stream.request.old is not None:
            self._state.plain.add(file.change.path)  # its older version is not what it should be: send it whole
            return True
        return isinstance(file.failure, ChangedWhileRead)

    def _finish(self, file: FileUnderWay, stream: FileStream) -> None:
        change, result = file.change, stream.result
        assert result is not None
        change.numbers = result.numbers
        self._take_entry(change, result.entry)
        self._context.totals.sampler.look(result.head)
        self._context.chunks.put(change.path, result.entry.digest, result.chunks)
        # Only touched, as it turned out at its last byte: what was sent is not needed.
        if change.had == FILE and change.digest == change.old_digest:
            file.step = "forget"
            self._add(file, Task(file, self._writer.forget_part(change.path)), now=True)
        else:
            file.step = "finish"
            script = self._writer.finish(change.path, FileProperties.of(result.numbers), change.had == FILE)
            self._add(file, Task(file, script), now=True)

    # -- ends --

    def _ended(self, result: TaskResult[FileUnderWay, object]) -> None:
        file = result.key
        self._state.under_way -= 1
        if file.step == "upload":
            self._uploaded(file, result.error)
        elif result.error is not None:
            self._failed(file, result.error)
        elif file.step == "prepare":
            self._upload(file, cast(ArrivedPart, result.value))
        elif file.step == "adopt" and not result.value:
            self._send_after_all(file)
        else:
            if file.step == "put":
                self._context.totals.bytes += len(file.data)
            self._context.run.progress.put += len(file.data) if file.step == "put" else 0
            self._context.run.progress.files += 1
            file.data = b""
            self._plan.done(file.change)

    def _send_after_all(self, file: FileUnderWay) -> None:
        if file.data:
            self._put(file, now=True)
        else:
            self._prepare(file, now=True)

    def _failed(self, file: FileUnderWay, error: OtherroofError) -> None:
        """One file failed. If it was to be made from far content that is not there, send it; else note the trouble."""
        change = file.change
        if isinstance(error, FarTrouble) and file.step == "from far":
            # Nothing was moved yet: content is made under incoming/ before it replaces anything.
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
