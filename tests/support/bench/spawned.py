"""Starts a program, waits for it, and writes what the kernel counted for it to a pipe.

A process of its own, run as `python -I -S spawned.py PIPE ARGV…`, because a child's peak memory as the kernel keeps it
(getrusage(2), ru_maxrss) begins with that of the process it was forked from: this one is small, a benchmark is not.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time


def main(pipe: int, argv: list[str]) -> None:
    """Run `argv` to its end; write code, seconds, processor seconds and peak bytes to `pipe` as JSON."""
    begun = time.monotonic()
    child = subprocess.Popen(argv)
    _, status, usage = os.wait4(child.pid, 0)
    seconds = time.monotonic() - begun
    child.returncode = os.waitstatus_to_exitcode(status)
    told = {
        "code": child.returncode,
        "seconds": seconds,
        "processor_s": usage.ru_utime + usage.ru_stime,
        "peak_bytes": usage.ru_maxrss * 1024,
    }
    os.write(pipe, json.dumps(told).encode())


if __name__ == "__main__":
    main(int(sys.argv[1]), sys.argv[2:])
