"""Copy, change, copy, restore both versions against a real OpenSSH, of input that no one here wrote.

Compared with `find` and `sha256sum`. And what a real system does when a disk is full, read-only, or goes bad.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.base.errors import FarTrouble, HomeTrouble, OtherroofError
from otherroof.copying.compare.change import LARGE
from otherroof.rehearsal.compare_trees import read_tree
from support.by_find import Row, seen_by_find, unlike
from support.fresh_start import fresh_argv
from support.lab import FarSshd, ServerOptions
from support.lab.commands import call
from support.lab.disks import ImageDisk, make_read_only, make_writable, memory_disk
from support.lab.need import require_programs, require_sshd
from support.main_job import OneJob
from support.places import OLD
from support.random_days import RandomDays

pytestmark = pytest.mark.lab

SERVERS = {
    "OpenSSH": ServerOptions(),
    "without hard links": ServerOptions(without=("hardlink",)),
    "without copy-data": ServerOptions(without=("copy-data",)),
    "without fsync": ServerOptions(without=("fsync",)),
    "without limits": ServerOptions(without=("limits",)),
    "with nothing but version 3": ServerOptions(without=OLD),
}
HOSTILE = (
    b"new\nline",
    b"'\"`$(x);",
    b"\xff\xfe",
    b"n" * 255,
    b"-rf",
    b" ",
    b"\x1b[31m",
    b"\xe4\xb8\xad",
    b"back\\slash",
)


@pytest.fixture(autouse=True)
def _lab() -> None:
    require_sshd()


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with FarSshd() as sshd:
        yield OneJob(tmp_path, sshd, far_more={"connections": 0})


def came_back(job: OneJob, run: str, wanted: dict[bytes, Row]) -> None:
    found, back = job.restore(run)
    assert (found.damaged, found.problems) == ([], [])
    assert unlike(wanted, seen_by_find(back, owners=os.geteuid() == 0)) == []
    shutil.rmtree(back)


def seen(job: OneJob) -> dict[bytes, Row]:
    return seen_by_find(job.folder, owners=os.geteuid() == 0)


# -- input that no one here wrote --


def test_standard_library_and_a_day_of_work_on_it(job: OneJob) -> None:
    library = sysconfig.get_path("stdlib")
    left_out = shutil.ignore_patterns("site-packages", "__pycache__", "test", "tests", "config-*", "idlelib")
    shutil.rmtree(job.folder)
    shutil.copytree(library, job.folder, symlinks=True, ignore=left_out)
    first_day = seen(job)
    assert len(first_day) > 700
    first = job.done()
    (job.folder / "json").rename(job.folder / "json of before")
    shutil.rmtree(job.folder / "ctypes")
    shutil.copytree(job.folder / "email", job.folder / "email again")
    for number, path in enumerate(sorted(job.folder.rglob("*.py"))):
        if number % 9 == 0:
            path.write_bytes(b"# a line at the top\n" + path.read_bytes())
        elif number % 9 == 1:
            path.chmod(0o600)
        elif number % 9 == 2:
            path.unlink()
    for name in HOSTILE:
        job.put(name, name)
    second_day = seen(job)
    second = job.done()
    assert second.files.moved >= 4
    assert second.bytes.sent < first.bytes.sent / 4
    came_back(job, first.run, first_day)
    came_back(job, second.run, second_day)
    job.forget_state()
    assert job.done().bytes.sent == 0, "invariant 4"


@pytest.mark.lasts(35)
def test_two_releases_of_a_package_as_day_one_and_two(job: OneJob, tmp_path: Path) -> None:
    """Of a package that no one here had a hand in, fetched from the package registry as everybody does."""
    days: list[tuple[str, dict[bytes, Row]]] = []
    for version in ("0.20", "0.20.1"):
        unpacked = release("docutils", version, tmp_path / version)
        for path in job.folder.iterdir():
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        shutil.copytree(unpacked, job.folder, symlinks=True, dirs_exist_ok=True)
        wanted = seen(job)
        assert len(wanted) > 700
        days.append((job.done().run, wanted))
    assert job.rows()[0].report.bytes.sent < job.rows()[1].report.bytes.sent / 3
    for run, wanted in days:
        came_back(job, run, wanted)


def release(name: str, version: str, where: Path) -> Path:
    """The unpacked source of one release."""
    argv = [sys.executable, "-m", "pip", "download", "--quiet", "--disable-pip-version-check", "--no-deps"]
    argv += ["--no-binary", ":all:", "--dest", str(where), f"{name}=={version}"]
    done = subprocess.run(argv, capture_output=True, text=True, timeout=180, check=False)
    if done.returncode:
        why = f"the package registry gave no {name} {version}: {done.stderr.strip()[-200:]}"
        pytest.fail(why) if os.environ.get("CI") == "true" else pytest.skip(why)
    (archive,) = where.glob("*.tar.gz")
    with tarfile.open(archive) as packed:
        packed.extractall(where, filter="data")
    return next(path for path in where.iterdir() if path.is_dir())


# -- every way a server may be --


@pytest.mark.parametrize("options", SERVERS.values(), ids=SERVERS.keys())
def test_any_server_brings_every_version_back(tmp_path: Path, options: ServerOptions) -> None:
    """Each fallback, over days in which anything may happen."""
    with FarSshd(options=options) as sshd:
        job = OneJob(tmp_path, sshd, far_more={"connections": 2})
        days = RandomDays(job.folder, seed=len(options.without), largest=9 * LARGE)
        wanted = {}
        for _ in range(3):
            days.pass_one(14)
            found = seen(job)
            wanted[job.done().run] = found
        for run, tree in wanted.items():
            came_back(job, run, tree)
        job.all_come_back()


def test_path_too_long_for_the_far_system_is_named_and_the_rest_goes_on(
    job: OneJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A path of more than 4,096 bytes can stand in a folder here and be asked for by no whole name there."""
    job.put("a", b"1")
    job.put("z", b"2")
    monkeypatch.chdir(job.folder)
    for _ in range(20):
        os.mkdir("d" * 250)
        os.chdir("d" * 250)
    Path("deep").write_bytes(b"deep down")
    os.chdir(job.folder)
    monkeypatch.setattr("support.main_job.read_tree", lambda _: {})
    ran = job.run()
    assert ran.error is None, ran.error
    assert ran.report.outcome == "done with problems"
    assert all(one.path.startswith("ddd") for one in ran.report.problems)
    assert ran.report.problems[-1].path.endswith("/deep")
    found, back = job.restore()
    assert found.damaged == []
    assert ((back / "a").read_bytes(), (back / "z").read_bytes()) == (b"1", b"2")
    again = job.run()
    assert (again.report.outcome, again.report.bytes.sent) == ("done with problems", 0)


# -- disks --


def one_line(error: OtherroofError | None) -> str:
    assert error is not None
    assert error.advice
    assert "\n" not in str(error)
    return str(error)


def furnish(job: OneJob) -> None:
    for number in range(60):
        job.put(f"{number % 5}/{number:02}", random.Random(number).randbytes(20_000))


@pytest.mark.parametrize("content", ["a large file", "small files"])
def test_a_limit_is_kept_by_what_is_sent_over_all_connections_and_does_not_slow_what_comes_back(
    tmp_path: Path, content: str
) -> None:
    size, mbit = 8_000_000, 20
    with FarSshd() as sshd:
        job = OneJob(tmp_path, sshd, far_more={"connections": 4, "limit_mbit": mbit})
        for number in range(1 if content == "a large file" else 400):
            job.put(f"{number % 20}/{number}", os.urandom(size if content == "a large file" else size // 400))
        report = job.done()
        took = report.seconds.send + report.seconds.commit
        least = report.bytes.wire_up * 8 / 1e6 / mbit
        assert least * 0.95 < took, "faster than the limit allows"
        assert took < least * 2.5, "by far slower than it: a busy machine, and the wait for the disk, cost less"
        begun = time.monotonic()
        found, _ = job.restore(report.run)
        assert (found.damaged, found.problems) == ([], [])
        assert time.monotonic() - begun < least, "what comes back has no limit"


Spoil = Callable[[OneJob], object]
FILL: dict[str, Spoil] = {
    "with small files": lambda job: [job.put(f"new/{n}/x", os.urandom(500_000)) for n in range(40)],
    "with one large file": lambda job: job.put("new", os.urandom(20_000_000)),
}


@pytest.mark.parametrize("fill", FILL.values(), ids=FILL.keys())
def test_far_disk_that_becomes_full_is_told_and_loses_nothing(tmp_path: Path, fill: Spoil) -> None:
    """Invariants 1 and 2."""
    require_programs("mount", root=True)
    with FarSshd(options=ServerOptions(disk="12M")) as sshd:
        job = OneJob(tmp_path, sshd)
        furnish(job)
        first = job.done()
        for number in range(0, 60, 3):
            job.put(f"{number % 5}/{number:02}", b"changed %d" % number)
        job.path("1/01").unlink()
        fill(job)
        for _ in range(2):
            ran = job.run()
            assert isinstance(ran.error, FarTrouble), ran.report.problems
            assert "the far disk is full" in one_line(ran.error)
            assert job.unlike(first.run) == []
        call(["mount", "-o", "remount,size=64M", sshd.base_path])
        job.done()
        job.all_come_back()


def test_far_disk_without_room_for_more_entries_is_told(tmp_path: Path) -> None:
    require_programs("mount", root=True)
    with FarSshd(options=ServerOptions(disk="12M,nr_inodes=150")) as sshd:
        job = OneJob(tmp_path, sshd)
        furnish(job)
        first = job.done()
        for number in range(100):
            job.put(f"new/{number}", b"x")
        ran = job.run()
        assert isinstance(ran.error, FarTrouble), ran.report.problems
        assert "no room for more files" in one_line(ran.error)
        assert job.unlike(first.run) == []
        call(["mount", "-o", "remount,nr_inodes=9999", sshd.base_path])
        job.done()
        job.all_come_back()


def test_far_disk_that_is_read_only_is_told_and_loses_nothing(tmp_path: Path) -> None:
    require_programs("mount", root=True)
    with FarSshd(options=ServerOptions(disk="12M")) as sshd:
        job = OneJob(tmp_path, sshd)
        furnish(job)
        first = job.done()
        job.put("new", b"new")
        make_read_only(Path(sshd.base_path))
        ran = job.run()
        assert isinstance(ran.error, FarTrouble)
        assert "read-only" in one_line(ran.error)
        assert job.unlike(first.run) == [], "what is there can still be read"
        make_writable(Path(sshd.base_path))
        job.done()
        job.all_come_back()


def test_disk_that_is_full_at_home_during_a_restore_is_told_and_gone_on_with(job: OneJob, tmp_path: Path) -> None:
    require_programs("mount", root=True)
    furnish(job)
    job.put("big", os.urandom(9 * LARGE))
    job.put("also big", os.urandom(9 * LARGE))
    job.done()
    with memory_disk(tmp_path / "disk", "8M") as disk:
        into = disk / "back"
        with pytest.raises(HomeTrouble) as caught:
            job.restore(into=into)
        assert "--if-there keep" in one_line(caught.value)
        assert not list(into.rglob(".otherroof-part-*")), "litter"
        call(["mount", "-o", "remount,size=64M", str(disk)])
        found, _ = job.restore(into=into, existing="keep")
        assert found.damaged == []
        tree, back = next(iter(job.trees.values())), read_tree(str(into))
        assert {path: entry.digest for path, entry in back.items()} == {
            path: entry.digest for path, entry in tree.items()
        }


@pytest.mark.parametrize("how", ["read-only", "full"])
def test_state_folder_that_cannot_be_written_is_told_and_restores_go_on(job: OneJob, tmp_path: Path, how: str) -> None:
    require_programs("mount", root=True)
    with memory_disk(job.state, "4M"):
        furnish(job)
        first = job.done()
        for number in range(3000):
            job.put(f"many/{number:04}/{'long name ' * 12}", b"%d" % number)
        if how == "read-only":
            make_read_only(job.state)
        else:
            (job.state / "ballast").write_bytes(bytes(3_300_000))
        try:
            ran = job.run()
            told = one_line(ran.error)
        except OtherroofError as error:
            told = one_line(error)
        assert str(job.state) in told
        assert job.unlike(first.run) == []
        if how == "read-only":
            make_writable(job.state)
        else:
            (job.state / "ballast").unlink()
        call(["mount", "-o", "remount,size=64M", str(job.state)])
        job.done()
        job.all_come_back()


def test_bytes_that_change_on_a_dying_disk_are_found_by_reading_all(job: OneJob, tmp_path: Path) -> None:
    """Neither size, times nor inode tell of it: only `run --reread` looks at every byte."""
    require_programs("mount", "mkfs.ext4", root=True)
    job.folder.rmdir()
    with ImageDisk(job.folder, tmp_path / "image") as disk:
        path = job.put("letters/one", b"as it was written " * 300)
        job.put("letters/two", b"another " * 300)
        with patch("otherroof.copying.compare.plan.YOUNG_NS", -(1 << 62)):  # nothing counts as only just written
            first = job.done()
        before = path.stat()
        assert disk.spoil(b"as it was written", b"as it was WRITTEN") >= 300
        after = path.stat()
        assert (before.st_mtime_ns, before.st_ctime_ns, before.st_size, before.st_ino) == (
            after.st_mtime_ns,
            after.st_ctime_ns,
            after.st_size,
            after.st_ino,
        )
        assert job.done().files.changed == 0
        assert job.done(reread=True).files.changed == 1
        assert job.unlike(first.run) == [], "the copy from before the disk went bad is still there"


def test_disk_that_is_unplugged_at_home_holds_the_run(job: OneJob, tmp_path: Path) -> None:
    """Invariant 6, with a real mount point."""
    require_programs("mount", root=True)
    with memory_disk(job.folder, "8M"):
        furnish(job)
        first = job.done()
    job.put("what lay below", b"x")
    ran = job.run()
    assert ran.report.outcome == "held"
    assert "no longer a mount point" in str(ran.error)
    assert job.unlike(first.run) == []


# -- two at once --


def test_second_run_of_one_job_in_another_process_says_so(job: OneJob, tmp_path: Path) -> None:
    go_on = tmp_path / "go on"
    wait = 'for i in $(seq 600); do [ -e "$0" ] && exit; sleep 0.1; done'
    job.job_more = {"before": ["/bin/sh", "-c", wait, str(go_on)]}
    job.write_settings()
    job.put("a", b"a")
    argv = fresh_argv("run", "--config", job.config)
    first = subprocess.Popen(argv, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 60
        while not any(job.state.glob("locks/*")) and time.monotonic() < until:
            time.sleep(0.05)
        second = subprocess.run(argv, capture_output=True, text=True, timeout=60, check=False)
        assert second.returncode == 1
        assert f"process {first.pid}" in second.stderr
        assert "Traceback" not in second.stderr
        go_on.touch()
        assert first.wait(60) == 0
    finally:
        go_on.touch()
        first.kill()
        first.wait(20)
    assert [row.report.outcome for row in job.rows()] == ["done"]
    assert job.restore()[0].files == 1
