"""Healing that ends at any moment: no version is less whole than before, and the next proof heals the rest."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.base.errors import OtherroofError
from otherroof.jobs.context import JobContext
from otherroof.jobs.prove import ProveOptions, prove
from otherroof.ledger import Ledger
from otherroof.restore.proving.report import ProofProgress
from support.main_job import JOB, OneJob, one_job
from support.open_versions import broken_in_folder
from support.quick import ALL

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path, far_more={"tries": 1}) as made:
        yield made


def heal(job: OneJob) -> None:
    with Ledger(job.settings.ledger) as ledger:
        prove(job.settings, JOB, JobContext(ProofProgress(), ledger, job.clock), ProveOptions(whole=True, heal=True))


def furnish(job: OneJob) -> None:
    """Two versions; some files damaged in the newest copy and some in what the older version keeps."""
    chance = random.Random(2)
    for number in range(9):
        job.put(f"folder {number % 2}/file {number}", chance.randbytes(300 + 40_000 * (number == 4)).hex())
    job.done()
    for number in (1, 3):
        os.rename(job.path(f"folder 1/file {number}"), job.path(f"folder 1/moved {number}"))
    job.put("folder 0/file 2", "other now")
    job.done()


def spoil(job: OneJob) -> None:
    for name in ("folder 0/file 4", "folder 1/file 5", "folder 1/moved 1"):
        (job.latest / name).write_bytes(b"rot")
    (job.latest / "folder 0" / "file 6").unlink()
    kept = job.earlier(max(job.trees)) / "folder 1" / "file 3"
    kept.unlink()
    kept.write_bytes(b"rot")


def broken(job: OneJob) -> dict[str, set[str]]:
    return {run: set(wrong) for run, wrong in broken_in_folder(job.far, job.trees).items()}


def paths(found: dict[str, set[str]]) -> dict[str, set[str]]:
    """Which paths are wrong, whatever is wrong with them."""
    return {run: {line.split("' ")[0] for line in wrong} for run, wrong in found.items()}


@pytest.mark.parametrize("part", range(4) if ALL else (3,))
def test_cut_at_any_request_no_version_is_less_whole_and_the_rest_is_healed_later(job: OneJob, part: int) -> None:
    furnish(job)
    spoil(job)
    before = paths(broken(job))
    assert sum(map(len, before.values())) >= 8
    requests = 3 + part
    ended = False
    while not ended:
        job.door.misbehave(cut_after=requests, cut_times=1)  # type: ignore[attr-defined]
        try:
            heal(job)
            ended = True
        except OtherroofError:
            pass
        job.door.misbehave()  # type: ignore[attr-defined]
        now = paths(broken(job))
        assert all(wrong <= before.get(run, set()) for run, wrong in now.items()), requests
        spoil_again = not now
        if spoil_again:
            spoil(job)
        requests += 4
    job.door.misbehave()  # type: ignore[attr-defined]
    heal(job)
    assert broken(job) == {}
    assert os.listdir(job.far / "incoming") == []
    job.done()
    job.all_come_back()


def test_a_run_between_two_tries_does_no_harm_and_takes_no_damaged_file_away(job: OneJob) -> None:
    furnish(job)
    spoil(job)
    heal_until = 0
    for requests in range(40, 400, 9):
        job.door.misbehave(cut_after=requests, cut_times=1)  # type: ignore[attr-defined]
        try:
            heal(job)
        except OtherroofError:
            heal_until = requests
        job.door.misbehave()  # type: ignore[attr-defined]
        if requests % 5 == 0:
            newest = max(job.trees)
            before = paths(broken(job)).get(newest, set())
            job.put("new", str(requests))
            assert job.run().error is None
            assert paths(broken(job)).get(max(job.trees), set()) <= before
    assert heal_until
    heal(job)
    assert broken(job) == {}
