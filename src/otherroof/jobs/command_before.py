"""Runs the command that a job wants before its copy, for instance to write a database out into its folder.

It is waited for, but not for what it leaves behind, and it is ended with all it started when its time is up or the work
is asked to stop.
"""

from __future__ import annotations

import os
import signal
import subprocess
import tempfile
from typing import IO

from otherroof.base.clock import Clock
from otherroof.base.errors import HomeTrouble, RunCut
from otherroof.copying.context import StopRequest
from otherroof.settings import Job

LOOK_S = 0.2  # between two looks at the stop sign
END_S = 5.0  # for its own tidying up, before it is killed
MOST_SAID = 4096  # bytes from the end of what it said


def run_command_before(job: Job, clock: Clock, stop: StopRequest) -> None:
    """Run the job's command, if it has one.

    Raises HomeTrouble if it fails; its last words are in the message. Raises RunCut if the work is asked to stop.
    """
    if job.before is None:
        return
    program = job.before[0]
    with _scratch(program) as said:
        code = _run(job, said, clock, stop)
        if code != 0:
            raise HomeTrouble(
                f"the command before the copy ended with {code}{_last_words(said)}",
                where=program,
                advice="nothing was copied; run it by hand to see why",
            )


def _run(job: Job, said: IO[bytes], clock: Clock, stop: StopRequest) -> int:
    assert job.before is not None
    program = job.before[0]
    try:
        # A file instead of a pipe: a child that the command leaves behind could keep a pipe open for ever.
        child = subprocess.Popen(
            job.before, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=said, start_new_session=True
        )
    except OSError as problem:
        raise HomeTrouble(
            f"the command before the copy cannot be run: {problem.strerror}", where=program, advice="correct `before`"
        ) from problem
    until = clock.monotonic() + job.before_s
    try:
        while True:
            try:
                return child.wait(LOOK_S)
            except subprocess.TimeoutExpired as problem:
                if why := stop.asked():
                    raise RunCut(
                        why, where=program, advice="nothing was copied yet; the next run begins anew"
                    ) from None
                if clock.monotonic() >= until:
                    raise HomeTrouble(
                        f"the command before the copy did not end within {job.before_s:g} s",
                        where=program,
                        advice="see what it waits for, or raise before_s",
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


def _scratch(program: str) -> IO[bytes]:
    try:
        return tempfile.TemporaryFile()
    except OSError as problem:
        raise HomeTrouble(
            f"there is no room for what the command before the copy says: {problem.strerror}",
            where=program,
            advice=f"see whether the disk of {tempfile.gettempdir()} is full",
        ) from problem


def _last_words(said: IO[bytes]) -> str:
    size = said.seek(0, os.SEEK_END)
    said.seek(max(0, size - MOST_SAID))
    words = said.read().decode("utf-8", "replace").strip().splitlines()
    return f" ({words[-1][:200]})" if words else ""
