"""What healing says it healed is whole at the far end, and what it could not heal is named and leaves nothing."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.errors import Refused
from otherroof.jobs.context import JobContext
from otherroof.jobs.prove import ProofResult, ProveOptions, prove
from otherroof.layouts.open.mender import OpenMender
from otherroof.ledger import Ledger
from otherroof.restore.proving.report import ProofProgress
from support.main_job import JOB, OneJob, one_job

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

NAMES = ("a", "b", "c")


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    """A far copy all of whose files are damaged."""
    with one_job(tmp_path) as made:
        for name in NAMES:
            made.put(name, b"content of " + name.encode())
        made.done()
        for name in NAMES:
            (made.latest / name).write_bytes(b"rot")
        yield made


def healed(job: OneJob) -> ProofResult:
    with Ledger(job.settings.ledger) as ledger:
        context = JobContext(ProofProgress(), ledger, job.clock)
        return prove(job.settings, JOB, context, ProveOptions(whole=True, heal=True))


def known(job: OneJob) -> list[str]:
    with Ledger(job.settings.ledger) as ledger:
        return sorted(mark.path for mark in ledger.damages.of(JOB))


def far_files(job: OneJob) -> set[str]:
    return {str(path.relative_to(job.far)) for path in job.far.rglob("*") if path.is_file()}


def test_a_file_that_rots_again_as_soon_as_it_is_in_its_place_is_not_called_healed(
    job: OneJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = OpenMender.take_place

    def rotting(mender: OpenMender, name: bytes) -> Any:
        yield from real(mender, name)
        if name.endswith(b"b"):
            (job.far / os.fsdecode(name)).write_bytes(b"rot again")

    monkeypatch.setattr(OpenMender, "take_place", rotting)
    result = healed(job)
    assert sorted(mark.path for mark in result.healing.healed) == ["a", "c"]
    assert [damage.path for damage in result.healing.left] == [b"b"]
    assert known(job) == ["b"]


def test_a_file_whose_place_is_refused_is_named_and_the_others_are_healed(
    job: OneJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, before = OpenMender.take_place, far_files(job)

    def refusing(mender: OpenMender, name: bytes) -> Any:
        if name.endswith(b"b"):
            raise Refused("is not to be replaced")
        yield from real(mender, name)

    monkeypatch.setattr(OpenMender, "take_place", refusing)
    result = healed(job)
    assert sorted(mark.path for mark in result.healing.healed) == ["a", "c"]
    (left,) = result.healing.left
    assert left.path == b"b"
    assert left.left.startswith("it could not be sent again: is not to be replaced")
    assert known(job) == ["b"]
    assert far_files(job) == before, "nothing half sent stays"
    assert (job.latest / "b").read_bytes() == b"rot"
