"""A large file on its way out: read once, digested and cut into chunks by one reader thread, taken by the connections.

The reader goes through one file after the other, as a disk likes it, and stays a few pieces ahead. What the far
copy of the file already holds, after a cut run or as chunks of its older version, is not sent.
"""

from __future__ import annotations

import contextlib
import os
import queue
import threading
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field

from otherroof.base.clock import Clock
from otherroof.base.errors import OtherroofError, RunCut
from otherroof.copying.compare.half_sent import NOTHING_SAFE, SafePart
from otherroof.copying.home.chunks import Chunker, ChunkList, average_for
from otherroof.copying.home.looks_encrypted import HEAD
from otherroof.copying.home.read import ChangedWhileRead, SourceFolder, Unreadable, blocks_of, new_digest, stat_numbers
from otherroof.copying.send.pieces import PieceMaker, length_of
from otherroof.far.requests import NOT_YET, ContentPiece, NotYet, Piece, SyncPiece
from otherroof.far_copy.entry import Entry, path_text
from otherroof.far_copy.numbers import Numbers
from otherroof.far_copy.writer import ArrivedPart

# Enough that no connection waits while the disk seeks, little enough for a small home server with several files under
# way.
AHEAD = 12  # pieces that wait between the reader and the connections
# Both must have passed: on a fast line a sync for every few seconds, on a slow one for every 16 MiB. What a cut run
# would have to send again stays small, and the far disk is not asked to stop for every piece.
SYNC_EVERY_S = 5.0
SYNC_EVERY = 16 * 1024 * 1024  # bytes
PATIENCE_S = 0.5
PARTING_S = 10.0  # how long closing waits for a read that is under way
# As many bytes at one read as make four pieces: fewer calls, and longer stretches on the disk.
BLOCKS = 4  # pieces read at once


@dataclass(frozen=True, slots=True)
class StreamRequest:
    """How one file is to be sent: in pieces of at most `max_write` bytes, against the chunks of its `old` version. What
    has arrived of it, if anything has, is of the file as it was with the numbers `part_of`, and is this `part`."""

    path: bytes
    key: bytes
    max_write: int
    can_sync: bool
    old: ChunkList | None = None
    part_of: Numbers | None = None
    part: SafePart = NOTHING_SAFE


@dataclass(slots=True)
class StreamResult:
    """What was learnt on the way, complete when the stream has ended well."""

    entry: Entry
    numbers: Numbers
    chunks: ChunkList
    head: bytes


class _StreamAbandoned(Exception):
    """Nobody takes the pieces any more."""


@dataclass(slots=True)
class _PieceEnd:
    end: int
    landed: bool = False


@dataclass(slots=True)
class _LandedPieces:
    """Which pieces have landed: `upto` is the offset below which all have."""

    upto: int = 0
    marks: deque[_PieceEnd] = field(default_factory=deque)
    by_piece: dict[int, _PieceEnd] = field(default_factory=dict)

    # Pieces are made in the order of the file and land in any order. `marks` has those not yet counted, in the file's
    # order; only a row of landed ones at its front moves `upto` on.
    def note_made(self, piece: ContentPiece, end: int) -> None:
        mark = _PieceEnd(end)
        self.marks.append(mark)
        # By identity: a piece is no key, and whoever carries it keeps it alive until it has landed.
        self.by_piece[id(piece)] = mark

    def note_landed(self, piece: Piece) -> None:
        self.by_piece.pop(id(piece)).landed = True
        while self.marks and self.marks[0].landed:
            self.upto = self.marks.popleft().end


class FileStream:
    """The pieces of one file. The connections' threads take them; the reader thread makes them."""

    def __init__(self, request: StreamRequest, clock: Clock, arrived: ArrivedPart | None = None) -> None:
        self.request = request
        self.arrived = arrived or ArrivedPart()
        self.result: StreamResult | None = None
        self.sent = 0  # bytes of content that crossed the link
        self.safe = self.arrived.upto  # offset below which all is durable at the far end
        self.numbers: Numbers | None = None  # of the file as it was opened
        self.is_distrusted = False  # a sync of it was refused: nothing of it is to be gone on with
        self._clock = clock
        self._pieces: queue.Queue[Piece | OtherroofError | None] = queue.Queue(AHEAD)
        self._lock = threading.Lock()
        self._landing = _LandedPieces(self.arrived.upto)
        self._safe_part = request.part
        self._block_ends: deque[SafePart] = deque()  # what was read, up to each block's end that is not safe yet
        self._gone = threading.Event()
        self._cut: str = ""
        self._made = 0  # pieces made so far
        self._made_before = 0  # … when the end of the last block was noted
        self._synced_at = clock.monotonic()
        self._synced = self.arrived.upto
        self.ready = threading.Event()  # set once the file is open, or cannot be

    # -- the connections' side --

    def take(self, *, wait: bool) -> Piece | NotYet | None:
        """See PieceSource."""
        if self._cut:
            raise RunCut(self._cut)
        # Another of its uploads has failed. The reader has ended, so nothing more would ever come.
        if self._gone.is_set():
            return None
        # Instead of a piece, whichever connection asks first. It syncs what all of them have written: fsync is for the
        # file.
        sync = self._due_sync()
        if sync is not None:
            return sync
        try:
            piece = self._pieces.get(timeout=PATIENCE_S) if wait else self._pieces.get_nowait()
        except queue.Empty:
            return NOT_YET
        if piece is None or isinstance(piece, OtherroofError):
            # The end, or what ended it, must reach every connection; the reader puts it in only once.
            with contextlib.suppress(queue.Full):
                self._pieces.put_nowait(piece)  # for the other connections that share this stream
            if piece is not None:
                raise piece
            return None
        return piece

    def landed(self, piece: Piece) -> None:
        """See PieceSource."""
        with self._lock:
            if isinstance(piece, SyncPiece):
                # Only what had landed when the sync was asked for is sure to be in it.
                self.safe = max(self.safe, piece.upto)
                return
            self._landing.note_landed(piece)
            self.sent += piece.weight
            # Without fsync the answers are all there is to go by.
            if not self.request.can_sync:
                self.safe = self._landing.upto

    @property
    def landed_upto(self) -> int:
        """See ContentStream."""
        with self._lock:
            return self._landing.upto

    def synced(self, upto: int) -> None:
        """See ContentStream."""
        with self._lock:
            self.safe = max(self.safe, upto)

    def refused(self, piece: Piece) -> None:
        """See PieceSource."""
        # A kernel tells once that it could not write. What is read back may come out of its memory, and the next sync
        # be answered well.
        if isinstance(piece, SyncPiece):
            self.is_distrusted = True

    @property
    def safe_part(self) -> SafePart:
        """What a later run may go on with: all up to the end of the last block that is safe."""
        with self._lock:
            while self._block_ends and self._block_ends[0].upto <= self.safe:
                self._safe_part = self._block_ends.popleft()
            return self._safe_part

    def cut(self, why: str) -> None:
        """Hand out no more pieces; those in flight are still counted."""
        self._cut = why

    def abandon(self) -> None:
        """Nobody will take the rest."""
        self._gone.set()

    def _due_sync(self) -> SyncPiece | None:
        if not self.request.can_sync:
            return None
        with self._lock:
            upto, now = self._landing.upto, self._clock.monotonic()
            # Noted before the answer, or each connection would ask for the same sync.
            if upto - self._synced < SYNC_EVERY or now - self._synced_at < SYNC_EVERY_S:
                return None
            self._synced, self._synced_at = upto, now
        return SyncPiece(upto)

    # -- the reader's side --

    def read_pieces(self, source: SourceFolder) -> None:
        """Read the file and hand on its pieces; run by the reader thread."""
        try:
            # All of the file is read and digested in any case: the digest is over the whole of it.
            for piece in self._read(source):
                self._require_taker()  # also while all that is read has arrived already
                if not self.arrived.has(piece):
                    self._note_made(piece)
                    self._hand_on(piece)
            self._hand_on(None)
        except _StreamAbandoned:
            return
        except OtherroofError as problem:
            self.ready.set()
            with contextlib.suppress(_StreamAbandoned):
                self._hand_on(problem)

    def _require_taker(self) -> None:
        if self._gone.is_set():
            raise _StreamAbandoned

    def _hand_on(self, piece: Piece | OtherroofError | None) -> None:
        while True:
            # With a time-out at each turn, since nobody may be left to take pieces and the queue stays full.
            self._require_taker()
            try:
                self._pieces.put(piece, timeout=PATIENCE_S)
            except queue.Full:
                continue
            return

    def _note_made(self, piece: ContentPiece) -> None:
        # Here, where pieces have one order. Of two connections that take one each, the second may come to note its own
        # first: if it were noted as it is taken, all up to its end would count as landed, without the first.
        with self._lock:
            self._made += 1
            self._landing.note_made(piece, piece.offset + length_of(piece))

    def _read(self, source: SourceFolder) -> Iterator[ContentPiece]:
        path = self.request.path
        handle = source.open(path)
        try:
            # The same numbers before and after, by the open file: size, times, inode. A file that is written to while
            # it is read is read again, for its pieces may belong to different moments.
            before = os.fstat(handle)
            numbers = stat_numbers(before)
            self._require_same_as_part(numbers)
            self.numbers = numbers  # from now on what is safe is noted as a part of this very file
            self.ready.set()
            entry = source.entry(path, before, handle)
            maker = PieceMaker(self.request.max_write, self.request.old, entry.holes)
            digest = new_digest()
            chunker = Chunker(self._average(before.st_size), self.request.key)
            head = b""
            for offset, data in self._blocks(handle, before.st_size):
                head = head or data[:HEAD]
                digest.update(data)
                self._note_block(SafePart(offset + len(data), digest.digest()))
                yield from maker.take(offset, data, chunker.feed(data))
            yield from maker.end(chunker.finish())
            if stat_numbers(before) != stat_numbers(os.fstat(handle)):
                raise ChangedWhileRead("changed while it was read", where=path_text(path))
        except OSError as problem:
            raise Unreadable(f"cannot be read: {problem.strerror}", where=path_text(path)) from problem
        finally:
            os.close(handle)
        entry.digest = digest.digest()
        self.result = StreamResult(entry, self.numbers, chunker.list, head)

    def _require_same_as_part(self, numbers: Numbers) -> None:
        # Known before anything is read: what has arrived may take hours to read once more.
        part_of = self.request.part_of
        if self.arrived != ArrivedPart() and (part_of is None or part_of[:4] != numbers[:4]):
            raise _another_state(self.request.path)

    def _blocks(self, handle: int, size: int) -> Iterator[tuple[int, bytes]]:
        """The file's blocks; what has arrived ends with one of them."""
        most, upto = self.request.max_write * BLOCKS, self.arrived.upto
        yield from blocks_of(handle, upto, most)
        yield from blocks_of(handle, size, most, upto)

    def _note_block(self, read: SafePart) -> None:
        # Inode, size and times do not tell all. While a page that was changed through mmap is not yet written to the
        # disk, further changes to it move no time (mmap(2)). So what is read now must have the digest of what has
        # arrived. Until that is known, `safe_part` stays what it was.
        if read.upto < self.arrived.upto:
            return
        if read.upto == self.arrived.upto and read != self.request.part:
            raise _another_state(self.request.path)
        with self._lock:
            # Between two ends without a new piece nothing can become safe: in a hole, while a long copy is gathered,
            # in what had arrived. One end for all of them.
            if self._block_ends and self._made == self._made_before:
                self._block_ends.pop()
            self._made_before = self._made
            self._block_ends.append(read)

    def _average(self, size: int) -> int:
        # Chunks are found again only if they are cut at the same average, so a file that has grown keeps the old one as
        # long as it is not far off.
        wanted = average_for(size)
        old = self.request.old
        return old.average if old is not None and wanted / 4 <= old.average <= wanted * 4 else wanted


def _another_state(path: bytes) -> ChangedWhileRead:
    return ChangedWhileRead("changed after its first part was sent", where=path_text(path))


class ReadAhead:
    """One thread that reads large files, one after the other, each as far ahead as its stream allows."""

    def __init__(self, root: bytes, clock: Clock) -> None:
        self._source = SourceFolder(root, clock)
        self._streams: queue.Queue[FileStream | None] = queue.Queue()
        self._under_way: list[FileStream] = []
        self._thread = threading.Thread(target=self._work, name="otherroof-reader", daemon=True)
        self._thread.start()

    def begin(self, stream: FileStream) -> None:
        """Read this file after those that were given before."""
        self._under_way.append(stream)
        self._streams.put(stream)

    def forget(self, stream: FileStream) -> None:
        """The stream is over, well or not."""
        stream.abandon()
        if stream in self._under_way:
            self._under_way.remove(stream)

    @property
    def under_way(self) -> list[FileStream]:
        """The streams that are not over."""
        return list(self._under_way)

    def close(self) -> None:
        """End the thread."""
        # Abandoned first: the thread may be waiting for somebody to take a piece.
        for stream in self.under_way:
            self.forget(stream)
        self._streams.put(None)
        # A read can hang for ever, on a disk that fails or a folder from another machine. The thread ends with this
        # process then, and the folder's handle stays open for it.
        self._thread.join(PARTING_S)
        if not self._thread.is_alive():
            self._source.close()

    def _work(self) -> None:
        while (stream := self._streams.get()) is not None:
            stream.read_pieces(self._source)
