"""Runs system programs for the lab: argv lists only, a time-out always, the program's own words in the error.

Knows nothing of namespaces or servers.
"""

from __future__ import annotations

import subprocess
from collections.abc import Sequence

DEFAULT_WAIT_S = 20.0


class LabFault(RuntimeError):
    """The lab itself could not be built or driven; never a verdict on the code under test."""


def call(argv: Sequence[str], *, wait_s: float = DEFAULT_WAIT_S, given: str = "", may_fail: bool = False) -> str:
    """Run `argv` to its end, feeding it `given`, and return what it printed.

    Raises LabFault when it cannot start, takes longer than `wait_s` seconds, or fails where `may_fail` is not set.
    """
    try:
        done = subprocess.run(
            list(argv), input=given, capture_output=True, text=True, errors="replace", timeout=wait_s, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as problem:
        raise LabFault(f"{' '.join(argv)}: {problem}") from problem
    if done.returncode and not may_fail:
        raise LabFault(f"{' '.join(argv)} left with {done.returncode}: {(done.stderr or done.stdout).strip()}")
    return done.stdout
