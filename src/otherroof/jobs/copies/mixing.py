"""Finds in the other copies of a folder what one copy does not have whole, in the middle of a restore."""

from __future__ import annotations

from collections.abc import Generator, Sequence
from contextlib import closing
from dataclasses import replace
from datetime import timedelta

from otherroof.far_copy.entry import Entry
from otherroof.far_copy.run_ids import time_of_run
from otherroof.jobs.context import JobContext
from otherroof.jobs.copies.nearest import others_first
from otherroof.jobs.open_job import READ, OpenedJob, open_job
from otherroof.restore.elsewhere import BARS_A_SOURCE, OtherSources, OtherVersion
from otherroof.restore.progress import RestoreProgress

# Versions of one other copy that are looked into: of those nearest in time most is the same.
MOST_LOOKED_INTO = 8


def other_sources(job: OpenedJob, run: str, context: JobContext[RestoreProgress]) -> OtherSources:
    """Where else the content of lost entries of the version of `run` may be, the nearest copy first. A copy that cannot
    be had, or breaks off, is told of and passed over."""

    def sources(lost: Sequence[Entry]) -> Generator[OtherVersion, None, None]:
        inside = replace(context, ledger=job.ledger, disk=None)
        for name in others_first(job.settings, job.name, context.clock):
            try:
                with open_job(job.settings, name, inside, READ) as other:
                    for theirs in _nearest_in_time(other.view.runs, run):
                        with closing(other.keeper.reader(theirs)) as reader:
                            reader.look(other.view)
                            yield OtherVersion(reader, name, lost)
            except BARS_A_SOURCE as problem:
                context.told(f"{name} cannot be asked for what {job.name} does not have: {problem}")

    return sources


def _nearest_in_time(runs: Sequence[str], run: str) -> list[str]:
    at = time_of_run(run)

    def apart(other: str) -> timedelta:
        return abs(time_of_run(other) - at)

    return sorted(runs, key=apart)[:MOST_LOOKED_INTO]
