"""A person at a terminal: reads all that a program shows, and waits for each of its questions before answering it."""

from __future__ import annotations

import os
import re
import select
import subprocess
import time
from collections.abc import Mapping, Sequence

_ESCAPES = re.compile("\x1b[^a-zA-Z]*[a-zA-Z]")


class Terminal:
    """A program at a terminal of its own; whoever looks waits at most `wait_s` seconds. Close it at the end."""

    def __init__(self, argv: Sequence[str], *, env: Mapping[str, str] | None = None, wait_s: float = 60.0) -> None:
        self._wait_s = wait_s
        self._screen = ""
        self._ours, theirs = os.openpty()
        self.process = subprocess.Popen(list(argv), stdin=theirs, stdout=theirs, stderr=theirs, env=env)
        os.close(theirs)

    @property
    def came(self) -> int:
        """How much has come until now, for `text` and `shows`."""
        return len(self._screen)

    def text(self, since: int = 0) -> str:
        """What stood on the screen, or what came `since` then, without colours and the like."""
        return _ESCAPES.sub("", self._screen[since:]).replace("\r\n", "\n")

    def shows(self, words: str, since: int = 0) -> str:
        """Wait until it shows something, and give all that it shows."""
        end = time.monotonic() + self._wait_s
        while words not in self.text(since):
            assert self._read(end, repr(words)), f"it ended before {words!r}:\n{self.text()}"
        return self.text()

    def type(self, line: str) -> None:
        """Answer with a line."""
        os.write(self._ours, f"{line}\n".encode())

    def ended(self) -> int:
        """Wait for the program's end; its exit code."""
        end = time.monotonic() + self._wait_s
        while self._read(end, "end"):
            pass
        return self.process.wait(max(1.0, end - time.monotonic()))

    def close(self) -> None:
        """End the program if it goes on."""
        self.process.kill()
        self.process.wait(10)
        os.close(self._ours)

    def _read(self, end: float, wanted: str) -> bool:
        """Wait for more; false if nobody is at the other end any more."""
        ready, _, _ = select.select([self._ours], [], [], max(0.0, end - time.monotonic()))
        assert ready, f"no {wanted} in time, but:\n{self.text()}"
        try:
            read = os.read(self._ours, 4096)
        except OSError:  # so a terminal tells it
            return False
        self._screen += read.decode("utf-8", "replace")
        return bool(read)


def talk(argv: Sequence[str], answers: Sequence[tuple[str, str]], *, wait_s: float = 120.0) -> tuple[int, str]:
    """Exit code, and all that stood on the screen. `answers`: a part of each question, and what is typed then.

    Raises AssertionError if a question does not come, or the program's end, within `wait_s` seconds each.
    """
    terminal = Terminal(argv, wait_s=wait_s)
    try:
        since = 0
        for question, answer in answers:
            terminal.shows(question, since)
            since = terminal.came
            terminal.type(answer)
        return terminal.ended(), terminal.text()
    finally:
        terminal.close()
