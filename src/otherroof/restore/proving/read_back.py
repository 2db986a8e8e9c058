"""Reads files of one version back, many at once, and tells which are whole and which are not.

A run may go on meanwhile and move files aside, so a file is called damaged only after a new look, as in a restore. It
decides nothing about which files are read, and remembers nothing.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field

from otherroof.base.errors import PlaceError, RunCut
from otherroof.copying.context import StopRequest
from otherroof.copying.home.read import new_digest
from otherroof.far.place import Meter, Task, TaskResult
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.reader import Reader
from otherroof.restore.missed_files import MissedFiles
from otherroof.restore.proving.report import ProofProgress

# What is under way is waited for when a proof is stopped, and crosses the line for nothing if it is cut: so not much.
MOST_UNDER_WAY = 8 * 1024 * 1024  # bytes of one file that count as held
LARGE = 1024 * 1024  # bytes; after a larger one that was missed a new look is due at once
OTHER_CONTENT = "its content is not what the listing says"
OVERRUN = 1.02  # of the budget; what is planned fits it, and only a wrong estimate comes here

Heard = Callable[[Entry], None]


@dataclass(slots=True)
class WireBudget:
    """How many bytes may come over the wire, of a meter that may have counted before. `most` None: as many as it
    takes."""

    meter: Meter
    most: int | None = None
    begun: int = 0

    def __post_init__(self) -> None:
        self.begun = self.meter.wire_down

    @property
    def left(self) -> int:
        """Bytes left; a great number without a bound."""
        return (1 << 62) if self.most is None else max(0, self.most - self.used)

    @property
    def used(self) -> int:
        return self.meter.wire_down - self.begun

    def is_over(self, under_way: int = 0) -> bool:
        """Whether nothing more should be begun, with so many bytes still to come of what was."""
        return self.most is not None and self.used + under_way > self.most * OVERRUN


@dataclass(frozen=True, slots=True)
class ReadingContext:
    """Time's ticks, a way to be told to stop, the numbers for a display, and what may cross the wire."""

    stop: StopRequest
    progress: ProofProgress
    tick: Callable[[], None]
    budget: WireBudget


@dataclass(slots=True)
class ContentDigest:
    """Digests what comes, and ends the file if the proof is told to stop. Called in a place's own threads."""

    stop: StopRequest
    _digest: object = field(default_factory=new_digest)

    def take(self, data: bytes) -> None:
        """More bytes, in order. Raises RunCut."""
        why = self.stop.asked()
        if why:
            raise RunCut(why)
        self._digest.update(data)  # type: ignore[attr-defined]

    def digest(self) -> bytes:
        """The digest of all that came."""
        found: bytes = self._digest.digest()  # type: ignore[attr-defined]
        return found


_Read = tuple[Entry, ContentDigest]


class ReadBack:
    """Reads files of `reader`'s version. `whole` and `broken` hear of each as it is known; of a broken one with why."""

    def __init__(
        self, reader: Reader, context: ReadingContext, whole: Heard, broken: Callable[[Entry, str], None]
    ) -> None:
        self._reader = reader
        self._context = context
        self._whole = whole
        self._broken = broken
        self._missed = MissedFiles()
        self._again: deque[Entry] = deque()
        self._under_way = 0
        self._small_bytes = 0  # of small files under way; a large one is planned for, and may have come in part

    def read(self, files: Iterator[Entry]) -> None:
        """Read all of these, unless told to stop or the budget is used up. Raises LinkLost if the way broke."""
        while True:
            with closing(self._reader.place.carry_out(self._tasks(files), self._context.tick)) as results:
                for result in results:
                    self._arrived(result)
            if not self._missed:
                return
            again, damaged = self._missed.settle(found_newer=self._reader.look_again())
            self._again.extend(again)
            for entry, why in damaged:
                self._broken(entry, why)

    def _tasks(self, files: Iterator[Entry]) -> Iterator[Task[_Read, None] | None]:
        context = self._context
        while not self._missed.look_is_due:
            if context.stop.asked() or context.budget.is_over():
                break
            if self._under_way and context.budget.is_over(self._small_bytes):
                # Of what is under way some may have come, and then it is counted twice until that is known.
                yield None
                continue
            entry = self._again.popleft() if self._again else next(files, None)
            if entry is None:
                break
            context.progress.path = entry.path
            self._under_way += 1
            self._small_bytes += _small(entry)
            sink = ContentDigest(context.stop)
            script = self._reader.read_range(entry, 0, entry.size, sink)
            yield Task((entry, sink), script, min(entry.size, MOST_UNDER_WAY))
        while self._under_way:
            yield None

    def _arrived(self, result: TaskResult[_Read, None]) -> None:
        self._under_way -= 1
        entry, sink = result.key
        self._small_bytes -= _small(entry)
        if isinstance(result.error, RunCut):
            return
        if isinstance(result.error, PlaceError):
            self._missed.note(entry, f"cannot be had from the far box: {result.error.what}", large=entry.size > LARGE)
        elif result.error is not None:
            raise result.error
        elif sink.digest() != entry.digest:
            self._missed.note(entry, OTHER_CONTENT, large=entry.size > LARGE)
        else:
            self._context.progress.files += 1
            self._whole(entry)


def _small(entry: Entry) -> int:
    return entry.size if entry.size <= LARGE else 0
