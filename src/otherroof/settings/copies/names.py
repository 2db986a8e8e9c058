"""How jobs are called: `photos`, and `photos@wren` if the folder goes to several far boxes, each copy a job of its own.

What stands before the @ is the name of the job's file, of its folder at each far end, and of all its copies together.
Pure; it must not know which jobs there are.
"""

from __future__ import annotations

from collections.abc import Iterable

BETWEEN = "@"  # in no name that a person may give: so no far box is taken for a part of a file's name


def copy_name(stem: str, far: str) -> str:
    """The name of the job that copies the folder called `stem` to `far`, one far box of several."""
    return f"{stem}{BETWEEN}{far}"


def stem_of(job: str) -> str:
    """What all copies of the job's folder have in common in their names."""
    return job.partition(BETWEEN)[0]


def copies_of(stem: str, jobs: Iterable[str]) -> list[str]:
    """Those of `jobs` that copy the folder called `stem`, in order."""
    return [job for job in jobs if stem_of(job) == stem]


def other_copies_of(job: str, jobs: Iterable[str]) -> list[str]:
    """Those of `jobs` that copy the same folder as `job`, without itself, in order."""
    return [copy for copy in copies_of(stem_of(job), jobs) if copy != job]


def former_name(job: str, far: str) -> str:
    """The other name under which the same copy at `far` may stand in home's history: a folder that goes to one far box
    has no @ in its job's name, one that goes to several has."""
    stem = stem_of(job)
    return copy_name(stem, far) if job == stem else stem
