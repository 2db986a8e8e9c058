"""The command line in a process that can be killed at any moment.

Each run is a child of one process that has everything loaded already, so that a kill falls into the run's work and not
into its start. The network rungs are left out for the same reason. This file is run as a program too.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path

START = "import support.killable as k; k.serve()"


class Once(threading.Timer):
    """Does a deed once something has come about; not by the clock, so that it falls among the work on any machine."""

    def __init__(self, come: Callable[[], bool], deed: Callable[[], None]) -> None:
        super().__init__(0, deed)
        self._come = come

    def run(self) -> None:
        """See threading.Timer."""
        while not self.finished.wait(0.005):
            if self._come():
                self.function()
                return


class Killable:
    """Starts runs, one at a time. Use as a context manager."""

    def __init__(self, told: Path, start: str = START) -> None:
        """What the runs say goes into the file `told`. `start` is what the process does that makes them: at least
        call `serve`."""
        self._told = told
        self._start = start
        self._began = 0.0

    def __enter__(self) -> Killable:
        tests = str(Path(__file__).resolve().parent.parent)
        self._process = subprocess.Popen(
            [sys.executable, "-c", self._start, str(self._told)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": tests},
            start_new_session=True,
        )
        return self

    def __exit__(self, *_: object) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(60)
        self._process.stdout.close()

    def start(self, argv: Sequence[str]) -> int:
        """Begin a run; answers its process."""
        self._say(json.dumps(list(argv)))
        pid = int(self._line())
        self._began = time.monotonic()
        return pid

    def end(self, before_reaping: Callable[[], None] = lambda: None) -> tuple[int, float]:
        """Wait for its end: exit code, negative if a signal ended it, and the seconds it took.

        `before_reaping` is called as long as nobody else can have its number.
        """
        self._line()
        seconds = time.monotonic() - self._began
        before_reaping()
        self._say("reap")
        return int(self._line()), seconds

    def end_after(self, timer: threading.Timer) -> tuple[int, float]:
        """The same, once `timer` has done its deed or is called off because the run was quicker."""
        self._line()
        seconds = time.monotonic() - self._began
        timer.cancel()
        timer.join()
        self._say("reap")
        return int(self._line()), seconds

    def kill(self, pid: int) -> None:
        """SIGKILL, unless it has ended by itself. Its number is let go only when `end` is asked for."""
        os.kill(pid, signal.SIGKILL)

    def _say(self, line: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(line + "\n")
        self._process.stdin.flush()

    def _line(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline()
        assert line, f"the parent of the runs ended: see {self._told}"
        return line


def verb() -> Callable[[list[str]], None]:
    """The command line, with all loaded that the verb `run` would import when it is at work."""
    from otherroof.cli.copy import run as _verb  # noqa: F401
    from otherroof.cli.main import main
    from otherroof.schedule import plan  # noqa: F401
    from otherroof.settings import last_good  # noqa: F401
    from support.commits import wait_for_short_commits
    from support.main_job import level_way

    wait_for_short_commits()

    def carry_out(argv: list[str]) -> None:
        with level_way():
            main(argv)

    return carry_out


def serve(load: Callable[[], Callable[[list[str]], None]] = verb) -> None:
    """The parent: for each line of arguments a child; tells its number, then, told to reap it, how it ended.

    `load` is called before any child is made, and answers what a child does with its arguments.
    """
    carry_out = load()
    told = open(sys.argv[1], "ab", buffering=0)  # noqa: SIM115 - for the life of this process
    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            os.dup2(told.fileno(), 1)
            os.dup2(told.fileno(), 2)
            os.close(0)
            try:
                carry_out(json.loads(line))
            except SystemExit as left:
                sys.stdout.flush()
                sys.stderr.flush()
                os._exit(int(left.code or 0))
            os._exit(99)
        sys.stdout.write(f"{pid}\n")
        sys.stdout.flush()
        # Its number is not let go before the caller says so: it could be another process's by the time of a kill.
        os.waitid(os.P_PID, pid, os.WEXITED | os.WNOWAIT)
        sys.stdout.write("ended\n")
        sys.stdout.flush()
        sys.stdin.readline()
        _, status = os.waitpid(pid, 0)
        sys.stdout.write(f"{os.waitstatus_to_exitcode(status)}\n")
        sys.stdout.flush()
