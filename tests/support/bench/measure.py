"""Measures a child process from outside: wall time, processor time, peak memory; and how busy the machine was.

Knows nothing of what the child does.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Sequence
from dataclasses import dataclass

from support.bench import spawned
from support.lab.ownership import descendants

LOOK_S = 0.1


@dataclass(frozen=True)
class Measured:
    """One child, from its start to its end.

    `peak_bytes` is the largest resident set of the process itself, as the kernel kept it (getrusage(2), ru_maxrss; not
    under the 10 MB of the process that starts it); `family_bytes` the largest sum over it and its descendants, looked
    at ten times a second (shared pages are counted once for each), and never less than `peak_bytes`.
    """

    code: int
    seconds: float
    processor_s: float
    peak_bytes: int
    family_bytes: int
    output: str
    errors: str


def measure(argv: Sequence[str], *, wait_s: float) -> Measured:
    """Run `argv` to its end and measure it. Raises TimeoutError, after killing it, when it takes over `wait_s`."""
    ours, theirs = os.pipe()
    with open(ours, "rb") as told:
        starter = [sys.executable, "-I", "-S", spawned.__file__, str(theirs), *argv]
        with subprocess.Popen(
            starter, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, pass_fds=(theirs,)
        ) as child:
            os.close(theirs)
            family = _FamilyWatch(child.pid)
            try:
                output, errors = child.communicate(timeout=wait_s)
            except subprocess.TimeoutExpired:
                _kill_family(child.pid)
                raise TimeoutError(f"{' '.join(argv)} took over {wait_s:.0f} s") from None
            finally:
                family.stop()
        counted = json.loads(told.read())
    return Measured(
        family_bytes=max(family.peak, counted["peak_bytes"]),
        output=output.decode(errors="replace"),
        errors=errors.decode(errors="replace"),
        **counted,
    )


def _kill_family(pid: int) -> None:
    for one in (*descendants(pid), pid):
        with contextlib.suppress(ProcessLookupError):
            os.kill(one, signal.SIGKILL)


class _FamilyWatch(threading.Thread):
    """Looks again and again at the memory of what the process `starter` started."""

    def __init__(self, starter: int) -> None:
        super().__init__(daemon=True)
        self._starter = starter
        self._end = threading.Event()
        self.peak = 0
        self.start()

    def run(self) -> None:
        while not self._end.wait(LOOK_S):
            self.peak = max(self.peak, sum(map(_resident, descendants(self._starter))))

    def stop(self) -> None:
        self._end.set()
        self.join(10)


def _resident(pid: int) -> int:
    with contextlib.suppress(OSError), open(f"/proc/{pid}/statm", encoding="ascii") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    return 0


class MachineWatch:
    """How busy all processors were between two looks, from proc(5) /proc/stat."""

    def __init__(self) -> None:
        self._busy, self._all = _ticks()

    def busy_share(self) -> float:
        """The share of processor time that was not idle since this was made."""
        busy, total = _ticks()
        return (busy - self._busy) / max(1, total - self._all)


def _ticks() -> tuple[int, int]:
    with open("/proc/stat", encoding="ascii") as file:
        ticks = [int(word) for word in file.readline().split()[1:9]]
    return sum(ticks) - ticks[3] - ticks[4], sum(ticks)
