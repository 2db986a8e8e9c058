"""Runs a job's own commands: one before its copy, which may write a database out, and one that tries a drill's files.

A command is waited for, but not for what it leaves behind, and it is ended with all it started when its time is up or
the work is asked to stop.
"""

from __future__ import annotations

import os
import signal
import subprocess
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import IO

from otherroof.base.clock import Clock
from otherroof.base.errors import HomeTrouble, RunCut
from otherroof.base.printable import one_line
from otherroof.copying.context import StopRequest
from otherroof.settings import Job

LOOK_S = 0.2  # between two looks at the stop sign
END_S = 5.0  # for its own tidying up, before it is killed
MOST_SAID = 4096  # bytes from the end of what it said
DRILL_FOLDER = "OTHERROOF_DRILL"  # environment variable: where the restored files lie


@dataclass(frozen=True, slots=True)
class JobCommand:
    """A command: its words, its time, what it is called in messages, and which settings say so. `more` is added to its
    environment; `cut` says what became of the work if it was stopped meanwhile."""

    argv: tuple[str, ...]
    limit_s: float
    called: str
    key: str
    cut: str
    more: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class CommandEnd:
    """How a command ended: its exit code, or minus a signal's number, and the last line it said."""

    code: int
    said: str = ""


def run_command_before(job: Job, clock: Clock, stop: StopRequest) -> None:
    """Run the job's command, if it has one.

    Raises HomeTrouble if it fails; its last words are in the message. Raises RunCut if the work is asked to stop.
    """
    if job.before is None:
        return
    cut = "nothing was copied yet; the next run begins anew"
    end = _run(JobCommand(job.before, job.before_s, "the command before the copy", "before", cut), clock, stop)
    if end.code != 0:
        raise HomeTrouble(
            f"the command before the copy ended with {end.code}" + (f" ({end.said})" if end.said else ""),
            where=job.before[0],
            advice="nothing was copied; run it by hand to see why",
        )


def run_check_after_drill(job: Job, folder: str, clock: Clock, stop: StopRequest) -> CommandEnd | None:
    """Run the command that tries what was restored into `folder`; None if the job has none.

    Raises HomeTrouble if it cannot be run or its time is up, RunCut if the work is asked to stop.
    """
    if job.drill.also is None:
        return None
    called, cut = "the command that tries the restored files", "what was restored for practice is removed"
    return _run(
        JobCommand(job.drill.also, job.drill.also_s, called, "drill.also", cut, {DRILL_FOLDER: folder}), clock, stop
    )


def _run(command: JobCommand, clock: Clock, stop: StopRequest) -> CommandEnd:
    with _scratch(command) as said:
        code = _wait(command, said, clock, stop)
        return CommandEnd(code, _last_words(said))


def _wait(command: JobCommand, said: IO[bytes], clock: Clock, stop: StopRequest) -> int:
    program = command.argv[0]
    try:
        # A file instead of a pipe: a child that the command leaves behind could keep a pipe open for ever.
        child = subprocess.Popen(
            command.argv,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=said,
            env={**os.environ, **command.more} if command.more else None,
            start_new_session=True,
        )
    except OSError as problem:
        raise HomeTrouble(
            f"{command.called} cannot be run: {problem.strerror}", where=program, advice=f"correct `{command.key}`"
        ) from problem
    until = clock.monotonic() + command.limit_s
    try:
        while True:
            try:
                return child.wait(LOOK_S)
            except subprocess.TimeoutExpired as problem:
                if why := stop.asked():
                    raise RunCut(why, where=program, advice=command.cut) from None
                if clock.monotonic() >= until:
                    raise HomeTrouble(
                        f"{command.called} did not end within {command.limit_s:g} s",
                        where=program,
                        advice=f"see what it waits for, or raise {command.key}_s",
                    ) from problem
    finally:
        if child.returncode is None:
            _end(child)


def _end(child: subprocess.Popen[bytes]) -> None:
    """End the command and all that it started: it leads a group of its own."""
    os.killpg(child.pid, signal.SIGTERM)
    try:
        child.wait(END_S)
    except subprocess.TimeoutExpired:
        os.killpg(child.pid, signal.SIGKILL)
        child.wait(END_S)


def _scratch(command: JobCommand) -> IO[bytes]:
    try:
        return tempfile.TemporaryFile()
    except OSError as problem:
        raise HomeTrouble(
            f"there is no room for the output of {command.called}: {problem.strerror}",
            where=command.argv[0],
            advice=f"see whether the disk of {tempfile.gettempdir()} is full",
        ) from problem


def _last_words(said: IO[bytes]) -> str:
    size = said.seek(0, os.SEEK_END)
    said.seek(max(0, size - MOST_SAID))
    words = said.read().decode("utf-8", "replace").strip().splitlines()
    return one_line(words[-1][:200]) if words else ""
