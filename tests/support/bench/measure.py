"""Measures a child process from outside: wall time, processor time, peak memory; and how busy the machine was.

Knows nothing of what the child does.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass

from support.lab.ownership import descendants

LOOK_S = 0.1


@dataclass(frozen=True)
class Measured:
    """One child, from its start to its end.

    `peak_bytes` is the largest resident set of the process itself, as the kernel kept it (getrusage(2), ru_maxrss);
    `family_bytes` the largest sum over it and all its descendants, looked at ten times a second (shared pages are
    counted once for each).
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
    begun = time.monotonic()
    child = subprocess.Popen(list(argv), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    family = _FamilyWatch(child.pid)
    gone = threading.Event()
    killer = threading.Timer(wait_s, child.kill)
    killer.start()
    texts = [_Drain(child.stdout), _Drain(child.stderr)]
    try:
        _, status, usage = os.wait4(child.pid, 0)
        seconds = time.monotonic() - begun
        child.returncode = os.waitstatus_to_exitcode(status)
    finally:
        killer.cancel()
        gone.set()
        family.stop()
    output, errors = (drain.text() for drain in texts)
    if seconds >= wait_s:
        raise TimeoutError(f"{' '.join(argv)} took over {wait_s:.0f} s")
    return Measured(
        code=child.returncode,
        seconds=seconds,
        processor_s=usage.ru_utime + usage.ru_stime,
        peak_bytes=usage.ru_maxrss * 1024,
        family_bytes=max(family.peak, usage.ru_maxrss * 1024),
        output=output,
        errors=errors,
    )


class _Drain(threading.Thread):
    def __init__(self, stream: object) -> None:
        super().__init__(daemon=True)
        self._stream = stream
        self._text = b""
        self.start()

    def run(self) -> None:
        with self._stream as stream:  # type: ignore[attr-defined]
            self._text = stream.read()

    def text(self) -> str:
        self.join(10)
        return self._text.decode(errors="replace")


class _FamilyWatch(threading.Thread):
    def __init__(self, pid: int) -> None:
        super().__init__(daemon=True)
        self._pid = pid
        self._end = threading.Event()
        self.peak = 0
        self.start()

    def run(self) -> None:
        while not self._end.wait(LOOK_S):
            self.peak = max(self.peak, sum(map(_resident, (self._pid, *descendants(self._pid)))))

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
