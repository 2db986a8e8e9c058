"""A first copy carried on a real disk: written onto it with Ctrl-C and SIGKILL at random points, put at the far box,
found there over a real sshd, and gone on from without a byte of content; and disks that cannot hold it."""

from __future__ import annotations

import os
import random
import shutil
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from support.by_find import seen_by_find, unlike
from support.far_disks import far_disk
from support.killable import Killable, Once
from support.lab import FarSshd
from support.lab.commands import call
from support.lab.disks import make_read_only, make_writable
from support.lab.need import require_programs, require_sshd
from support.lab.ownership import Estate
from support.main_job import JOB, OneJob
from support.quick import slow_but_for
from support.slow_disk import DISK_SYSTEMS

pytestmark = pytest.mark.lab

SEED = int(os.environ.get("OTHERROOF_SEED", "20310405"))
STOPS = 4
SMALL, LARGE = 400, 3


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    require_sshd()
    require_programs("mount", root=True)
    with FarSshd() as sshd:
        made = OneJob(tmp_path, sshd)
        dice = random.Random(SEED)
        for number in range(SMALL):
            made.put(f"folder {number % 7}/{number}.txt", dice.randbytes(dice.randrange(1, 9_000)))
        for number in range(LARGE):
            made.put(f"films/{number}.bin", dice.randbytes(6_000_000))
        yield made


@pytest.fixture
def disk(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Path]:
    """A disk with the file system that the test names, mounted here."""
    (tmp_path / "disk").mkdir()
    with far_disk(request.param, tmp_path, str(tmp_path / "disk")) as where:
        yield where


def on(*systems: str) -> pytest.MarkDecorator:
    quick = ("ext4", "exfat")
    return pytest.mark.parametrize("disk", slow_but_for(quick, systems), indirect=True)


class Calls:
    """Verbs in processes of their own, and what they said."""

    def __init__(self, runs: Killable, told: Path, config: str) -> None:
        self._runs, self._told, self._config = runs, told, config

    def __call__(self, *argv: str) -> int:
        """The exit code of a verb, negative where a signal ended it."""
        self._runs.start([*argv, "--config", self._config])
        return self._runs.end()[0]

    def interrupted(self, *argv: str, number: int, once: Callable[[], bool]) -> int:
        """The same, sent the signal `number` once this has come about."""
        pid = self._runs.start([*argv, "--config", self._config])
        watch = Once(once, lambda: os.kill(pid, number))
        watch.start()
        return self._runs.end_after(watch)[0]

    def while_at_work(self, *argv: str, deed: Callable[[], None], once: Callable[[], bool]) -> int:
        """The same, and this is done once that has come about."""
        self._runs.start([*argv, "--config", self._config])
        watch = Once(once, deed)
        watch.start()
        return self._runs.end_after(watch)[0]

    @property
    def said(self) -> str:
        return self._told.read_text()


@pytest.fixture
def calls(job: OneJob, tmp_path: Path) -> Iterator[Calls]:
    with Killable(tmp_path / "told") as runs:
        yield Calls(runs, tmp_path / "told", job.config)


def carried(job: OneJob, disk: Path, estate: Estate) -> None:
    """The disk is mounted in the far box's base folder."""
    estate.note("mount", path=job.door.base_path)
    call(["mount", "--bind", str(disk), job.door.base_path])


@on(*DISK_SYSTEMS, "exfat")
def test_disk_written_with_interruptions_is_gone_on_from_without_content(
    job: OneJob, disk: Path, calls: Calls, tmp_path: Path
) -> None:
    dice = random.Random(SEED + 1)
    onto = ("run", JOB, "--onto", str(disk))
    wanted = seen_by_find(job.folder)
    ends = []
    for stop in range(STOPS):
        number, wanted_there = (signal.SIGINT, signal.SIGKILL)[stop % 2], dice.randrange(stop * 90 + 1, stop * 90 + 90)

        def has_come(many: int = wanted_there) -> bool:
            return sum(len(names) for _, _, names in os.walk(disk / JOB / "latest")) >= many

        ends.append(calls.interrupted(*onto, number=number, once=has_come))
    assert ends[:2] == [130, -signal.SIGKILL], calls.said
    assert set(ends) <= {0, 130, -signal.SIGKILL}, calls.said
    assert calls(*onto) == 0, calls.said
    assert "Traceback" not in calls.said
    with Estate() as estate:
        carried(job, disk, estate)
        assert calls("landed", JOB) == 0, calls.said
        assert "papers: the disk has landed: 403 files" in calls.said
        after = job.done()
        assert (after.bytes.sent, after.files.new, after.files.changed) == (0, 0, 0)
        found, back = job.restore()
        assert (found.damaged, found.problems) == ([], [])
        assert unlike(wanted, seen_by_find(back)) == []
    shutil.rmtree(back)


@on("ext4")
def test_disk_that_is_mounted_read_only_is_refused_and_read_from_all_the_same(
    job: OneJob, disk: Path, calls: Calls, tmp_path: Path
) -> None:
    before = sorted(disk.rglob("*"))
    make_read_only(disk)
    code = calls("run", JOB, "--onto", str(disk))
    assert code == 1
    (line,) = calls.said.splitlines()
    assert line.startswith(
        f"otherroof: {disk}: the disk is mounted read-only, so nothing was written; mount it writable"
    )
    make_writable(disk)
    assert sorted(disk.rglob("*")) == before
    assert calls("run", JOB, "--onto", str(disk)) == 0, calls.said
    make_read_only(disk)
    assert calls("restore", JOB, "--from", str(disk), "--into", str(tmp_path / "back")) == 0, calls.said
    assert unlike(seen_by_find(job.folder), seen_by_find(tmp_path / "back")) == []
    make_writable(disk)


@on("xfs")
def test_disk_that_stops_answering_in_the_middle_is_told_in_one_line_and_gone_on_from(
    job: OneJob, disk: Path, calls: Calls, tmp_path: Path
) -> None:
    """Shut as the kernel shuts an XFS whose device has gone (ioctl_xfs_goingdown(2)): what was not written is lost."""
    require_programs("xfs_io")
    onto = ("run", JOB, "--onto", str(disk))

    def shut() -> None:
        call(["xfs_io", "-x", "-c", "shutdown", str(disk)])

    assert calls.while_at_work(*onto, deed=shut, once=(disk / JOB / "latest").is_dir) == 1, calls.said
    (line,) = [line for line in calls.said.splitlines() if "gone or does not answer" in line]
    assert line == (
        f"papers: failed: {disk}: the disk is gone or does not answer (Input/output error); plug it in and mount it "
        "anew; the same command goes on from there"
    )
    assert "Traceback" not in calls.said
    call(["umount", str(disk)])
    # What was on it, as another disk: somebody's mount namespace may hold the one that was shut for a while.
    shutil.copyfile(tmp_path / "xfs.img", tmp_path / "again.img")
    call(["mount", "-o", "loop,noatime,nouuid", str(tmp_path / "again.img"), str(disk)])
    assert calls(*onto) == 0, calls.said


@on("exfat")
def test_names_that_an_exfat_does_not_take_are_refused_in_one_line(job: OneJob, disk: Path, calls: Calls) -> None:
    job.put("to: whom.txt", "a")
    code = calls("run", JOB, "--onto", str(disk))
    assert code == 1
    assert "(exFAT) cannot hold it: to: whom.txt has a character in its name that it does not take" in calls.said
    assert sorted(disk.rglob("*")) == []
    job.path("to: whom.txt").unlink()
    assert calls("run", JOB, "--onto", str(disk)) == 0, calls.said


@on("ext4")
def test_disk_that_is_too_small_is_refused_before_anything_is_written(job: OneJob, disk: Path, calls: Calls) -> None:
    free = shutil.disk_usage(disk).free
    with (disk / "in the way").open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, max(0, free - 12_000_000))
    code = calls("run", JOB, "--onto", str(disk))
    assert code == 1
    assert "would come onto the disk, and " in calls.said
    assert [path.name for path in disk.iterdir() if path.name != "lost+found"] == ["in the way"]
    (disk / "in the way").unlink()
    assert calls("run", JOB, "--onto", str(disk)) == 0, calls.said
