"""A folder that passes for a disk of its own, and the job of `OneJob` run onto it."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.copying.context import StopRequest
from otherroof.copying.progress import Progress
from otherroof.jobs.carried import disk as carried
from otherroof.jobs.carried.onto import OntoDisk
from otherroof.jobs.context import JobContext, NeverStopped
from otherroof.jobs.run import RunOptions, RunResult, run_job
from otherroof.ledger import Ledger
from otherroof.rehearsal.compare_trees import read_tree
from support.main_job import JOB, OneJob

OTHER_DEVICE = 0xFFFF  # no disk of this machine has it


@contextmanager
def own_device(*folders: Path) -> Iterator[None]:
    """While inside, these folders are on a disk of their own, as far as the device tells."""
    real = carried.device_of

    def device_of(path: str) -> int:
        inside = any(os.path.commonpath((path, folder)) == str(folder) for folder in folders)
        return OTHER_DEVICE if inside else real(path)

    with patch.object(carried, "device_of", device_of):
        yield


def run_onto(
    job: OneJob,
    folder: Path,
    *,
    dry: bool = False,
    tick: Callable[[Progress], None] = lambda _: None,
    stop: StopRequest | None = None,
) -> RunResult:
    """One run of the job onto the disk with `folder`, however it ends. Raises why the disk is not fit."""
    settings, progress = job.settings, Progress()
    with own_device(folder):
        onto = OntoDisk(settings, carried.disk_to_write(settings, [JOB], str(folder)))
    try:
        with Ledger(settings.ledger) as ledger:
            context = JobContext(progress, ledger, job.clock, stop or NeverStopped(), lambda: tick(progress))
            ran = run_job(settings, JOB, context, RunOptions(dry, onto=onto))
    finally:
        onto.forget_unclaimed()
    if ran.error is None and not dry:
        job.trees[ran.report.run] = read_tree(str(job.folder))
    return ran


def done_onto(job: OneJob, folder: Path) -> RunResult:
    """One run onto the disk that must go well to the last file."""
    ran = run_onto(job, folder)
    assert ran.error is None, ran.error
    assert (ran.report.outcome, ran.report.problems) == ("done", [])
    return ran


def cut_onto(job: OneJob, folder: Path) -> None:
    """One run onto the disk that is cut when all but its listing is written."""

    def cut(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with patch("otherroof.copying.run.commit_run", cut), pytest.raises(KeyboardInterrupt):
        run_onto(job, folder)


def carry(job: OneJob, folder: Path) -> None:
    """The disk's content stands at the far box, in the job's place."""
    for path in sorted(folder.iterdir()):
        path.rename(Path(job.door.base_path) / path.name)
