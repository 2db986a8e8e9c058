"""Drills on a state folder's disk with little room or none: a real ext4, whose last block is never taken by a drill."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.errors import HomeTrouble
from otherroof.jobs.drill_folder import KEPT_FREE_LEAST, room_for_drill
from otherroof.restore.restore import Restorer
from support.drills import drill_rows, drilled, left_over
from support.lab.commands import call
from support.lab.need import require_programs
from support.lab.ownership import Estate
from support.main_job import JOB, OneJob, one_job
from support.verbs import verb_of

pytestmark = [pytest.mark.lab, pytest.mark.lasts(15)]

MB = 1_000_000
FILES = 120


@contextmanager
def job_on_a_disk(where: Path, size: int) -> Iterator[OneJob]:
    """A copied job of 12 MB whose state folder is a disk of `size` bytes. Nothing is kept for root alone."""
    require_programs("mount", "losetup", "mkfs.ext4", root=True)
    image, state = where / "disk.img", where / "settings" / "state"
    state.mkdir(parents=True)
    with image.open("wb") as file:
        file.truncate(size)
    call(["mkfs.ext4", "-q", "-F", "-m", "0", str(image)], wait_s=60)
    with Estate() as estate:
        estate.note("mount", path=str(state))
        call(["mount", "-o", "loop,noatime", str(image), str(state)], wait_s=60)
        state.chmod(0o700)
        with one_job(where) as job:
            chance = random.Random(4)
            for number in range(FILES):
                job.put(f"letters/{number}", chance.randbytes(100_000))
            job.done()
            yield job


def free(job: OneJob) -> int:
    disk = os.statvfs(job.state)
    return disk.f_bavail * disk.f_frsize


def fill(job: OneJob, but: int) -> None:
    """Take all room on the disk but so many bytes."""
    with (job.state / "filler").open("ab") as file:
        while (much := free(job) - but) > 0:
            at = file.seek(0, os.SEEK_END)
            try:
                os.posix_fallocate(file.fileno(), at, max(4096, much - much // 64))
            except OSError:
                break  # what is left is for the file system's own books


def fill_to_the_last(job: OneJob) -> None:
    """Take the last blocks too, one by one."""
    fill(job, 0)
    while True:
        try:
            (job.state / f"more {random.random()}").write_bytes(b"x" * 1024)
        except OSError:
            break


def test_small_disk_takes_no_drill_and_says_so_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with job_on_a_disk(tmp_path, 64 << 20) as job:
        before = free(job)
        told = verb_of(job, capsys)("drill", JOB)
        assert told.code not in (0, 5)
        (line,) = told.err.strip().splitlines()
        assert "too little for a drill" in line
        assert str(job.state) in line
        assert "make room" in line
        assert left_over(job) == []
        assert abs(free(job) - before) < 200_000, "but for the ledger, nothing was written"
        assert [row.outcome for row in drill_rows(job)] == ["failed"]


def test_drill_takes_a_part_that_fits_and_what_stays_free_stays_free(tmp_path: Path) -> None:
    with job_on_a_disk(tmp_path, 2_000_000_000) as job:
        fill(job, KEPT_FREE_LEAST + 5 * MB)
        least = [free(job)]
        assert KEPT_FREE_LEAST + MB < least[0] < KEPT_FREE_LEAST + 6 * MB

        def tick() -> None:
            os.sync()
            least.append(free(job))

        with pytest.MonkeyPatch.context() as changed:
            changed.setattr("otherroof.jobs.drill.TICK_S", 0.0)
            found = drilled(job, tick=tick)
        assert len(least) > found.files > 10
        assert (found.whole, found.wrong) == (False, [])
        assert min(least) < least[0] - MB, "it was looked at while it restored"
        assert min(least) >= KEPT_FREE_LEAST - 200_000, "but for the ledger and its journal"
        assert left_over(job) == []


def test_disk_that_others_fill_meanwhile_ends_the_drill_with_one_line(tmp_path: Path) -> None:
    with job_on_a_disk(tmp_path, 1_400_000_000) as job:

        def look_then_fill(folder: str) -> int:
            room = room_for_drill(folder)
            fill(job, 3 * MB)
            return room

        real = Restorer.restore

        def to_the_last_block(self: Restorer, *given: Any) -> Any:
            try:
                return real(self, *given)
            except HomeTrouble:
                fill_to_the_last(job)
                raise

        with pytest.MonkeyPatch.context() as changed:
            changed.setattr("otherroof.jobs.drill.room_for_drill", look_then_fill)
            changed.setattr(Restorer, "restore", to_the_last_block)
            with pytest.raises(HomeTrouble) as trouble:
                drilled(job)
        assert "\n" not in str(trouble.value)
        assert "No space left" in str(trouble.value)
        assert left_over(job) == []
        (row,) = drill_rows(job)
        assert (row.outcome, row.reason) == ("failed", str(trouble.value))
        (job.state / "filler").unlink()
        assert drilled(job).wrong == []


def test_disk_without_a_free_block_takes_no_drill(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with job_on_a_disk(tmp_path, 64 << 20) as job:
        fill_to_the_last(job)
        told = verb_of(job, capsys)("drill", JOB)
        assert told.code not in (0, 5)
        assert len(told.err.strip().splitlines()) == 1, told.err
        assert left_over(job) == []
