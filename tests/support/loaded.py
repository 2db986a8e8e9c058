"""Verbs in processes of their own that need not load anything first: each is a child of one process that has it all.

Half a second of a processor for each verb that a test waits for. What a verb does when it starts from nothing is held
elsewhere (`support/fresh_start.py`, the tests on throwaway machines); this is for verbs that are called by the dozen.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

START = "import support.loaded as loaded; loaded.serve()"
ENDED_S = 30.0


class LoadedVerbs:
    """Calls verbs one at a time. Use as a context manager; the process is made with the first verb.

    `argv` may put words in front of a command, as for another network namespace; `first` is Python that the process
    does before all else.
    """

    def __init__(self, argv: Callable[[Sequence[str]], list[str]] = list, *, first: str = "") -> None:
        self._argv = argv
        self._first = first
        self._process: subprocess.Popen[str] | None = None

    def __enter__(self) -> LoadedVerbs:
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is None:
            return
        process, self._process = self._process, None
        process.communicate(timeout=ENDED_S)

    def run(
        self, words: Sequence[str], *, timeout: float, env: dict[str, str] | None = None
    ) -> subprocess.CompletedProcess[str]:
        """`otherroof WORDS` to its end, with this process's environment or `env`. Raises TimeoutExpired, after killing
        it, if it takes over `timeout` seconds."""
        process = self._running()
        assert process.stdin is not None
        assert process.stdout is not None
        with tempfile.TemporaryDirectory(prefix="otherroof-told-") as folder:
            told = [os.path.join(folder, name) for name in ("out", "err")]
            ask = {"words": list(words), "told": told, "env": dict(os.environ) if env is None else env}
            process.stdin.write(json.dumps({**ask, "folder": os.getcwd()}) + "\n")
            process.stdin.flush()
            begun = time.monotonic()
            pid = int(process.stdout.readline())
            ready, _, _ = select.select([process.stdout], [], [], max(0.0, begun + timeout - time.monotonic()))
            if not ready:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            code = int(process.stdout.readline())
            out, err = (Path(path).read_text(encoding="utf-8", errors="replace") for path in told)
        if not ready:
            raise subprocess.TimeoutExpired(list(words), timeout, out, err)
        return subprocess.CompletedProcess(["otherroof", *words], code, out, err)

    def _running(self) -> subprocess.Popen[str]:
        if self._process is None:
            tests = str(Path(__file__).resolve().parent.parent)
            self._process = subprocess.Popen(
                self._argv([sys.executable, "-c", f"{self._first}\n{START}"]),
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                bufsize=1,
                env={**os.environ, "PYTHONPATH": tests},
            )
        return self._process


def serve() -> None:
    """The parent: for each line a child; tells its number, then how it ended, below 0 if by a signal."""
    from otherroof.cli.copy import run as _verb  # noqa: F401
    from otherroof.cli.main import main
    from otherroof.jobs import restore as _restore  # noqa: F401
    from otherroof.jobs import run as _run  # noqa: F401
    from otherroof.schedule import plan  # noqa: F401
    from otherroof.settings import last_good  # noqa: F401

    for line in sys.stdin:
        pid = os.fork()
        if pid == 0:
            _be_the_verb(json.loads(line), main)
        sys.stdout.write(f"{pid}\n")
        sys.stdout.flush()
        # Its number is let go only when it is known to have ended: it could be another process's by the time of a kill.
        _, status = os.waitpid(pid, 0)
        sys.stdout.write(f"{os.waitstatus_to_exitcode(status)}\n")
        sys.stdout.flush()


def _be_the_verb(ask: dict[str, Any], main: Callable[[list[str]], None]) -> None:
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.close(nothing)
    for number, path in enumerate(ask["told"], 1):
        file = os.open(path, os.O_WRONLY | os.O_CREAT, 0o600)
        os.dup2(file, number)
        os.close(file)
    os.environ.clear()
    os.environ.update(ask["env"])
    time.tzset()
    os.chdir(ask["folder"])
    code = 99
    try:
        main(ask["words"])
    except SystemExit as left:
        code = int(left.code or 0)
    except BaseException:  # noqa: BLE001 - as an interpreter of its own would tell it
        sys.excepthook(*sys.exc_info())
        code = 1
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(code)
