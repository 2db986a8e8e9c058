"""Measures the line to a far box as a copy and a restore will find it: a few MB there and back over SFTP, by as many
connections. What goes there is sent with a copy's courtesy; what comes back keeps to no courtesy, as in a restore.

    L1  the far box's turn: beside a run it would measure half a line, and disturb
    L2  the way there, and the login; a second connection, for round trips alone; what a killed measurement left goes
    L3  round trips while nothing else moves
    L4  random bytes into scratch files in the base, as fast as courtesy allows; round trips meanwhile
    L5  as many bytes back, as fast as they come; round trips meanwhile
    L6  the scratch files go, whatever happened; what was found goes into the ledger

Nothing of a copy is touched.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import socket
import statistics
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from otherroof.base.clock import Clock
from otherroof.base.errors import OtherroofError, PlaceError
from otherroof.base.locks import Patience
from otherroof.base.units import mbit_text, size_text
from otherroof.far import requests
from otherroof.far.pacing import Pacing, bytes_per_s, read_tcp_info
from otherroof.far.place import Meter, Place, Task, run_script, run_scripts
from otherroof.far.requests import DataPiece, Mode, NotYet, Piece, Script
from otherroof.far.sftp.place import SftpPlace
from otherroof.forecast.planning.packets import buffer_delay
from otherroof.jobs.context import JobContext
from otherroof.jobs.far_place import job_limit, open_place, ssh_target_of
from otherroof.jobs.locks import far_lock
from otherroof.ledger import Ledger
from otherroof.ledger.planning.line_readings import LineReading
from otherroof.probe.way import open_way
from otherroof.settings import FarBox, Settings

MB = 10**6
SCRATCH = b".otherroof-line-"
PIECE = 32 * 1024  # bytes: small ones, so that what has landed is known often
IDLE_LOOKS = 7
MOST_PORTIONS = 100  # of the names in the base: there is a folder for each job, and no more
LOOK_EVERY_S = 0.05
# A stream begins slowly: what landed before this share of it says nothing of the line.
BEGINNING = 0.3
OPENING_S, STILL_S = 8.0, 1.5  # how long further connections are waited for


@dataclass(slots=True)
class LineProgress:
    """Numbers that a display reads while a line is measured."""

    meter: Meter = field(default_factory=Meter)


def measure_line(
    settings: Settings, job: str, ledger: Ledger, context: JobContext[LineProgress], size: int = 10 * MB
) -> LineReading:
    """Measure the line to the far box of `job` with `size` bytes each way, and note it in the ledger.

    Raises Busy while a run to that far box goes on, and what `open_way` and `open_place` raise, LinkLost, PlaceError.
    """
    clock, name = context.clock, settings.jobs[job].far
    far, meter, asking = settings.far[name], context.progress.meter, Meter()
    limit = job_limit(settings, job, clock)
    with contextlib.ExitStack() as stack:
        stack.enter_context(far_lock(settings, job, clock, Patience(0.0)))  # L1
        stack.enter_context(open_way(settings, name, ledger, clock, network_access=context.network_access))  # L2
        pacing = WatchedPacing(far.courtesy_s, lambda: bytes_per_s(limit()))
        place = stack.enter_context(contextlib.closing(_open(settings, far, pacing, meter)))
        beside = stack.enter_context(contextlib.closing(open_place(settings, far, asking)))
        ledger.answers.note(name, clock.now())
        run_script(beside, _sweep())
        looks = _Looks(beside, pacing, clock)
        idle = looks.while_idle()  # L3
        _widen(place, clock)
        up, down, loaded_up, loaded_down = _both_ways(place, looks, size)
    sent, came = meter.wire_up + asking.wire_up, meter.wire_down + asking.wire_down
    at = clock.now().replace(microsecond=0)
    reading = LineReading(name, at, up, down, idle, loaded_up, loaded_down, sent, came)
    ledger.lines.note(reading)  # L6
    return reading


def _open(settings: Settings, far: FarBox, pacing: WatchedPacing, meter: Meter) -> SftpPlace:
    target, base = ssh_target_of(settings, far), far.base.encode()
    return SftpPlace(target, base, connections=far.connections, pacing=pacing, meter=meter)


def announced(far: str, size: int, limit_mbit: float) -> str:
    """What is about to cross, before it does."""
    under = f", under the limit of {mbit_text(limit_mbit)} that holds now" if limit_mbit else ""
    return (
        f"{far}: sends {size_text(size)} there, with courtesy{under}, and fetches as much back as fast as it comes; "
        "both count in the month"
    )


def reading_text(reading: LineReading) -> str:
    """What was measured, in one sentence."""
    grows = [buffer_delay(loaded, reading.idle_ms) for loaded in (reading.loaded_up_ms, reading.loaded_down_ms)]
    return (
        f"{reading.far}: {mbit_text(reading.up_mbit)} there, {mbit_text(reading.down_mbit)} back; round trip "
        f"{reading.idle_ms:.0f} ms, {reading.loaded_up_ms:.0f} ms while sending (+{grows[0] * 100:.0f} %), "
        f"{reading.loaded_down_ms:.0f} ms while fetching (+{grows[1] * 100:.0f} %); "
        f"{size_text(reading.wire_up)} went there, {size_text(reading.wire_down)} came back"
    )


def _widen(place: SftpPlace, clock: Clock) -> None:
    """Open the connections that a copy would have, and wait until they stand."""
    place.widen()
    begun = still = clock.monotonic()
    known = place.connections
    while clock.monotonic() - begun < OPENING_S and clock.monotonic() - still < STILL_S:
        clock.sleep(LOOK_EVERY_S)
        if place.connections != known:
            known, still = place.connections, clock.monotonic()


def _both_ways(place: Place, looks: _Looks, size: int) -> tuple[float, float, float, float]:
    """L4 to L6: Mbit/s there and back, and round trips in ms meanwhile."""
    paths = [SCRATCH + secrets.token_hex(6).encode() for _ in range(place.connections)]
    try:
        with looks.meanwhile() as up:
            source = _RandomPieces(size)
            _carry(place, [_fill(path, source) for path in paths])
        sizes = [attrs.size for attrs in run_scripts(place, [_look(path) for path in paths])]
        # Shares differ with what each connection could send. To come back evenly, all fetch of the longest.
        longest, path = max(zip(sizes, paths, strict=True))
        part = min(longest, size // len(paths))
        with looks.meanwhile() as down:
            _carry(place, [_fetch(path, part, lambda: looks.stop(down)) for _ in paths])
    finally:
        for path in paths:
            with contextlib.suppress(OtherroofError):  # a connection that broke has its own error to raise
                run_script(place, _drop(path))
    return up.sent.mbit, down.came.mbit, up.median_ms, down.median_ms


def _carry(place: Place, scripts: Sequence[Script[Any]]) -> None:
    work = [Task(number, script, connection=number) for number, script in enumerate(scripts)]
    for result in list(place.carry_out(work)):
        if result.error is not None:
            raise result.error


class WatchedPacing(Pacing):
    """A copy's pacing, whose connections can be asked what has arrived: an answer that waits here to be read, behind
    requests that are being sent, says nothing of when its content arrived."""

    def __init__(self, courtesy_s: float, limit: Callable[[], float]) -> None:
        super().__init__(courtesy_s, limit)
        self._socks: list[socket.socket] = []

    def add(self, sock: socket.socket) -> None:
        """See Pacing."""
        super().add(sock)
        self._socks.append(sock)

    def arrived(self) -> tuple[int, int]:
        """Bytes of TCP payload that have arrived there, and that came here."""
        readings = [reading for sock in self._socks if (reading := read_tcp_info(sock)) is not None]
        return sum(one.acked for one in readings), sum(one.received for one in readings)


@dataclass(slots=True)
class ArrivalMarks:
    """How much had arrived when, in seconds and bytes."""

    marks: list[tuple[float, int]] = field(default_factory=list)
    stopped: bool = False

    def note(self, at: float, count: int) -> None:
        """At this moment so much had arrived."""
        if not self.stopped and (not self.marks or count > self.marks[-1][1]):
            self.marks.append((at, count))

    def stop(self) -> None:
        """From now on the line is no longer full, since one connection has nothing left to do; what comes still says
        nothing of it."""
        self.stopped = True

    @property
    def mbit(self) -> float:
        """Mbit/s after the beginning; of all if it was too short to tell them apart; 0 if nothing arrived."""
        if not self.marks:
            return 0.0
        (start, none), (end, all_of_it) = self.marks[0], self.marks[-1]
        begin, there = next(mark for mark in self.marks if mark[1] - none >= BEGINNING * (all_of_it - none))
        if begin == end:
            begin, there = start, none
        return (all_of_it - there) * 8e-6 / (end - begin) if end > begin else 0.0


class _RandomPieces:
    """So many random bytes, for several connections; each writes its share at offsets of its own file."""

    def __init__(self, size: int) -> None:
        self._left = size
        self._lock = threading.Lock()

    def share(self) -> _Share:
        """The source for one more connection."""
        return _Share(self)

    def next_size(self) -> int:
        with self._lock:
            size = min(PIECE, self._left)
            self._left -= size
            return size


class _Share:
    """What one connection takes of the random bytes."""

    def __init__(self, whole: _RandomPieces) -> None:
        self._whole = whole
        self._at = 0

    def take(self, *, wait: bool) -> Piece | NotYet | None:  # nothing has to be waited for
        size = self._whole.next_size()
        if not size:
            return None
        piece = DataPiece(self._at, os.urandom(size))
        self._at += size
        return piece

    def landed(self, piece: Piece) -> None:
        """Of no matter here: the kernel is asked."""

    def refused(self, piece: Piece) -> None:
        """See PieceSource; the stream's own failure tells it."""


class _Nowhere:
    """Takes what comes back, for nobody."""

    def take(self, data: bytes) -> None:
        """See Sink."""


def _fill(path: bytes, source: _RandomPieces) -> Script[None]:
    handle = yield requests.OpenFile(path, Mode.WRITE | Mode.CREATE | Mode.ONLY_NEW)
    try:
        yield requests.WriteStream(handle, source.share())
    finally:
        yield requests.CloseFile(handle)


def _look(path: bytes) -> Script[requests.Attrs]:
    attrs: requests.Attrs = yield requests.Stat(path)
    return attrs


def _fetch(path: bytes, size: int, ended: Callable[[], None]) -> Script[None]:
    handle = yield requests.OpenFile(path, Mode.READ)
    yield requests.ReadStream(handle, 0, size, _Nowhere())
    ended()
    yield requests.CloseFile(handle)


def _drop(path: bytes) -> Script[None]:
    with contextlib.suppress(PlaceError):  # it was not made, or is a scratch file that is told by its name
        yield requests.Remove(path)


def _sweep() -> Script[None]:
    """Remove what a measurement that was killed has left in the base."""
    handle = yield requests.OpenFolder(b".")
    left: list[bytes] = []
    for _ in range(MOST_PORTIONS):
        portion = yield requests.ReadFolder(handle)
        if portion is None:
            break
        left += [name for name, _ in portion if name.startswith(SCRATCH)]
    yield requests.CloseFile(handle)
    for name in left:
        yield from _drop(name)


@dataclass(slots=True)
class _Loaded:
    """What was seen while the line was loaded: what arrived there and here, and round trips in ms."""

    idle_ms: float
    sent: ArrivalMarks = field(default_factory=ArrivalMarks)
    came: ArrivalMarks = field(default_factory=ArrivalMarks)
    trips_ms: list[float] = field(default_factory=list)

    @property
    def median_ms(self) -> float:
        return statistics.median(self.trips_ms) if self.trips_ms else self.idle_ms


class _Looks:
    """Round trips, asked for on a connection of their own: behind a copy's requests they would wait for those. And what
    has arrived meanwhile on the others."""

    def __init__(self, place: Place, pacing: WatchedPacing, clock: Clock) -> None:
        self._place, self._pacing, self._clock = place, pacing, clock
        self.idle_ms = 0.0

    def while_idle(self) -> float:
        """The least of several round trips in ms, while nothing else moves."""
        self.idle_ms = min(self._trip_ms() for _ in range(IDLE_LOOKS))
        return self.idle_ms

    def _trip_ms(self) -> float:
        begun = self._clock.monotonic()
        run_script(self._place, _look(b"."))
        return (self._clock.monotonic() - begun) * 1000

    @contextlib.contextmanager
    def meanwhile(self) -> Iterator[_Loaded]:
        """What is seen while inside, by two threads."""
        found, ended = _Loaded(self.idle_ms), threading.Event()
        self._note(found, self._arrived())
        threads = [
            threading.Thread(target=watch, args=(found, ended), name="otherroof-looks", daemon=True)
            for watch in (self._watch_trips, self._watch_arrivals)
        ]
        for thread in threads:
            thread.start()
        try:
            yield found
        finally:
            ended.set()
            for thread in threads:
                thread.join()
            self._note(found, self._arrived())

    def stop(self, found: _Loaded) -> None:
        """Note what came until now, and nothing more: see ArrivalMarks.stop."""
        self._note(found, self._arrived())
        found.came.stop()

    def _arrived(self) -> tuple[float, int, int]:
        return (self._clock.monotonic(), *self._pacing.arrived())

    def _note(self, found: _Loaded, seen: tuple[float, int, int]) -> None:
        at, sent, came = seen
        found.sent.note(at, sent)
        found.came.note(at, came)

    def _watch_arrivals(self, found: _Loaded, ended: threading.Event) -> None:
        while not ended.wait(LOOK_EVERY_S):
            self._note(found, self._arrived())

    def _watch_trips(self, found: _Loaded, ended: threading.Event) -> None:
        # A look that fails says no more than that there is none: what broke is told by the copy beside it.
        with contextlib.suppress(OtherroofError):
            while not ended.wait(LOOK_EVERY_S):
                found.trips_ms.append(self._trip_ms())
