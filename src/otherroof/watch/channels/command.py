"""A program of the household's own that is given the message as JSON on its standard input.

It gets a bare environment, no terminal, and is ended with all it started when its time is up.
"""

from __future__ import annotations

import os
import signal
import subprocess
import tempfile
from dataclasses import dataclass
from typing import IO

from otherroof.base.errors import Undelivered
from otherroof.watch.channels.port import Message
from otherroof.watch.channels.webhook import as_json

_END_S = 5.0
_MOST_SAID = 300


@dataclass(frozen=True, slots=True)
class CommandChannel:
    """Runs `command`; exit code 0 means that it took the message."""

    command: tuple[str, ...]
    answer_s: float

    def deliver(self, message: Message) -> str:
        """Run the program once with the message."""
        # Files instead of pipes: a child that the program leaves behind could keep a pipe open for ever.
        with _scratch() as given, _scratch() as said:
            try:
                given.write(as_json(message).encode() + b"\n")
                given.seek(0)
            except OSError as problem:
                raise _no_scratch(problem) from problem
            code = self._run(given, said)
            if code != 0:
                raise Undelivered(
                    f"ended with code {code}{_tail(said)}", where=self.command[0], advice="run it by hand to see why"
                )
        return ""

    def _run(self, given: IO[bytes], said: IO[bytes]) -> int:
        environment = {"PATH": "/usr/local/bin:/usr/bin:/bin", "LANG": "C.UTF-8"}
        try:
            child = subprocess.Popen(
                self.command,
                stdin=given,
                stdout=subprocess.DEVNULL,
                stderr=said,
                env=environment,
                cwd="/",
                start_new_session=True,
            )
        except OSError as problem:
            raise Undelivered(
                f"cannot be run: {problem.strerror}", where=self.command[0], advice="check the path and its mode"
            ) from problem
        try:
            return child.wait(self.answer_s)
        except subprocess.TimeoutExpired as problem:
            _end(child)
            raise Undelivered(
                f"was not done after {self.answer_s:g} s and was ended",
                where=self.command[0],
                advice="make it quicker, or raise answer_s of this channel",
            ) from problem


def _scratch() -> IO[bytes]:
    try:
        return tempfile.TemporaryFile()
    except OSError as problem:
        raise _no_scratch(problem) from problem


def _no_scratch(problem: OSError) -> Undelivered:
    return Undelivered(
        f"cannot be written: {problem.strerror}", where=tempfile.gettempdir(), advice="see whether that disk is full"
    )


def _end(child: subprocess.Popen[bytes]) -> None:
    """End the child's whole group: it leads one of its own."""
    # SIGKILL at once: it has had all its time, and whoever ignores a request would hold up the other channels.
    os.killpg(child.pid, signal.SIGKILL)
    child.wait(_END_S)


def _tail(said: IO[bytes]) -> str:
    size = said.seek(0, os.SEEK_END)
    said.seek(max(0, size - _MOST_SAID))
    text = " ".join(said.read().decode("utf-8", "replace").split())
    return f": {text}" if text else ""
