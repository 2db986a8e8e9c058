"""Whether the settings files have changed since they were read, told from what the file system says of each.

It must not know what stands in them: that is for the reader, who is asked to read again.
"""

from __future__ import annotations

import os

from otherroof.base.clock import Clock
from otherroof.settings.reader import JOBS_FOLDER, MAIN_FILE, job_files

# Whoever writes several files, or one slowly, is not read half-way.
STEADY_S = 5.0

FileMark = tuple[str, int, int, int, int]


def files_as_they_are(folder: str) -> tuple[FileMark, ...]:
    """Path, number, size and times of every file that the reader would read; one that is not there has no mark."""
    try:
        jobs = job_files(folder)
    except OSError:
        jobs = []  # the reader says why; here it is enough that the marks are others then
    paths = [os.path.join(folder, MAIN_FILE), os.path.join(folder, JOBS_FOLDER), *jobs]
    return tuple(mark for path in paths if (mark := _mark(path)) is not None)


def newest_change(folder: str) -> float:
    """When one of the files was last written, given other rights or another name, in Unix time; 0 if none is there."""
    return max((ctime / 1e9 for *_, ctime in files_as_they_are(folder)), default=0.0)


class SettingsFiles:
    """The files of one settings folder, and how they were when they were last read. Used by one thread."""

    def __init__(self, folder: str, clock: Clock) -> None:
        self._folder = folder
        self._clock = clock
        self._read = self._seen = files_as_they_are(folder)
        self._still_since = clock.monotonic()

    def note_read(self) -> None:
        """They are about to be read. Before, not after: what changes meanwhile is then read once more."""
        self._read = files_as_they_are(self._folder)

    def due_in_s(self) -> float | None:
        """In how many seconds they are to be read again, 0: now; None if they are as they were read."""
        now, seen = self._clock.monotonic(), files_as_they_are(self._folder)
        if seen != self._seen:
            self._seen, self._still_since = seen, now
        return None if seen == self._read else max(0.0, self._still_since + STEADY_S - now)


def _mark(path: str) -> FileMark | None:
    try:
        found = os.stat(path)
    except OSError:
        return None
    return path, found.st_ino, found.st_size, found.st_mtime_ns, found.st_ctime_ns
