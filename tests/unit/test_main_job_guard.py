"""A folder that lost its files, its content or its disk: nothing of it reaches the far copy until a person says so.

Invariant 6: a run over the guard's limits sends nothing.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from otherroof.base.errors import EXIT_HELD, Held
from otherroof.copying import commit
from otherroof.copying.compare import find_changes
from otherroof.copying.home.read import SourceFolder
from support.main_job import OneJob, one_job

FILES = 200


@pytest.fixture(scope="module")
def first_day(tmp_path_factory: pytest.TempPathFactory) -> OneJob:
    with one_job(tmp_path_factory.mktemp("first-day")) as made:
        for number in range(FILES):
            made.put(f"{number % 4}/{number:03}", b"file %d" % number)
        made.done()
    return made


@pytest.fixture
def job(tmp_path: Path, first_day: OneJob) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        made.go_on_from(first_day)
        yield made


def remove(job: OneJob, count: int) -> None:
    for path in sorted(job.folder.rglob("*/*"))[:count]:
        path.unlink()


def rewrite(job: OneJob, count: int) -> None:
    for path in sorted(job.folder.rglob("*/*"))[:count]:
        path.write_bytes(b"encrypted " + os.urandom(20))


def empty(job: OneJob) -> None:
    for path in job.folder.iterdir():
        shutil.rmtree(path)


def far_files(job: OneJob) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in job.far.rglob("*") if path.is_file()}


def must_be_held(job: OneJob, why: str) -> None:
    """The run is held for this reason, and nothing at the far end has changed in any way."""
    before = far_files(job)
    ran = job.run()
    assert isinstance(ran.error, Held)
    assert ran.error.exit_code == EXIT_HELD
    assert why in str(ran.error)
    assert "otherroof release papers" in str(ran.error)
    assert (ran.report.outcome, ran.report.bytes.sent) == ("held", 0)
    assert far_files(job) == before
    row = job.rows()[0].report
    assert (row.outcome, row.run) == ("held", ran.report.run)


def overwrite(job: OneJob, count: int, size: int = 0) -> None:
    """Other bytes in place, `size` or as many as before; then the times are put back, as malicious encryption does."""
    for path in sorted(job.folder.rglob("*/*"))[:count]:
        was = path.stat()
        path.write_bytes(os.urandom(size or was.st_size))
        os.utime(path, ns=(was.st_atime_ns, was.st_mtime_ns))


CASES: dict[str, tuple[Callable[[OneJob], None], str]] = {
    "more than a fifth would go": (lambda job: remove(job, 41), "41 of 200 files would go (20.5 %, the limit is 20 %)"),
    "more than half would be replaced": (lambda job: rewrite(job, 101), "101 of 200 files would be replaced"),
    "more than half are overwritten and their times put back": (
        lambda job: overwrite(job, 101),
        "101 of 200 files would be replaced (50.5 %, the limit is 50 %)",
    ),
    "all would go": (empty, "the folder is empty; the far copy holds 200 files"),
}


@pytest.mark.parametrize(("slip", "why"), CASES.values(), ids=CASES.keys())
def test_run_is_held_each_time_until_it_is_released(job: OneJob, slip: Callable[[OneJob], None], why: str) -> None:
    slip(job)
    must_be_held(job, why)
    must_be_held(job, why)
    job.release()
    job.done()
    job.all_come_back()


@pytest.mark.parametrize("slip", [lambda job: remove(job, 40), lambda job: rewrite(job, 100)], ids=["go", "replaced"])
def test_as_many_as_the_limit_may_change(job: OneJob, slip: Callable[[OneJob], None]) -> None:
    slip(job)
    job.done()


def test_files_that_moved_or_were_touched_count_as_neither(job: OneJob) -> None:
    job.path("0").rename(job.path("moved"))
    for path in sorted(job.folder.rglob("1/*")) + sorted(job.folder.rglob("2/*")) + sorted(job.folder.rglob("3/*")):
        os.utime(path, ns=(1, 1))
    report = job.done()
    assert (report.files.moved, report.files.removed, report.files.changed) == (50, 0, 0)


def test_files_replaced_by_the_same_content_are_looked_at_before_a_run_is_held(job: OneJob) -> None:
    for path in sorted(job.folder.rglob("*/*")):
        content = path.read_bytes()
        path.unlink()
        path.write_bytes(content)
    assert job.done().files.changed == 0


def test_release_lets_pass_what_was_seen_and_no_more(job: OneJob) -> None:
    remove(job, 60)
    must_be_held(job, "60 of 200 files would go")
    job.release()
    remove(job, 60)
    must_be_held(job, "120 of 200 files would go")


def test_release_ends_with_the_run_that_used_it(job: OneJob) -> None:
    remove(job, 60)
    must_be_held(job, "would go")
    job.release()
    job.done()
    remove(job, 60)
    must_be_held(job, "60 of 140 files would go")


def test_files_that_come_back_need_no_release(job: OneJob) -> None:
    away = job.where / "away"
    job.path("1").rename(away)
    must_be_held(job, "50 of 200 files would go")
    away.rename(job.path("1"))
    job.done()
    assert job.rows()[0].report.outcome == "done"


def test_small_folder_may_lose_all_but_its_last_file(tmp_path: Path) -> None:
    with one_job(tmp_path) as job:
        for number in range(99):
            job.put(f"{number}", b"%d" % number)
        job.done()
        for number in range(98):
            job.path(f"{number}").unlink()
        job.done()
        job.path("98").unlink()
        must_be_held(job, "the folder is empty; the far copy holds 1 file")


def test_limits_of_the_job_are_kept(tmp_path: Path) -> None:
    with one_job(tmp_path, job_more={"guard": {"removed_percent": 5, "from_files": 10}}) as job:
        for number in range(20):
            job.put(f"{number}", b"%d" % number)
        job.done()
        job.path("1").unlink()
        job.done()
        job.path("2").unlink()
        must_be_held(job, "1 of 19 files would go (5.3 %, the limit is 5 %)")


def test_disk_that_is_no_longer_mounted_is_not_taken_for_its_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mounted = True
    for module in (find_changes, commit):
        monkeypatch.setattr(module, "is_mount_point", lambda _: mounted)
    with one_job(tmp_path) as job:
        job.put("a", b"on the disk")
        job.done()
        mounted = False
        job.put("b", b"what lay below it")
        must_be_held(job, "no longer a mount point")
        mounted = True
        job.path("b").unlink()
        job.done()
        mounted = False
        must_be_held(job, "no longer a mount point")
        job.release()
        job.done()
        job.done()


def long_files(job: OneJob) -> None:
    for path in job.folder.rglob("*/*"):
        path.write_bytes(b"%s of many like it. " % path.name.encode() * 50)


def test_content_that_turned_into_noise_is_seen_before_it_is_sent(job: OneJob) -> None:
    """Invariant 6: far below the limit for changes, with other times or with the same ones."""
    long_files(job)
    assert isinstance(job.run().error, Held)
    job.release()
    job.done()
    overwrite(job, 25)
    for path in sorted(job.folder.rglob("*/*"))[:15]:
        path.write_bytes(os.urandom(1200))
    must_be_held(job, "25 of 200 files would be replaced by what looks encrypted (25 of 25 looked into")
    job.release()
    job.done()
    job.all_come_back()


@pytest.mark.parametrize("start", [b"\xff\xd8\xff\xe0", b"\x89PNG\r\n", b"PK\3\4"])
def test_new_versions_of_what_is_compressed_anyway_are_no_noise(job: OneJob, start: bytes) -> None:
    for path in sorted(job.folder.rglob("*/*"))[:60]:
        path.write_bytes(start + os.urandom(2000))
    job.done()


def test_a_few_files_of_noise_are_a_household_s_own_affair(job: OneJob) -> None:
    for path in sorted(job.folder.rglob("*/*"))[:20]:
        path.write_bytes(os.urandom(2000))
    job.done()


@pytest.mark.parametrize("what", ["owner", "mode", "time"])
def test_files_that_only_got_another_owner_mode_or_time_are_not_held(job: OneJob, what: str) -> None:
    if what == "owner" and os.geteuid() != 0:
        pytest.skip("only root can give files away")
    for path in job.folder.rglob("*/*"):
        if what == "owner":
            os.chown(path, 1234, 1234)
        elif what == "mode":
            path.chmod(0o600)
        else:
            path.touch()
    dry = job.run(dry=True)
    assert dry.error is None
    report = job.done()
    assert (dry.report.files.changed, report.files.changed, report.bytes.sent) == (0, 0, 0)
    job.all_come_back()


def test_files_looked_at_for_the_guard_are_not_read_again(job: OneJob, monkeypatch: pytest.MonkeyPatch) -> None:
    for path in job.folder.rglob("*/*"):
        path.chmod(0o600)
    read: list[bytes] = []
    for name in ("digest", "read_small"):
        real = getattr(SourceFolder, name)
        monkeypatch.setattr(
            SourceFolder, name, lambda self, path, *more, real=real: read.append(path) or real(self, path, *more)
        )
    job.done()
    assert len(read) == len(set(read)) == FILES


def test_dry_run_tells_what_the_run_would_replace_though_times_were_put_back(job: OneJob) -> None:
    overwrite(job, 30)
    for path in sorted(job.folder.rglob("*/*"))[100:150]:
        path.touch()
    dry = job.run(dry=True)
    assert dry.error is None
    real = job.done()
    assert (dry.report.files.changed, real.files.changed) == (30, 30)
    assert dry.report.bytes.new == real.bytes.new == real.bytes.sent


def test_dry_run_tells_that_it_would_be_held_and_leaves_no_hold(job: OneJob) -> None:
    empty(job)
    ran = job.run(dry=True)
    assert isinstance(ran.error, Held)
    assert len(job.rows()) == 1
