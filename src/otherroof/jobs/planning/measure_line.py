"""Measures the line to a far box as a copy and a restore will find it: a few MB there and back over SFTP, by as many
connections, with the same courtesy.

    L1  the far box's turn: beside a run it would measure half a line, and disturb
    L2  the way there, and the login; a second connection, for round trips alone; what a killed measurement left goes
    L3  round trips while nothing else moves
    L4  random bytes into scratch files in the base, as fast as courtesy allows; round trips meanwhile
    L5  the same bytes back; round trips meanwhile
    L6  the scratch files go, whatever happened; what was found goes into the ledger

Nothing of a copy is touched.
"""

from __future__ import annotations

import contextlib
import os
import secrets
import statistics
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from otherroof.base.clock import Clock
from otherroof.base.errors import OtherroofError, PlaceError
from otherroof.base.locks import Patience
from otherroof.base.units import size_text
from otherroof.far import requests
from otherroof.far.place import Meter, Place, Task, run_script
from otherroof.far.requests import DataPiece, Mode, NotYet, Piece, Script
from otherroof.far.sftp.place import SftpPlace
from otherroof.forecast.planning.packets import buffer_delay
from otherroof.jobs.context import JobContext
from otherroof.jobs.far_place import job_limit, open_place
from otherroof.jobs.locks import far_lock
from otherroof.ledger import Ledger
from otherroof.ledger.planning.line_readings import LineReading
from otherroof.probe.way import open_way
from otherroof.settings import Settings

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
        place = stack.enter_context(contextlib.closing(open_place(settings, far, meter, limit, paces_reads=True)))
        beside = stack.enter_context(contextlib.closing(open_place(settings, far, asking)))
        ledger.answers.note(name, clock.now())
        run_script(beside, _sweep())
        looks = _Looks(beside, clock)
        idle = looks.now(IDLE_LOOKS)  # L3
        _widen(place, clock)
        up, down, loaded_up, loaded_down = _both_ways(place, looks, clock, size)
    sent, came = meter.wire_up + asking.wire_up, meter.wire_down + asking.wire_down
    at = clock.now().replace(microsecond=0)
    reading = LineReading(name, at, up, down, idle, loaded_up, loaded_down, sent, came)
    ledger.lines.note(reading)  # L6
    return reading


def announced(far: str, size: int, limit_mbit: float) -> str:
    """What is about to cross, before it does."""
    under = f", under the limit of {limit_mbit:g} Mbit/s that holds now" if limit_mbit else ""
    return f"{far}: sends {size_text(size)} there and fetches them back, with courtesy{under}; they count in the month"


def reading_text(reading: LineReading) -> str:
    """What was measured, in one sentence."""
    grows = [buffer_delay(loaded, reading.idle_ms) for loaded in (reading.loaded_up_ms, reading.loaded_down_ms)]
    return (
        f"{reading.far}: {reading.up_mbit:.1f} Mbit/s there, {reading.down_mbit:.1f} Mbit/s back; round trip "
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


def _both_ways(place: Place, looks: _Looks, clock: Clock, size: int) -> tuple[float, float, float, float]:
    """L4 to L6: Mbit/s there and back, and round trips in ms meanwhile."""
    count = place.connections
    paths = [SCRATCH + secrets.token_hex(6).encode() for _ in range(count)]
    try:
        with looks.meanwhile() as loaded_up:
            there = _Landed(clock)
            source = _RandomPieces(size, there)
            _carry(place, [_fill(path, source) for path in paths])
        sizes = [attrs.size for attrs in (run_script(place, _look(path)) for path in paths)]
        with looks.meanwhile() as loaded_down:
            back = _Landed(clock)
            scripts = [_fetch(path, most, back) for path, most in zip(paths, sizes, strict=True)]
            _carry(place, scripts)
    finally:
        for path in paths:
            with contextlib.suppress(OtherroofError):  # a connection that broke has its own error to raise
                run_script(place, _drop(path))
    return there.mbit, back.mbit, _median_ms(loaded_up, looks.idle), _median_ms(loaded_down, looks.idle)


def _carry(place: Place, scripts: Sequence[Script[Any]]) -> None:
    work = [Task(number, script, connection=number) for number, script in enumerate(scripts)]
    for result in list(place.carry_out(work)):
        if result.error is not None:
            raise result.error


class _Landed:
    """When how many bytes had landed. The threads of several connections note in it."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._begun = clock.monotonic()
        self._total = 0
        self._marks: list[tuple[float, int]] = []

    def note(self, size: int) -> None:
        with self._lock:
            self._total += size
            self._marks.append((self._clock.monotonic(), self._total))

    @property
    def mbit(self) -> float:
        """Mbit/s after the beginning; all of it if it was over too soon to tell."""
        with self._lock:
            marks, total = self._marks, self._total
        first = next((mark for mark in marks if mark[1] >= BEGINNING * total), (self._begun, 0))
        took = marks[-1][0] - first[0] if marks else 0.0
        if took <= 0:
            first, took = (self._begun, 0), max(1e-3, self._clock.monotonic() - self._begun)
        return (total - first[1]) * 8e-6 / took


class _RandomPieces:
    """So many random bytes, for several connections; each writes its share at offsets of its own file."""

    def __init__(self, size: int, landed: _Landed) -> None:
        self._left, self._landed_at = size, landed
        self._lock = threading.Lock()

    def share(self) -> _Share:
        """The source for one more connection."""
        return _Share(self)

    def next_size(self) -> int:
        with self._lock:
            size = min(PIECE, self._left)
            self._left -= size
            return size

    def landed(self, size: int) -> None:
        self._landed_at.note(size)


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
        self._whole.landed(piece.weight)


class _CountingSink:
    """Takes what comes back, and only counts it."""

    def __init__(self, landed: _Landed) -> None:
        self._landed = landed

    def take(self, data: bytes) -> None:
        self._landed.note(len(data))


def _fill(path: bytes, source: _RandomPieces) -> Script[None]:
    handle = yield requests.OpenFile(path, Mode.WRITE | Mode.CREATE | Mode.ONLY_NEW)
    try:
        yield requests.WriteStream(handle, source.share())
    finally:
        yield requests.CloseFile(handle)


def _look(path: bytes) -> Script[requests.Attrs]:
    attrs: requests.Attrs = yield requests.Stat(path)
    return attrs


def _fetch(path: bytes, size: int, landed: _Landed) -> Script[None]:
    handle = yield requests.OpenFile(path, Mode.READ)
    yield requests.ReadStream(handle, 0, size, _CountingSink(landed))
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


class _Looks:
    """Round trips, asked for on a connection of their own: behind a copy's requests they would wait for those."""

    def __init__(self, place: Place, clock: Clock) -> None:
        self._place, self._clock = place, clock
        self.idle = 0.0

    def now(self, count: int) -> float:
        """The least of several round trips in ms, while nothing else moves."""
        self.idle = min(self._one() for _ in range(count))
        return self.idle

    def _one(self) -> float:
        begun = self._clock.monotonic()
        run_script(self._place, _look(b"."))
        return (self._clock.monotonic() - begun) * 1000

    @contextlib.contextmanager
    def meanwhile(self) -> Iterator[list[float]]:
        """Round trips in ms while inside, in a thread."""
        found: list[float] = []
        ended = threading.Event()
        thread = threading.Thread(target=self._watch, args=(found, ended.is_set), name="otherroof-looks", daemon=True)
        thread.start()
        try:
            yield found
        finally:
            ended.set()
            thread.join()

    def _watch(self, found: list[float], ended: Callable[[], bool]) -> None:
        # A look that fails says no more than that there is none: what broke is told by the copy beside it.
        with contextlib.suppress(OtherroofError):
            while not ended():
                found.append(self._one())
                self._clock.sleep(LOOK_EVERY_S)


def _median_ms(found: Sequence[float], otherwise: float) -> float:
    return statistics.median(found) if found else otherwise
