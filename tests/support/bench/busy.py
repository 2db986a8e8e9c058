"""Programs that keep the processor busy for as long as something is measured."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator


@contextlib.contextmanager
def busy_programs(count: int, nice: int = 0) -> Iterator[None]:
    """So many of them, shared out among the processors."""
    argv = ["nice", "-n", str(nice), sys.executable, "-I", "-S", "-c", "while True: pass"]
    programs = [subprocess.Popen(argv) for _ in range(count)]
    try:
        for number, program in enumerate(programs):
            os.sched_setaffinity(program.pid, {number % (os.cpu_count() or 1)})
        yield
    finally:
        for program in programs:
            program.kill()
            program.wait(10)
