"""Runs the command that a job wants before its copy, for instance to write a database out into its folder."""

from __future__ import annotations

import subprocess

from otherroof.base.errors import HomeTrouble
from otherroof.settings import Job


def run_command_before(job: Job) -> None:
    """Run the job's command, if it has one. Raises HomeTrouble if it fails; its last words are in the message."""
    if job.before is None:
        return
    program = job.before[0]
    try:
        done = subprocess.run(
            job.before, stdin=subprocess.DEVNULL, capture_output=True, timeout=job.before_s, check=False
        )
    except OSError as problem:
        raise HomeTrouble(
            f"the command before the copy cannot be run: {problem.strerror}", where=program, advice="correct `before`"
        ) from problem
    except subprocess.TimeoutExpired as problem:
        raise HomeTrouble(
            f"the command before the copy did not end within {job.before_s:g} s",
            where=program,
            advice="see what it waits for, or raise before_s",
        ) from problem
    if done.returncode != 0:
        words = done.stderr.decode("utf-8", "replace").strip().splitlines()
        last = f" ({words[-1][:200]})" if words else ""
        raise HomeTrouble(
            f"the command before the copy ended with {done.returncode}{last}",
            where=program,
            advice="nothing was copied; run it by hand to see why",
        )
