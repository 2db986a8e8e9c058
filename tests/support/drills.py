"""Drills of one job's household, by the same call that the verb and the service make."""

from __future__ import annotations

import os
import random
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from unittest.mock import patch

from otherroof.copying.context import StopRequest
from otherroof.jobs.context import JobContext, NeverStopped
from otherroof.jobs.drill import DrillRequest, drill
from otherroof.ledger import Ledger
from otherroof.ledger.drills import DrillRow
from otherroof.restore.drilling.report import DrillReport
from otherroof.restore.progress import RestoreProgress
from support.main_job import FAR, JOB, OneJob

NOTHING = NeverStopped()


def drilled(
    job: OneJob,
    *,
    most: int | None = None,
    from_nothing: bool = False,
    seed: int | None = None,
    stop: StopRequest = NOTHING,
    tick: Callable[[], None] = lambda: None,
) -> DrillReport:
    """One drill; what is drawn is told by `seed`."""
    settings = job.settings
    with Ledger(settings.ledger) as ledger:
        context = JobContext(RestoreProgress(), ledger, job.clock, stop, tick)
        chance = random.Random(seed) if seed is not None else None
        return drill(settings, DrillRequest(JOB, most, from_nothing), context, chance)


def drill_rows(job: OneJob) -> list[DrillRow]:
    """The drills in the ledger, newest first."""
    with Ledger(job.settings.ledger) as ledger:
        return ledger.drills.rows(JOB, FAR, job.clock.now())


def left_over(job: OneJob) -> list[str]:
    """What drills have left in the state folder."""
    folder = job.state / "drill"
    return sorted(os.listdir(folder)) if folder.exists() else []


def brought_back(job: OneJob) -> int:
    """How many files a drill that is at work has restored."""
    return sum(len(files) for _, _, files in os.walk(job.state / "drill"))


@contextmanager
def a_disk_with(room: int) -> Iterator[None]:
    """Drills find so many bytes of room."""
    with patch("otherroof.jobs.drill.room_for_drill", lambda _: room):
        yield
