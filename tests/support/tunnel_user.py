"""A tunnel that several processes can share in a test, and a process that uses it and can be killed at any instant.

This file is run as a program too: `python -m support.tunnel_user LINGER_S ACCOUNT` does, in the folder where it stands,
what it is told line by line.
"""

from __future__ import annotations

import fcntl
import os
import select
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from zoneinfo import ZoneInfo

from otherroof.base.clock import Clock, SystemClock
from otherroof.base.errors import OtherroofError, TunnelTrouble
from otherroof.tunnel.marks import boot_id
from otherroof.tunnel.port import TunnelState
from otherroof.tunnel.sharing import SharedTunnel

PATIENCE_S = 30.0
WAIT_S = 20.0


class FolderTunnel:
    """A tunnel whose whole truth lies in a folder, seen alike by every process.

    `hold` makes up or down stop in the middle until `let_go`; `refuse` makes it fail. Two at a time is an error.
    """

    name = "folder"
    look_s = 10.0

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def up(self) -> None:
        with self._step("up"):
            (self._folder / "stands").touch()

    def down(self) -> None:
        with self._step("down"):
            (self._folder / "stands").unlink(missing_ok=True)

    def state(self) -> TunnelState:
        return TunnelState(self.is_up, counted=True, handshake_age_s=5.0)

    @property
    def is_up(self) -> bool:
        return (self._folder / "stands").exists()

    def count(self, step: str) -> int:
        """How often up or down was begun, by anybody."""
        path = self._folder / "steps"
        return path.read_text().split().count(step) if path.exists() else 0

    def hold(self, step: str) -> None:
        (self._folder / f"hold-{step}").touch()

    def let_go(self, step: str) -> None:
        (self._folder / f"hold-{step}").unlink()

    def refuse(self, step: str) -> None:
        (self._folder / f"refuse-{step}").touch()

    def allow(self, step: str) -> None:
        (self._folder / f"refuse-{step}").unlink()

    @contextmanager
    def _step(self, step: str) -> Iterator[None]:
        with open(self._folder / "busy", "a") as busy, open(self._folder / "steps", "a") as steps:
            try:
                fcntl.flock(busy, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                raise AssertionError("up and down at the same time") from None
            steps.write(f"{step}\n")
            steps.flush()
            until = time.monotonic() + PATIENCE_S
            while (self._folder / f"hold-{step}").exists():
                assert time.monotonic() < until, "nobody let go"
                time.sleep(0.01)
            if (self._folder / f"refuse-{step}").exists():
                raise TunnelTrouble(f"cannot go {step}", where=self.name)
            yield


def use_of(folder: Path, clock: Clock, *, linger_s: float = 60.0, stay_up: bool = False) -> SharedTunnel:
    """One use of the tunnel in `folder`."""
    path = str(folder / "state" / "garden")
    return SharedTunnel(FolderTunnel(folder), path, clock, ZoneInfo("UTC"), stay_up=stay_up, linger_s=linger_s)


class TunnelUser:
    """A process of its own with one use. Use as a context manager; it is killed at the end.

    Words: take, leave, linger (leave, and let it linger), sweep, session N. Each has one line of answer. `account` is
    the number of the account that it runs as; 0 for that of the test.
    """

    def __init__(self, folder: Path, linger_s: float = 60.0, account: int = 0) -> None:
        environ = {"PYTHONPATH": str(Path(__file__).resolve().parents[1])}
        argv = [sys.executable, "-m", "support.tunnel_user", str(linger_s), str(account)]
        pipe = subprocess.PIPE
        self.process = subprocess.Popen(argv, stdin=pipe, stdout=pipe, text=True, env=environ, cwd=folder)

    def __enter__(self) -> TunnelUser:
        return self

    def __exit__(self, *_: object) -> None:
        self.kill()
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.process.stdin.close()
        self.process.stdout.close()

    def begin(self, word: str) -> None:
        """Tell it what to do, and do not wait for it."""
        assert self.process.stdin is not None
        self.process.stdin.write(word + "\n")
        self.process.stdin.flush()

    def answer(self) -> str:
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, "it ended early; its words are on standard error"
        return line.strip()

    def waits(self) -> bool:
        """Whether it has been told something and does not come to an answer, as far as half a second can tell."""
        return not select.select([self.process.stdout], [], [], 0.5)[0]

    def do(self, word: str) -> str:
        self.begin(word)
        return self.answer()

    def kill(self) -> None:
        """SIGKILL; the process is gone when this returns."""
        self.process.kill()
        self.process.wait(10)


def wait_until(what: str, holds: Callable[[], bool]) -> None:
    """Wait until `holds()` is true."""
    end = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < end, f"it never was: {what}"
        time.sleep(0.01)


def _obey(shared: SharedTunnel, word: str) -> str:
    match word.split():
        case ["take"]:
            return "up" if shared.take(WAIT_S).up else "down"
        case ["leave"]:
            return str(shared.leave(linger=False))
        case ["linger"]:
            return str(shared.leave(linger=True))
        case ["sweep"]:
            return str(shared.sweep())
        case ["session", number]:
            shared.begin_session(lambda: int(number))
            return str(shared.session())
    raise AssertionError(f"nobody knows the word {word}")


def main(linger_s: str, account: str) -> None:
    """Obey until the input ends."""
    shared = use_of(Path(), SystemClock(), linger_s=float(linger_s))
    if int(account):  # only once it stands in its folder and has all loaded, where that account may not pass
        boot_id()
        os.umask(0)
        os.setgroups([])
        os.setgid(int(account))
        os.setuid(int(account))
    for line in sys.stdin:
        try:
            answer = _obey(shared, line)
        except OtherroofError as problem:
            answer = f"{type(problem).__name__}: {problem}"
        print(answer, flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
