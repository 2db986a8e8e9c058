"""A file that was read within a minute of its last change is looked at once more: the next change may move no time."""

from __future__ import annotations

import gzip
import mmap
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.copying import commit as commit_module
from otherroof.copying.compare.change import LARGE
from otherroof.copying.home.read import SourceFolder
from otherroof.copying.report import RunReport
from support.main_job import OneJob, one_job

LATER_S = 300.0


@pytest.fixture
def clock() -> SteppedClock:
    """The wall clock at first, since it is held against the times of real files."""
    return SteppedClock(datetime.now(UTC))


@pytest.fixture
def job(tmp_path: Path, clock: SteppedClock) -> Iterator[OneJob]:
    with one_job(tmp_path, clock=clock) as made:
        yield made


@contextmanager
def files_read() -> Iterator[list[bytes]]:
    """The paths of the files whose content is read meanwhile, each as often as that is."""
    read: list[bytes] = []
    small, digest = SourceFolder.read_small, SourceFolder.digest

    def read_small(self: SourceFolder, path: bytes, limit: int) -> object:
        read.append(path)
        return small(self, path, limit)

    def whole(self: SourceFolder, path: bytes, key: bytes | None = None) -> object:
        read.append(path)
        return digest(self, path, key)

    with patch.object(SourceFolder, "read_small", read_small), patch.object(SourceFolder, "digest", whole):
        yield read


def well(job: OneJob) -> RunReport:
    """A run that goes well; that the far box's clock is another is no matter here."""
    ran = job.run()
    assert ran.error is None, ran.error
    assert [problem for problem in ran.report.problems if "the far clock" not in problem.why] == []
    return ran.report


def lines_of(job: OneJob, run: str) -> int:
    return len(gzip.decompress(job.listing(run).read_bytes()).splitlines())


@pytest.mark.parametrize("size", [5000, 2 * LARGE])
def test_second_change_that_moved_no_time_is_copied(job: OneJob, clock: SteppedClock, size: int) -> None:
    """As a write through memory does it to a page that was written to just before."""
    path = job.put("a", b"x" * size)
    job.path("b").hardlink_to(path)
    job.put("c", b"other")
    with path.open("r+b") as file, mmap.mmap(file.fileno(), size) as memory:
        memory[100:103] = b"one"
        well(job)
        before = path.stat()
        memory[100:103] = b"two"
        after = path.stat()
        if (before.st_mtime_ns, before.st_ctime_ns) != (after.st_mtime_ns, after.st_ctime_ns):
            pytest.skip("here such a write moves a time")
        clock.step(LATER_S)
        run = well(job)
    assert (job.latest / "a").read_bytes()[100:103] == (job.latest / "b").read_bytes()[100:103] == b"two"
    assert job.unlike(run.run) == []


def test_what_is_young_is_read_once_more_and_then_left_alone(job: OneJob, clock: SteppedClock) -> None:
    for number in range(20):
        job.put(f"{number % 3}/{number}", b"%d" % number)
    job.put("large", os.urandom(2 * LARGE))
    job.path("second name").hardlink_to(job.path("0/0"))
    job.path("link").symlink_to("large")
    first = well(job)
    clock.step(LATER_S)
    with files_read() as read:
        second = well(job)
    assert len(read) == len(set(read)) == 21
    assert (second.files.new, second.files.changed, second.bytes.sent) == (0, 0, 0)
    assert lines_of(job, first.run) == 26 + 2
    assert lines_of(job, second.run) == 2, "a listing without lines"
    clock.step(LATER_S)
    with files_read() as read:
        third = well(job)
    assert (read, lines_of(job, third.run)) == ([], 2)
    job.all_come_back()


def test_what_is_old_is_read_once(job: OneJob, clock: SteppedClock) -> None:
    job.put("a", b"1")
    clock.step(LATER_S)
    well(job)
    with files_read() as read:
        well(job)
    assert read == []


def test_date_that_a_wrong_clock_gave_is_not_young_for_ever(job: OneJob, clock: SteppedClock) -> None:
    job.put("a", b"1")
    clock.jump(-30 * 24 * 3600)
    well(job)
    with files_read() as read:
        well(job)
    assert read == []


@pytest.mark.parametrize("change", [False, True], ids=["nothing differs", "young files are the same"])
def test_kill_after_a_listing_without_lines_loses_no_line(job: OneJob, clock: SteppedClock, change: bool) -> None:
    """Invariants 1 and 8: the listing counts, the catalogue is one run behind."""
    job.put("a", b"1")
    job.put("b", b"2")
    if not change:
        clock.step(LATER_S)
    well(job)
    clock.step(LATER_S)

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    last = "replace_catalogue" if change else "Catalogue.note_run"
    with patch(f"{commit_module.__name__}.{last}", killed), pytest.raises(KeyboardInterrupt):
        job.run()
    for _ in range(2):
        clock.step(LATER_S)
        well(job)
    job.all_come_back()
