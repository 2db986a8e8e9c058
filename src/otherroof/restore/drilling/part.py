"""A part of a version as if it were the whole: what a drill restores, with a note of each byte and file as it comes.

It is a reader like any other, in front of the version's own. It does not choose the part, and knows no layout.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence

from otherroof.base.clock import Clock
from otherroof.far.requests import Script, Sink
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.reader import FarLocation, Reader
from otherroof.far_copy.view import FarCopyView
from otherroof.forecast.restore_time import Piece

STEP_S = 0.1
# A shorter piece says more about the moment than about the line; more of them say nothing new.
LEAST_PIECE_S = 0.5
MOST_PIECES = 12


class Pace:
    """How files and bytes came in, by the clock. May be told from several threads."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._begun: float | None = None
        self._steps: dict[int, tuple[int, int]] = {}
        self._large: set[bytes] = set()

    def begin(self) -> None:
        """The first request goes out now; later calls change nothing."""
        with self._lock:
            if self._begun is None:
                self._begun = self._clock.monotonic()

    def note(self, files: int, size: int) -> None:
        """So many files and bytes have just come."""
        now = self._clock.monotonic()
        with self._lock:
            begun = self._begun = now if self._begun is None else self._begun
            step = int((now - begun) / STEP_S)
            before = self._steps.get(step, (0, 0))
            self._steps[step] = (before[0] + files, before[1] + size)

    def note_large(self, path: bytes) -> None:
        """A part of this large file has come; it counts as one file with its first."""
        with self._lock:
            known = path in self._large
            self._large.add(path)
        if not known:
            self.note(1, 0)

    def pieces(self) -> list[Piece]:
        """What came, in pieces of equal time from the first request until now."""
        with self._lock:
            steps, begun = dict(self._steps), self._begun
        if begun is None or not steps:
            return []
        whole = max(self._clock.monotonic() - begun, (max(steps) + 1) * STEP_S)
        count = max(1, min(MOST_PIECES, int(whole / LEAST_PIECE_S)))
        files, sizes = [0] * count, [0] * count
        for step, (came, size) in steps.items():
            place = min(count - 1, int((step + 0.5) * STEP_S / whole * count))
            files[place] += came
            sizes[place] += size
        return [Piece(whole / count, *both) for both in zip(files, sizes, strict=True)]


class _NotingSink:
    """Hands on what comes, and notes it."""

    def __init__(self, sink: Sink, pace: Pace) -> None:
        self._sink = sink
        self._pace = pace

    def take(self, data: bytes) -> None:
        self._sink.take(data)
        self._pace.note(0, len(data))


class TimedReader:
    """A reader that notes the pace of what comes, and shows of a version only `chosen` entries and the folders above
    them; all of it if that is None.

    Of a part, small files come before large ones, so that the pace tells what a file costs and what a byte.
    """

    def __init__(self, whole: Reader, pace: Pace, chosen: Sequence[Entry] | None = None) -> None:
        self.place = whole.place
        self.header = whole.header
        self.unlisted = whole.unlisted
        self._whole = whole
        self._pace = pace
        self._part: list[Entry] | None = None
        if chosen is not None:
            above = {path for entry in chosen for path in _above(entry.path)}
            folders = [entry for entry in whole.entries() if entry.kind == "folder" and entry.path in above]
            self._part = folders + sorted(chosen, key=lambda entry: (entry.size, entry.path))

    def entries(self) -> Iterator[Entry]:
        """All entries; of a part the folders in byte order of the path, then everything else by size."""
        return iter(self._part) if self._part is not None else self._whole.entries()

    def look(self, view: FarCopyView) -> bool:
        return self._whole.look(view)

    def look_again(self) -> bool:
        return self._whole.look_again()

    def lies_at(self, path: bytes) -> FarLocation:
        return self._whole.lies_at(path)

    # The version's own script is made here, in the caller's thread as its port asks; only what is noted runs elsewhere.

    def read_whole(self, entry: Entry) -> Script[bytes]:
        return self._noting_whole(self._whole.read_whole(entry))

    def read_range(self, entry: Entry, offset: int, length: int, sink: Sink) -> Script[None]:
        script = self._whole.read_range(entry, offset, length, _NotingSink(sink, self._pace))
        return self._noting_range(entry.path, script)

    def _noting_whole(self, script: Script[bytes]) -> Script[bytes]:
        self._pace.begin()
        data = yield from script
        self._pace.note(1, len(data))
        return data

    def _noting_range(self, path: bytes, script: Script[None]) -> Script[None]:
        self._pace.begin()
        yield from script
        self._pace.note_large(path)

    def close(self) -> None:
        """Nothing: whoever opened the whole version closes it."""


def _above(path: bytes) -> Iterator[bytes]:
    at = path.rfind(b"/")
    while at > 0:
        path = path[:at]
        yield path
        at = path.rfind(b"/")
