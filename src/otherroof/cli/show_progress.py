"""Shows how far a run is: two moving lines on a terminal, a line every minute elsewhere. Only reads the numbers."""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from otherroof.base.units import count_text, rate_text, size_text, span_range_text
from otherroof.far_copy.entry import path_text
from otherroof.forecast.pace import RecentPace

LINE_EVERY_S = 60.0
LOOKS_A_SECOND = 2
BAR_CELLS = 20
LEAST_PATH_CELLS = 12  # a shorter end of a path tells nobody anything
WHOLE_NAME_CELLS = 36  # of a job's name and its stage, which leaves room for the bar on 80 columns

if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

    from otherroof.copying.progress import Progress
    from otherroof.restore.progress import RestoreProgress
    from otherroof.restore.proving.report import ProofProgress

log = logging.getLogger("otherroof.progress")


@dataclass(frozen=True, slots=True)
class ProgressReading:
    """How far something is at this moment; totals are 0 while they are not known. Sizes are in bytes."""

    stage: str
    files: int
    files_total: int
    done: int
    total: int
    path: bytes


def run_progress(progress: Progress) -> ProgressReading:
    """A run's progress."""
    return ProgressReading(
        progress.stage, progress.files, progress.files_total, progress.landed, progress.bytes_total, progress.path
    )


def restore_progress(progress: RestoreProgress) -> ProgressReading:
    """A restore's progress."""
    return ProgressReading(
        "restoring", progress.files, progress.files_total, progress.meter.drawn, progress.bytes_total, progress.path
    )


def proof_progress(progress: ProofProgress) -> ProgressReading:
    """A proof's progress."""
    return ProgressReading(
        progress.stage, progress.files, progress.files_total, progress.meter.drawn, progress.bytes_total, progress.path
    )


@contextmanager
def show_progress(look: Callable[[], ProgressReading], name: str, *, quiet: bool) -> Iterator[Callable[[], None]]:
    """While inside, show how far job `name` is; gives the function to call about every second."""
    if quiet or not sys.stderr.isatty():
        yield _Lines(look, name, quiet=quiet).tick
        return
    from rich.console import Console  # only here: a nightly run has no terminal and should not wait for it
    from rich.live import Live

    console = Console(stderr=True, highlight=False)
    view = _View(look, name, console)
    # Looked at in a thread of its own, so that it moves also while the run waits for something.
    with Live(console=console, get_renderable=view.picture, transient=True, refresh_per_second=LOOKS_A_SECOND):
        yield _nothing


def line_a_minute(progress: Progress, name: str) -> Callable[[], None]:
    """A function to call about every second; it logs a line a minute. For the service."""
    return _Lines(lambda: run_progress(progress), name, quiet=True).tick


def _nothing() -> None:
    """The moving display looks by itself."""


class _Watched:
    """Readings one after the other, and the pace of the stage that they show."""

    def __init__(self, look: Callable[[], ProgressReading]) -> None:
        self._look = look
        self._stage = ""
        self.pace = RecentPace()

    def read(self) -> ProgressReading:
        reading = self._look()
        if reading.stage != self._stage:
            self._stage = reading.stage
            self.pace.begin()
        self.pace.look(time.monotonic(), reading.done if reading.total else reading.files)
        return reading


class _View:
    """The moving display: what is done and how much of it, then sizes, times and the file that is looked at."""

    def __init__(self, look: Callable[[], ProgressReading], name: str, console: Console) -> None:
        self._watched = _Watched(look)
        self._name = name
        self._console = console

    def picture(self) -> Text:
        """Two lines, neither wider than the terminal."""
        from rich.text import Text

        reading = self._watched.read()
        width = self._console.width
        full, empty = ("━", "─") if self._console.encoding.startswith("utf") else ("#", "-")
        first = [_cut_end(f"{self._name}: {reading.stage}", min(WHOLE_NAME_CELLS, width))]
        share = _share(reading)
        if share is not None:
            filled = round(BAR_CELLS * share)
            first.append(f"{full * filled}{empty * (BAR_CELLS - filled)} {int(share * 100):3} %")
        first.append(_files_text(reading))
        second = "  " + bytes_text(reading, self._watched.pace)
        room = width - len(second) - 2
        path = path_text(reading.path)
        if path and room >= LEAST_PATH_CELLS:
            second = f"{second}  {_cut_begin(path, room)}" if second.strip() else f"  {_cut_begin(path, room)}"
        lines = ["  ".join(part for part in first if part), second]
        return Text("\n".join(_cut_end(line, width) for line in lines), no_wrap=True, overflow="crop")


class _Lines:
    """A line a minute."""

    def __init__(self, look: Callable[[], ProgressReading], name: str, *, quiet: bool) -> None:
        self._watched = _Watched(look)
        self._name = name
        self._quiet = quiet
        self._next = time.monotonic() + LINE_EVERY_S

    def tick(self) -> None:
        reading = self._watched.read()
        if time.monotonic() < self._next:
            return
        self._next = time.monotonic() + LINE_EVERY_S
        line = f"{self._name} {reading.stage}: {progress_text(reading, self._watched.pace)}"
        # A service has set up its logs; by hand without a terminal (cron, a pipe) the lines go to standard error.
        if self._quiet or logging.getLogger("otherroof").handlers:
            log.info(line)
        else:
            sys.stderr.write(line + "\n")


def progress_text(reading: ProgressReading, pace: RecentPace) -> str:
    """Files, bytes, rate and the time that is left, as far as they are known."""
    return ", ".join(part for part in (_files_text(reading), bytes_text(reading, pace)) if part)


def bytes_text(reading: ProgressReading, pace: RecentPace) -> str:
    """Bytes, their rate over the last half minute and the time that is left, as far as they are known."""
    if not reading.total:
        return _left_text(reading.files_total - reading.files, pace)
    told = [f"{size_text(reading.done)} of {size_text(reading.total)}"]
    if pace.gained() > 0:
        told.append(rate_text(pace.gained(), pace.seconds))
    told.append(_left_text(reading.total - reading.done, pace))
    return ", ".join(part for part in told if part)


def _left_text(remaining: float, pace: RecentPace) -> str:
    left = pace.left(remaining) if remaining > 0 else None
    return f"{span_range_text(left.least, left.most)} left" if left is not None else ""


def _files_text(reading: ProgressReading) -> str:
    if reading.files_total:
        return f"{reading.files:,} of {count_text(reading.files_total, 'file')}"
    return count_text(reading.files, "file") if reading.files else ""


def _share(reading: ProgressReading) -> float | None:
    done, total = (reading.done, reading.total) if reading.total else (reading.files, reading.files_total)
    return min(1.0, done / total) if total else None


def _cut_end(text: str, cells: int) -> str:
    """`text`, or so much of its beginning as fits into `cells` columns."""
    from rich.cells import cell_len

    if cell_len(text) <= cells:
        return text
    while text and cell_len(text) > cells - 1:
        text = text[:-1]
    return text + "…"


def _cut_begin(text: str, cells: int) -> str:
    """`text`, or so much of its end as fits into `cells` columns: a path's end says more than its beginning."""
    from rich.cells import cell_len

    if cell_len(text) <= cells:
        return text
    while text and cell_len(text) > cells - 1:
        text = text[1:]
    return "…" + text
