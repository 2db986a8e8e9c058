"""The main job against a far box whose disk has each file system that a household's disk may have, over a real sshd."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.copying.report import GOOD
from support.commits import AGES
from support.far_disks import FAR_SYSTEMS, far_disk
from support.lab import FarSshd
from support.lab.need import require_sshd
from support.main_job import OneJob, level_way
from support.open_versions import broken_in_folder
from support.power_days import GUARD_OFF, PowerDays

pytestmark = [pytest.mark.lab, pytest.mark.slow]

SEED = 20310405


@pytest.fixture
def job(tmp_path: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[OneJob]:
    """A household whose far disk has the file system that the test names."""
    require_sshd()
    for module, name, value in AGES:
        monkeypatch.setattr(module, name, value)
    with FarSshd() as sshd, far_disk(request.param, tmp_path, sshd.base_path), level_way():
        yield OneJob(tmp_path, sshd, far_more={"connections": 2}, job_more=GUARD_OFF)


def on(*systems: str) -> pytest.MarkDecorator:
    return pytest.mark.parametrize("job", systems, indirect=True)


@on(*FAR_SYSTEMS)
def test_every_version_of_some_days_comes_back(job: OneJob) -> None:
    """Invariants 1, 2 and 3."""
    days = PowerDays(job, SEED)
    days.first()
    job.done()
    for _ in range(3):
        days.next()
        job.done()
    assert len(job.trees) == 4
    assert broken_in_folder(job.far, job.trees) == {}
    job.all_come_back()


@on(*FAR_SYSTEMS)
def test_a_home_without_its_state_sends_nothing_again(job: OneJob) -> None:
    """Invariant 4."""
    days = PowerDays(job, SEED)
    days.first()
    job.done()
    days.next()
    job.done()
    job.forget_state()
    assert job.done().bytes.sent == 0
    job.all_come_back()


@on(*FAR_SYSTEMS)
def test_large_file_of_which_a_little_changed_is_not_sent_whole(job: OneJob) -> None:
    content = bytearray(os.urandom(6_000_000))
    job.put("film", bytes(content))
    job.done()
    content[3_000_000:3_000_010] = b"a new line"
    job.put("film", bytes(content))
    assert job.done().bytes.sent < 2_000_000
    job.all_come_back()


@on(*FAR_SYSTEMS)
def test_two_names_that_differ_in_case_alone_are_both_kept_or_the_loss_is_told(job: OneJob) -> None:
    """A disk that folds names has room for one of the two: then the other is a problem that is told, night by night."""
    job.put("Photo.jpg", b"a picture")
    job.put("photo.jpg", b"another picture, a little larger")
    for _ in range(2):
        ran = job.run()
        assert ran.error is None
        assert ran.report.outcome in GOOD
        told = {problem.path for problem in ran.report.problems}
        restored = restored_files(job, ran.report.run)
        wanted = {"Photo.jpg": b"a picture", "photo.jpg": b"another picture, a little larger"}
        assert {name: wanted[name] for name in wanted.keys() - told} == restored
        assert len(told) == (1 if folds(job) else 0)
        job.put("other", b"something to do")


def folds(job: OneJob) -> bool:
    """Whether the far disk takes two names that differ in case for one."""
    trial = Path(job.door.base_path) / "Trial"
    trial.touch()
    try:
        return (trial.parent / "tRIAL").exists()
    finally:
        trial.unlink()


def restored_files(job: OneJob, run: str) -> dict[str, bytes]:
    found, target = job.restore(run)
    assert found.damaged == []
    return {path.name: path.read_bytes() for path in target.glob("[Pp]hoto.jpg")}
