"""Streams inside a lane: pieces of large files on their way out, ranges on their way in.

Keeps a window of bytes in flight over all streams of one lane and takes the streams in turn. It asks the lane to
send requests and is told of their answers; it knows no channel and no file.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

from otherroof.base.errors import LinkLost, OtherroofError
from otherroof.far import requests
from otherroof.far.place import Meter
from otherroof.far.sftp import codec

WINDOW = 4 * 1024 * 1024  # bytes of content in flight on one lane
MAX_COPIES = 64  # copies inside the far box in flight
IDLE_S = 0.002  # how long to look away when several streams are waiting for the disk

StreamEnd = Callable[[int | None, OtherroofError | None], None]
Put = Callable[[requests.Op, Callable[[bytes], None]], None]


@dataclass(slots=True, eq=False)
class _OpenWriteStream:
    request: requests.WriteStream
    ended_with: StreamEnd
    in_flight: int = 0
    ended: bool = False
    failure: OtherroofError | None = None


@dataclass(slots=True, eq=False)
class _OpenReadStream:
    request: requests.ReadStream
    ended_with: StreamEnd
    asked: int = 0
    given: int = 0
    in_flight: int = 0
    short: bool = False
    failure: OtherroofError | None = None
    early: dict[int, bytes] = field(default_factory=dict)


class Streams:
    """The pours and draws of one lane."""

    def __init__(self, put: Put, meter: Meter) -> None:
        self._put = put
        self._meter = meter
        self._max_read = requests.LEAST
        self._pours: deque[_OpenWriteStream] = deque()
        self._draws: deque[_OpenReadStream] = deque()
        self._window = 0
        self._copies = 0

    @property
    def full(self) -> bool:
        """Whether as much is in flight as is good."""
        return self._window >= WINDOW

    def begin(self, request: requests.WriteStream | requests.ReadStream, ended_with: StreamEnd) -> None:
        """Take up a stream; `ended_with` is called once, with what came or what went wrong."""
        if isinstance(request, requests.WriteStream):
            self._pours.append(_OpenWriteStream(request, ended_with))
        else:
            self._draws.append(_OpenReadStream(request, ended_with))

    def fill(self, max_read: int, *, idle: bool) -> None:
        """Put pieces and reads on the way as far as the window allows.

        `idle` says that nothing at all is on the way, so that waiting for the disk costs nothing.
        """
        self._max_read = max_read
        started = False
        while self._pours and not self.full and self._copies < MAX_COPIES:
            if not self._pour_once(wait=idle and not started):
                break
            started = True
        while self._draws and not self.full:
            self._draw_once()

    # -- out --

    def _pour_once(self, *, wait: bool) -> bool:
        """One piece of the next stream. False if none of them has one ready."""
        alone = len(self._pours) == 1
        for _ in range(len(self._pours)):
            pouring = self._pours[0]
            self._pours.rotate(-1)
            try:
                piece = pouring.request.source.take(wait=wait and alone)
            except LinkLost:
                raise
            except OtherroofError as problem:
                pouring.failure = pouring.failure or problem
                piece = None
            if piece is None:
                self._end_pour(pouring)
                return True
            if not isinstance(piece, requests.NotYet):
                self._send(pouring, piece)
                return True
        if wait:
            time.sleep(IDLE_S)
        return False

    def _send(self, pouring: _OpenWriteStream, piece: requests.Piece) -> None:
        request = pouring.request
        op: requests.Op
        if isinstance(piece, requests.DataPiece):
            op = requests.Write(request.target, piece.offset, piece.data)
            self._window += len(piece.data)
        elif isinstance(piece, requests.SyncPiece):
            op = requests.Sync(request.target)
            self._copies += 1
        else:
            op = requests.CopyRange(request.old, piece.source_offset, piece.length, request.target, piece.offset)
            self._copies += 1
        pouring.in_flight += 1
        self._put(op, lambda packet: self._landed(pouring, piece, op, packet))

    def _landed(self, pouring: _OpenWriteStream, piece: requests.Piece, op: requests.Op, packet: bytes) -> None:
        pouring.in_flight -= 1
        if isinstance(piece, requests.DataPiece):
            self._window -= len(piece.data)
        else:
            self._copies -= 1
        try:
            codec.decode(op, packet)
        except LinkLost:
            raise
        except OtherroofError as error:
            pouring.failure = pouring.failure or error
            self._end_pour(pouring)
            return
        self._meter.landed += piece.weight
        pouring.request.source.landed(piece)
        self._settle_pour(pouring)

    def _end_pour(self, pouring: _OpenWriteStream) -> None:
        """No more pieces are taken from this stream."""
        if not pouring.ended:
            pouring.ended = True
            self._pours.remove(pouring)
        self._settle_pour(pouring)

    def _settle_pour(self, pouring: _OpenWriteStream) -> None:
        if pouring.ended and pouring.in_flight == 0:
            pouring.ended_with(None, pouring.failure)

    # -- in --

    def _draw_once(self) -> None:
        drawing = self._draws[0]
        self._draws.rotate(-1)
        left = drawing.request.length - drawing.asked
        if left <= 0 or drawing.short or drawing.failure is not None:
            self._draws.remove(drawing)
            drawing.asked = drawing.request.length
            self._settle_draw(drawing)
            return
        size = min(self._max_read, left)
        self._ask_range(drawing, drawing.asked, size)
        drawing.asked += size

    def _ask_range(self, drawing: _OpenReadStream, at: int, size: int) -> None:
        op = requests.Read(drawing.request.handle, drawing.request.offset + at, size)
        drawing.in_flight += 1
        self._window += size
        self._put(op, lambda packet: self._drawn(drawing, at, op, packet))

    def _drawn(self, drawing: _OpenReadStream, at: int, op: requests.Read, packet: bytes) -> None:
        drawing.in_flight -= 1
        self._window -= op.size
        try:
            data = codec.decode(op, packet)
            if len(data) > op.size:
                raise codec.malformed()
            self._deliver(drawing, at, op.size, data)
        except LinkLost:
            raise
        except OtherroofError as error:
            drawing.failure = drawing.failure or error
        self._settle_draw(drawing)

    def _deliver(self, drawing: _OpenReadStream, at: int, size: int, data: bytes) -> None:
        if not data:
            drawing.short = True
            return
        if len(data) < size:  # a server may answer less than was asked: ask for the rest
            self._ask_range(drawing, at + len(data), size - len(data))
        drawing.early[at] = data
        while drawing.given in drawing.early:
            ready = drawing.early.pop(drawing.given)
            drawing.given += len(ready)
            self._meter.drawn += len(ready)
            drawing.request.sink.take(ready)

    def _settle_draw(self, drawing: _OpenReadStream) -> None:
        if drawing.in_flight == 0 and drawing not in self._draws:
            drawing.ended_with(drawing.given, drawing.failure)
