"""Large files on their way: made ready for, streamed over all connections, and let take their place.

Several uploads of one file may be under way, on a connection each. Which files come, and whether their content must be
sent at all, was decided before.
"""

from __future__ import annotations

from otherroof.base.errors import FarTrouble, OtherroofError, RunCut
from otherroof.copying.compare.change import PlannedChange
from otherroof.copying.compare.half_sent import NOTHING_SAFE, SafePart
from otherroof.copying.context import SendContext
from otherroof.copying.home.read import READ_TRIES, ChangedWhileRead
from otherroof.copying.send.stream import FileStream, StreamRequest
from otherroof.copying.send.under_way import FileQueue, FileUnderWay, SendState
from otherroof.far.place import Task
from otherroof.far_copy.numbers import FILE, Numbers
from otherroof.far_copy.writer import ArrivedPart, FileProperties

# A dozen pieces (`stream.AHEAD`) of the 255 kB that OpenSSH takes in one write.
STREAM_WEIGHT = 3 * 1024 * 1024  # memory that a large file under way may hold
# As a number of connections: more than there can be.
EVERY_CONNECTION = 1 << 30
STRIPE_FROM = 8 * 1024 * 1024  # bytes; a larger file goes over all connections side by side


class LargeFiles:
    """The large files of one connection."""

    def __init__(self, context: SendContext, state: SendState, queue: FileQueue) -> None:
        self._context = context
        self._plan = context.plan
        self._writer = context.writer
        self._place = context.writer.place
        self._reader = context.reader
        self._state = state
        self._queue = queue

    def prepare(self, file: FileUnderWay, *, now: bool = False) -> None:
        """Have the far box get ready to take the file."""
        change = file.change
        file.step = "prepare"
        _, part = self._known(change) or (None, None)
        script = self._writer.prepare(change.path, part.upto if part is not None else None)
        self._queue.add(file, Task(file, script, STREAM_WEIGHT), now=now)

    def _known(self, change: PlannedChange) -> tuple[Numbers, SafePart] | None:
        return self._plan.half_sent.known(change.path, change.numbers) if change.numbers is not None else None

    def note_parts(self) -> None:
        """Note how much of the files under way is safe."""
        for stream in self._reader.under_way:
            self._note_part(stream)

    def _note_part(self, stream: FileStream) -> None:
        if stream.is_distrusted:
            self._plan.half_sent.forget(stream.request.path)
        elif stream.numbers is not None:
            self._plan.half_sent.note(stream.request.path, stream.numbers, stream.safe_part)

    def upload(self, file: FileUnderWay, arrived: ArrivedPart) -> None:
        """It is ready: begin to read and to send."""
        change, place = file.change, self._place
        old = None
        if (
            change.had == FILE
            and change.old_digest
            and place.offers.copy_range
            and change.path not in self._state.plain
        ):
            old = self._context.chunks.get(change.path, change.old_digest)
        offers, key = place.offers, self._context.chunks.key
        part_of, part = change.numbers, NOTHING_SAFE
        known = self._known(change)
        if known is not None and arrived != ArrivedPart():  # else the far box has nothing of what was noted
            part_of, part = known
        request = StreamRequest(change.path, key, offers.max_write, offers.sync, old, part_of, part)
        file.connections = 0
        file.stream = FileStream(request, self._context.run.clock, arrived)
        self._reader.begin(file.stream)
        if part_of is not None:
            self._plan.half_sent.note(change.path, part_of, part)
            self._plan.commit()  # committed now, so that after a kill the next run knows which parts may have arrived
        file.step = "upload"
        file.has_old = old is not None
        # A file that is small for a stream stays on one connection; a larger one begins on the first, and the others
        # join.
        self._state.uploading.append(file)
        self._add_upload(file, None if change.size < STRIPE_FROM else 0)
        self.spread()

    def _add_upload(self, file: FileUnderWay, connection: int | None) -> None:
        change, stream = file.change, file.stream
        assert stream is not None
        file.uploads += 1
        file.connections += 1
        script = self._writer.upload(change.path, stream, change.old_size if file.has_old else None)
        self._queue.add(file, Task(file, script, STREAM_WEIGHT if file.connections == 1 else 0, connection), now=True)

    def spread(self) -> None:
        """Let every connection, also one that was opened meanwhile, take its share of the large files under way."""
        for file in self._state.uploading:
            if file.change.size >= STRIPE_FROM:
                for connection in range(file.connections, self._place.connections):
                    self._add_upload(file, connection)

    def uploaded(self, file: FileUnderWay, failure: OtherroofError | None) -> OtherroofError | None:
        """One of the uploads of a file has ended; answers what the file failed of, if it did."""
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
            return None
        self._state.uploading.remove(file)
        self._context.totals.bytes += stream.sent
        if isinstance(file.failure, RunCut) or stream.is_distrusted:
            self._note_part(stream)
        self._reader.forget(stream)
        # Told to stop: neither a failure nor the end. The file stays planned, and the next run goes on with its part.
        if isinstance(file.failure, RunCut):
            return None
        if self._worth_another_try(file, stream):
            file.tries += 1
            file.failure = None
            self.prepare(file, now=True)
        elif file.failure is None:
            self._finish(file, stream)
        return file.failure

    def _worth_another_try(self, file: FileUnderWay, stream: FileStream) -> bool:
        if file.failure is None or file.tries >= READ_TRIES:
            return False
        if isinstance(file.failure, FarTrouble) and stream.request.old is not None:
            self._state.plain.add(file.change.path)  # its older version is not what it should be: send it whole
        elif not isinstance(file.failure, ChangedWhileRead):
            return False
        # What has arrived was copied from that version, or is of the file as it was.
        self._plan.half_sent.forget(file.change.path)
        return True

    def _finish(self, file: FileUnderWay, stream: FileStream) -> None:
        change, result = file.change, stream.result
        assert result is not None
        change.numbers = result.numbers
        self._plan.take_entry(change, result.entry)
        self._context.totals.sampler.look(result.head)
        self._context.chunks.put(change.path, result.entry.digest, result.chunks)
        # Only touched, as it turned out at its last byte: what was sent is not needed.
        if change.had == FILE and change.digest == change.old_digest:
            file.step = "forget"
            self._queue.add(file, Task(file, self._writer.forget_part(change.path)), now=True)
        else:
            file.step = "finish part"
            script = self._writer.finish_part(change.path, FileProperties.of(result.numbers))
            self._queue.add(file, Task(file, script, waits_for_disk=True), now=True)
