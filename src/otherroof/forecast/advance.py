"""How far some work is at a moment: its share, its rate over the last half minute, and the time left as a range.

The one place where these are reckoned, for the display, the log and every other process that asks. It knows no clock
and no copy: whoever looks gives the moment and the numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from otherroof.forecast.pace import RecentPace, TimeLeft


@dataclass(frozen=True, slots=True)
class ProgressReading:
    """How far something is at this moment; totals are 0 while they are not known. Sizes are in bytes."""

    stage: str
    files: int
    files_total: int
    done: int
    total: int
    path: bytes = b""


@dataclass(frozen=True, slots=True)
class Advance:
    """A reading, and what the looks before it say: `rate` is in bytes a second, 0 if no bytes are counted or none
    came; `left` is None as long as it cannot be known."""

    reading: ProgressReading
    rate: float = 0.0
    left: TimeLeft | None = None

    @property
    def share(self) -> float | None:
        """From 0 to 1, by bytes if they are counted, else by files; None while no total is known."""
        one = self.reading
        done, total = (one.done, one.total) if one.total else (one.files, one.files_total)
        return min(1.0, done / total) if total else None


class AdvanceWatch:
    """Readings one after the other, and the pace of the stage that they show."""

    def __init__(self, look: Callable[[], ProgressReading]) -> None:
        self._look = look
        self._stage = ""
        self._pace = RecentPace()

    def read(self, moment: float) -> Advance:
        """How far it is at `moment`, in seconds on a clock that nobody sets."""
        reading = self._look()
        if reading.stage != self._stage:
            self._stage = reading.stage
            self._pace.begin()
        pace = self._pace
        pace.look(moment, reading.done if reading.total else reading.files)
        remaining = reading.total - reading.done if reading.total else reading.files_total - reading.files
        rate = pace.gained() / pace.seconds if reading.total and pace.seconds else 0.0
        return Advance(reading, rate, pace.left(remaining) if remaining > 0 else None)
