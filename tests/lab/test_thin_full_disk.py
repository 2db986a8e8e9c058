"""Versions go from a far disk that is full to its last byte, over a real sshd: it is then that they have to go."""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock
from support.far_disks import far_disk
from support.lab import FarSshd
from support.lab.need import require_sshd
from support.main_job import OneJob, level_way
from support.open_versions import broken_in_folder
from support.power_days import PowerDays
from support.thinned_household import KEEPS, START, Household, clocks_alike

pytestmark = [pytest.mark.lab, pytest.mark.slow]


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Household]:
    """Six days of runs on a small ext4."""
    require_sshd()
    clock = SteppedClock(START)
    with (
        FarSshd() as sshd,
        far_disk("ext4", tmp_path, sshd.base_path),
        level_way(),
        clocks_alike(),
    ):
        found = Household(OneJob(tmp_path, sshd, far_more={"connections": 2}, job_more=KEEPS, clock=clock), clock)
        days = PowerDays(found.job, 20310405)
        days.first()
        for _ in range(6):
            found.day()
            days.next()
        yield found


def fill(folder: Path) -> None:
    """No byte is left on this disk, those that are kept for root included."""
    piece = 1 << 20
    with (folder / "filler").open("wb", buffering=0) as file:
        while piece:
            try:
                file.write(bytes(piece))
            except OSError as problem:
                assert problem.errno == errno.ENOSPC
                piece //= 2
    assert os.statvfs(folder).f_bavail == 0


def test_full_disk_is_thinned_and_gives_room_back(home: Household) -> None:
    fill(home.job.far.parent)
    noted = home.thin()
    assert (noted.objection, home.notes()) == ("", list(noted.noted))
    assert len(noted.noted) >= 3
    home.clock.step(2 * 86_400)
    gone = home.thin()
    assert set(gone.removed) >= set(noted.noted)
    assert not set(home.versions()) & set(gone.removed)
    assert broken_in_folder(home.job.far, home.job.trees) == {}
    free = os.statvfs(home.job.far)
    assert free.f_bfree * free.f_frsize > 100_000
    home.all_that_stay_come_back()
    home.day()
    home.all_that_stay_come_back()


def test_disk_without_room_for_another_file_is_thinned_of_what_was_noted(home: Household) -> None:
    """No inode is left: then nothing can be made at all, not even a note."""
    home.thin()
    home.clock.step(2 * 86_400)
    folder = home.job.far.parent / "fillers"
    folder.mkdir()
    number = 0
    while True:
        try:
            (folder / str(number)).touch()
        except OSError as problem:
            assert problem.errno == errno.ENOSPC
            break
        number += 1
    assert os.statvfs(folder).f_ffree == 0
    gone = home.thin()
    assert gone.objection == ""
    assert gone.removed
    assert broken_in_folder(home.job.far, home.job.trees) == {}
    home.all_that_stay_come_back()
