"""Shows how far a run is: a moving display on a terminal, a line every minute elsewhere. Only reads the numbers."""

from __future__ import annotations

import logging
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

from otherroof.base.units import rate_text, size_text, span_text
from otherroof.far_copy.entry import path_text

LINE_EVERY_S = 60.0
RATE_OVER_S = 10.0

if TYPE_CHECKING:
    from rich.progress import Progress as Display
    from rich.progress import TaskID

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
    from rich.progress import BarColumn, TextColumn
    from rich.progress import Progress as Display

    console = Console(stderr=True, no_color=True if os.environ.get("NO_COLOR") else None, highlight=False)
    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(24),
        TextColumn("{task.fields[told]}", markup=False),
    )
    with Display(*columns, console=console, transient=True) as display:
        view = _View(look, name, display, display.add_task(name, total=None, told=""))
        yield view.tick


def line_a_minute(progress: Progress, name: str) -> Callable[[], None]:
    """A function to call about every second; it logs a line a minute. For the service."""
    return _Lines(lambda: run_progress(progress), name, quiet=True).tick


class _Rate:
    """The mean rate over the last seconds."""

    def __init__(self) -> None:
        self._seen: list[tuple[float, int]] = []

    def over(self, count: int) -> tuple[int, float]:
        """Bytes and seconds since the oldest look that still counts."""
        now = time.monotonic()
        self._seen = [look for look in self._seen if now - look[0] < RATE_OVER_S] + [(now, count)]
        first = self._seen[0]
        return count - first[1], now - first[0]


class _View:
    """The moving display."""

    def __init__(self, look: Callable[[], ProgressReading], name: str, display: Display, task: TaskID) -> None:
        self._look = look
        self._name = name
        self._display = display
        self._task = task
        self._rate = _Rate()

    def tick(self) -> None:
        reading = self._look()
        total = reading.total or reading.files_total or None
        done = reading.done if reading.total else reading.files
        text = progress_text(reading, self._rate)
        path = path_text(reading.path)
        self._display.update(
            self._task,
            description=f"{self._name} {reading.stage}",
            total=total,
            completed=min(done, total) if total else None,
            told=f"{text}  {path[-40:]}" if path else text,
        )


class _Lines:
    """A line a minute."""

    def __init__(self, look: Callable[[], ProgressReading], name: str, *, quiet: bool) -> None:
        self._look = look
        self._name = name
        self._quiet = quiet
        self._next = time.monotonic() + LINE_EVERY_S
        self._rate = _Rate()

    def tick(self) -> None:
        if time.monotonic() < self._next:
            return
        self._next = time.monotonic() + LINE_EVERY_S
        reading = self._look()
        line = f"{self._name} {reading.stage}: {progress_text(reading, self._rate)}"
        # A service has set up its logs; by hand without a terminal (cron, a pipe) the lines go to standard error.
        if self._quiet or logging.getLogger("otherroof").handlers:
            log.info(line)
        else:
            sys.stderr.write(line + "\n")


def progress_text(look: ProgressReading, rate: _Rate) -> str:
    """Files, bytes, rate and the time that is left, as far as they are known."""
    parts = []
    if look.files_total:
        parts.append(f"{look.files}/{look.files_total} files")
    elif look.files:
        parts.append(f"{look.files} files")
    if look.total:
        parts.append(f"{size_text(look.done)} of {size_text(look.total)}")
        count, seconds = rate.over(look.done)
        parts.append(rate_text(count, seconds))
        if count > 0 and look.total > look.done:
            parts.append(f"{span_text((look.total - look.done) * seconds / count)} left")
    return ", ".join(parts)
