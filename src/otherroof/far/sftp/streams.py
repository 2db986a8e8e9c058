"""Streams on one SFTP channel: pieces of large files on their way out, ranges on their way in.

Keeps a window of bytes in flight over all streams of one channel and takes the streams in turn. It asks the
channel to send requests and is told of their answers; it knows no socket and no file.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from otherroof.base.errors import LinkLost, OtherroofError, PlaceError
from otherroof.far import requests
from otherroof.far.allowance import WAIT_S, ReadShare
from otherroof.far.place import Meter
from otherroof.far.sftp import codec

# What must be under way to fill a line is its rate times its round trip: this is enough for 300 Mbit/s at 100 ms, on
# each connection. More would only wait in buffers, and would have to go out before a stop.
WINDOW = 4 * 1024 * 1024  # bytes of content in flight on one channel
# A copy costs the link nothing but keeps the far disk busy, and OpenSSH answers one request of a channel after the
# other: what is asked behind 64 of them waits for all of them.
MAX_COPIES = 64  # copies inside the far box in flight
FILL_S = 0.25  # how long pieces are put on the way before it is looked whether answers have come
IDLE_S = 0.002  # how long to look away when several streams are waiting for home's disk
# A server may answer less than was asked, such as its own longest read, and is then asked for the rest. One that does
# so again and again gives a file in crumbs.
CRUMB = 4096  # bytes; a shorter answer before the end of the file is one
MOST_CRUMBS = 64  # in one stream

StreamEnd = Callable[[int | None, OtherroofError | None], None]
Put = Callable[[requests.Op, Callable[[bytes], None]], None]


@dataclass(slots=True, eq=False)
class _OpenWriteStream:
    """A stream out: `ended` once its source has no more pieces or one of them was refused."""

    request: requests.WriteStream
    ended_with: StreamEnd
    in_flight: int = 0
    ended: bool = False
    failure: OtherroofError | None = None


@dataclass(slots=True, eq=False)
class _OpenReadStream:
    """A stream in: `asked` bytes were asked for, `given` were handed on; `short` if the file ended before its length.

    Answers may overtake each other: `early` has those that came before the bytes in front of them, by their offset in
    the stream. They count in the window until they are handed on, so a server that holds one answer back gets no more
    requests for what lies behind it.
    """

    request: requests.ReadStream
    ended_with: StreamEnd
    asked: int = 0
    given: int = 0
    in_flight: int = 0
    short: bool = False
    crumbs: int = 0
    failure: OtherroofError | None = None
    early: dict[int, bytes] = field(default_factory=dict)


class Streams:
    """The streams of one channel that are under way, in both directions."""

    def __init__(self, put: Put, meter: Meter, share: ReadShare | None = None) -> None:
        self._share = share
        self._put = put
        self._meter = meter
        self._max_read = requests.LEAST
        self._writes: deque[_OpenWriteStream] = deque()
        self._reads: deque[_OpenReadStream] = deque()
        self._window = 0
        self._copies = 0

    @property
    def full(self) -> bool:
        """Whether as much is in flight as is good."""
        return self._window >= WINDOW

    def begin(self, request: requests.WriteStream | requests.ReadStream, ended_with: StreamEnd) -> None:
        """Take up a stream; `ended_with` is called once, with what came or what went wrong."""
        if isinstance(request, requests.WriteStream):
            self._writes.append(_OpenWriteStream(request, ended_with))
        else:
            self._reads.append(_OpenReadStream(request, ended_with))
            if self._share is not None:
                self._share.wants = True

    def fill(self, max_read: int, *, idle: bool) -> bool:
        """Put pieces and reads on the way as far as the window allows. True if that takes long, and more could go out.

        `idle` says that nothing at all is on the way, so that waiting for home's disk costs nothing.
        """
        self._max_read = max_read
        started = takes_long = False
        until = time.monotonic() + FILL_S
        # Only the first piece may be waited for: once something is under way, its answer must be fetched.
        while self._writes and not self.full and self._copies < MAX_COPIES:
            if not self._write_once(wait=idle and not started):
                break
            started = True
            # On a slow line it takes minutes to fill the window, and what was answered would be known as late as that.
            if time.monotonic() > until:
                takes_long = True
                break
        asked = False
        while self._reads and not self.full and self._read_once():
            asked = True
        if self._share is not None:
            self._share.wants = bool(self._reads)
            self._share.held_by_rate &= self._share.wants
        if idle and not started and not asked and self._reads:
            time.sleep(WAIT_S)  # its share is used up
        return takes_long

    # -- out --

    def _write_once(self, *, wait: bool) -> bool:
        """One piece of the next stream. False if none of them has one ready."""
        # With several streams none is waited for by itself: the next one may have a piece ready.
        alone = len(self._writes) == 1
        for _ in range(len(self._writes)):
            stream = self._writes[0]
            self._writes.rotate(-1)
            try:
                piece = stream.request.source.take(wait=wait and alone)
            except LinkLost:
                # A broken connection ends them all; anything else, such as a file that cannot be read at home, ends
                # this stream.
                raise
            except OtherroofError as problem:
                stream.failure = stream.failure or problem
                piece = None
            if piece is None:
                self._end_write(stream)
                return True
            if not isinstance(piece, requests.NotYet):
                self._send(stream, piece)
                return True
        if wait:
            time.sleep(IDLE_S)
        return False

    def _send(self, stream: _OpenWriteStream, piece: requests.Piece) -> None:
        request = stream.request
        op: requests.Op
        if isinstance(piece, requests.DataPiece):
            op = requests.Write(request.target, piece.offset, piece.data)
            # Counted from here until the answer comes, whatever it is: see `_landed`.
            self._window += len(piece.data)
        elif isinstance(piece, requests.SyncPiece):
            op = requests.Sync(request.target)
            self._copies += 1
        else:
            op = requests.CopyRange(request.old, piece.source_offset, piece.length, request.target, piece.offset)
            self._copies += 1
        stream.in_flight += 1
        self._put(op, lambda packet: self._landed(stream, piece, op, packet))

    def _landed(self, stream: _OpenWriteStream, piece: requests.Piece, op: requests.Op, packet: bytes) -> None:
        stream.in_flight -= 1
        if isinstance(piece, requests.DataPiece):
            self._window -= len(piece.data)
        else:
            self._copies -= 1
        try:
            codec.decode(op, packet)
        except LinkLost:
            raise
        except OtherroofError as error:
            # The stream takes no more pieces, but its script hears of it only after all that are under way were
            # answered: what it does next, such as closing the file, must not meet a piece that still comes.
            stream.request.source.refused(piece)
            stream.failure = stream.failure or error
            self._end_write(stream)
            return
        self._meter.add(landed=piece.weight)
        # Only now: a piece counts when the far box has said that it wrote it, not when it was sent.
        stream.request.source.landed(piece)
        self._settle_write(stream)

    def _end_write(self, stream: _OpenWriteStream) -> None:
        """No more pieces are taken from this stream."""
        if not stream.ended:
            stream.ended = True
            self._writes.remove(stream)
        self._settle_write(stream)

    def _settle_write(self, stream: _OpenWriteStream) -> None:
        if stream.ended and stream.in_flight == 0:
            stream.ended_with(None, stream.failure)

    # -- in --

    def _read_once(self) -> bool:
        """One request of the next stream. False if nothing may be asked for now."""
        stream = self._reads[0]
        left = stream.request.length - stream.asked
        if left <= 0 or stream.short or stream.failure is not None:
            self._reads.remove(stream)
            stream.asked = stream.request.length
            self._settle_read(stream)
            return True
        # Asked for whether or not the file is that long: its end shows in the answers.
        size = min(self._max_read, left)
        if self._share is not None:
            size = self._share.piece(size)
            if not self._share.take(size):
                return False
        self._reads.rotate(-1)
        self._ask_range(stream, stream.asked, size)
        stream.asked += size
        return True

    def _ask_range(self, stream: _OpenReadStream, at: int, size: int) -> None:
        op = requests.Read(stream.request.handle, stream.request.offset + at, size)
        stream.in_flight += 1
        self._window += size
        self._put(op, lambda packet: self._came(stream, at, op, packet))

    def _came(self, stream: _OpenReadStream, at: int, op: requests.Read, packet: bytes) -> None:
        stream.in_flight -= 1
        self._window -= op.size
        if self._share is not None:
            self._share.came(op.size)
        try:
            data = codec.decode(op, packet)
            # More than was asked for would be written over what follows.
            if len(data) > op.size:
                raise codec.malformed()
            self._deliver(stream, at, op.size, data)
        except LinkLost:
            raise
        except OtherroofError as error:
            stream.failure = stream.failure or error
        if stream.failure is not None:
            self._drop_early(stream)
        self._settle_read(stream)

    def _deliver(self, stream: _OpenReadStream, at: int, size: int, data: bytes) -> None:
        if not data:
            stream.short = True
            return
        if stream.failure is not None:
            return
        if len(data) < size:  # a server may answer less than was asked: ask for the rest
            stream.crumbs += len(data) < CRUMB
            if stream.crumbs > MOST_CRUMBS:
                raise PlaceError(
                    "the far box gives this file in pieces of a few bytes", advice="look at the far box and its disk"
                )
            if self._share is not None:
                self._share.spend(size - len(data))
            self._ask_range(stream, at + len(data), size - len(data))
        stream.early[at] = data
        self._window += len(data)
        while stream.given in stream.early:
            ready = stream.early.pop(stream.given)
            self._window -= len(ready)
            stream.given += len(ready)
            self._meter.add(drawn=len(ready))
            stream.request.sink.take(ready)

    def _drop_early(self, stream: _OpenReadStream) -> None:
        """What lies behind a gap will not be wanted any more."""
        self._window -= sum(len(data) for data in stream.early.values())
        stream.early.clear()

    def _settle_read(self, stream: _OpenReadStream) -> None:
        if stream.in_flight == 0 and stream not in self._reads:
            self._drop_early(stream)
            stream.ended_with(stream.given, stream.failure)
