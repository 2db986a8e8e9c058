"""A person at a terminal: waits for each question of a program before answering it, and reads all that it says."""

from __future__ import annotations

import os
import select
import subprocess
import time
from collections.abc import Sequence


def talk(argv: Sequence[str], answers: Sequence[tuple[str, str]], *, wait_s: float = 120.0) -> tuple[int, str]:
    """Exit code, and all that stood on the screen. `answers`: a part of each question, and what is typed then.

    Raises AssertionError if a question does not come, or the program's end, within `wait_s` seconds in all.
    """
    ours, theirs = os.openpty()
    program = subprocess.Popen(list(argv), stdin=theirs, stdout=theirs, stderr=theirs)
    os.close(theirs)
    screen = _Screen(ours, time.monotonic() + wait_s)
    try:
        for question, answer in answers:
            screen.read_until(question)
            os.write(ours, f"{answer}\n".encode())
        screen.read_until("")
        return program.wait(max(1.0, screen.until - time.monotonic())), screen.said
    finally:
        program.kill()
        program.wait(10)
        os.close(ours)


class _Screen:
    def __init__(self, file: int, until: float) -> None:
        self.file, self.until, self.said, self._from = file, until, "", 0

    def read_until(self, question: str) -> None:
        """Until `question` is asked after the one before, or to the end if it is empty."""
        while not question or question not in self.said[self._from :]:
            ready, _, _ = select.select([self.file], [], [], max(0.0, self.until - time.monotonic()))
            assert ready, f"no {question or 'end'!r} in time, but:\n{self.said}"
            try:
                read = os.read(self.file, 4096)
            except OSError:  # so a terminal tells that nobody is at its other end any more
                read = b""
            self.said += read.decode("utf-8", "replace").replace("\r\n", "\n")
            if not read:
                assert not question, f"it ended before asking {question!r}:\n{self.said}"
                return
        self._from = len(self.said)
