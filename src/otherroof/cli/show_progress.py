"""Shows how far a run is: two moving lines on a terminal, a line every minute elsewhere. Only reads the numbers."""

from __future__ import annotations

import logging
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from otherroof.base.units import count_text, rate_text, size_text, span_range_text
from otherroof.far_copy.entry import path_text
from otherroof.forecast.advance import Advance, AdvanceWatch, ProgressReading

LINE_EVERY_S = 60.0
SERVICE_LINE_EVERY_S = 900.0  # a first copy takes weeks, and people read this log
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
    with show_advance(watching(look), name, quiet=quiet) as tick:
        yield tick


def watching(look: Callable[[], ProgressReading]) -> Callable[[], Advance]:
    """Gives how far something is now, by readings from here on."""
    watch = AdvanceWatch(look)
    return lambda: watch.read(time.monotonic())


@contextmanager
def show_advance(advance: Callable[[], Advance], name: str, *, quiet: bool) -> Iterator[Callable[[], None]]:
    """As `show_progress`, if it is known already how far it is, and how fast."""
    if quiet or not sys.stderr.isatty():
        yield _Lines(advance, name, quiet=quiet).tick
        return
    from rich.console import Console  # only here: a nightly run has no terminal and should not wait for it
    from rich.live import Live

    console = Console(stderr=True, highlight=False)
    view = _View(advance, name, console)
    # Looked at in a thread of its own, so that it moves also while the run waits for something.
    with Live(console=console, get_renderable=view.picture, transient=True, refresh_per_second=LOOKS_A_SECOND):
        yield _nothing


def line_a_quarter_hour(progress: Progress, name: str) -> Callable[[], None]:
    """A function to call about every second; it logs a line each quarter of an hour. For the service."""
    from otherroof.jobs.under_way.announce import run_reading

    return _Lines(watching(lambda: run_reading(progress)), name, quiet=True, every_s=SERVICE_LINE_EVERY_S).tick


def _nothing() -> None:
    """The moving display looks by itself."""


class _View:
    """The moving display: what is done and how much of it, then sizes, times and the file that is looked at."""

    def __init__(self, advance: Callable[[], Advance], name: str, console: Console) -> None:
        self._advance = advance
        self._name = name
        self._console = console

    def picture(self) -> Text:
        """Two lines, neither wider than the terminal."""
        from rich.text import Text

        advance = self._advance()
        reading = advance.reading
        width = self._console.width
        full, empty = ("━", "─") if self._console.encoding.startswith("utf") else ("#", "-")
        first = [_cut_end(f"{self._name}: {reading.stage}", min(WHOLE_NAME_CELLS, width))]
        if advance.share is not None:
            filled = round(BAR_CELLS * advance.share)
            first.append(f"{full * filled}{empty * (BAR_CELLS - filled)} {int(advance.share * 100):3} %")
        first.append(_files_text(reading))
        second = "  " + bytes_text(advance)
        room = width - len(second) - 2
        path = path_text(reading.path)
        if path and room >= LEAST_PATH_CELLS:
            second = f"{second}  {_cut_begin(path, room)}" if second.strip() else f"  {_cut_begin(path, room)}"
        lines = ["  ".join(part for part in first if part), second]
        return Text("\n".join(_cut_end(line, width) for line in lines), no_wrap=True, overflow="crop")


class _Lines:
    """A line a minute, or as often as is said."""

    def __init__(
        self, advance: Callable[[], Advance], name: str, *, quiet: bool, every_s: float = LINE_EVERY_S
    ) -> None:
        self._advance = advance
        self._name = name
        self._quiet = quiet
        self._every_s = every_s
        self._next = time.monotonic() + every_s

    def tick(self) -> None:
        advance = self._advance()
        if time.monotonic() < self._next:
            return
        self._next = time.monotonic() + self._every_s
        line = f"{self._name}: {advance_text(advance)}"
        # A service has set up its logs; by hand without a terminal (cron, a pipe) the lines go to standard error.
        if self._quiet or logging.getLogger("otherroof").handlers:
            log.info(line)
        else:
            sys.stderr.write(line + "\n")


def advance_text(advance: Advance) -> str:
    """Stage, share, files, bytes, rate and the time that is left, as far as they are known, on one line."""
    share = f"{int(advance.share * 100)} %" if advance.share is not None else ""
    told = ", ".join(part for part in (share, _files_text(advance.reading), bytes_text(advance)) if part)
    return f"{advance.reading.stage}: {told}" if told else advance.reading.stage


def bytes_text(advance: Advance) -> str:
    """Bytes, their rate over the last half minute and the time that is left, as far as they are known."""
    reading, told = advance.reading, []
    if reading.total:
        told.append(f"{size_text(reading.done)} of {size_text(reading.total)}")
    if advance.rate > 0:
        told.append(rate_text(advance.rate, 1))
    if advance.left is not None:
        told.append(f"{span_range_text(advance.left.least, advance.left.most)} left")
    return ", ".join(told)


def _files_text(reading: ProgressReading) -> str:
    if reading.files_total:
        return f"{reading.files:,} of {count_text(reading.files_total, 'file')}"
    return count_text(reading.files, "file") if reading.files else ""


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
