"""Far disks that take two names for one, and links that stand where the copy has a folder: nothing goes astray."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.base.errors import Denied
from otherroof.copying.send.lost_folders import outermost
from otherroof.far.requests import Script
from otherroof.layouts.open.writer import OpenWriter
from support.folding import fold_names
from support.main_job import OneJob, one_job

OTHER_NAME = "the far disk cannot tell this name from another one there"


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path, far_more={"tries": 1}) as made:
        yield made


# -- names that a disk takes for one --


@pytest.mark.parametrize(
    ("first", "second"),
    [("Photo.jpg", "photo.jpg"), ("caf\u00e9", "cafe\u0301"), ("notes", "notes."), ("list", "list ")],
)
def test_of_two_names_that_the_far_disk_takes_for_one_the_second_is_told_and_the_first_is_kept(
    job: OneJob, first: str, second: str
) -> None:
    fold_names(job.door)
    job.put(first, b"the first")
    kept = job.done()
    job.put(second, b"the second")
    ran = job.run()
    assert ran.error is None
    assert [(problem.path, problem.why) for problem in ran.report.problems] == [(second, OTHER_NAME)]
    _, back = job.restore(ran.report.run)
    assert (back / first).read_bytes() == b"the first"
    assert not (back / second).exists()
    assert job.unlike(kept.run) == []


def test_two_such_names_in_a_first_run_leave_one_file_and_one_problem(job: OneJob) -> None:
    fold_names(job.door)
    job.put("Photo.jpg", b"1")
    job.put("photo.jpg", b"22")
    ran = job.run()
    assert (ran.report.files.new, [problem.why for problem in ran.report.problems]) == (1, [OTHER_NAME])
    assert len(list(job.latest.iterdir())) == 1
    assert not job.earlier(ran.report.run).exists(), "nothing was moved aside for it"


def test_two_folders_that_the_far_disk_takes_for_one_are_not_mixed(job: OneJob) -> None:
    fold_names(job.door)
    job.put("Photos/a", b"1")
    job.done()
    job.put("photos/a", b"2")
    job.put("photos/deep/b", b"3")
    ran = job.run()
    assert {problem.path for problem in ran.report.problems} == {"photos", "photos/a", "photos/deep", "photos/deep/b"}
    assert [path.name for path in job.latest.rglob("*")] == ["Photos", "a"]
    assert (job.latest / "Photos/a").read_bytes() == b"1"


def test_a_file_that_only_changed_its_capitals_comes_under_its_new_name(job: OneJob) -> None:
    fold_names(job.door)
    path = job.put("Photo.jpg", b"the same")
    before = job.done()
    path.rename(path.with_name("photo.jpg"))
    after = job.done()
    assert after.bytes.sent == 0
    assert [path.name for path in job.latest.iterdir()] == ["photo.jpg"]
    assert job.unlike(before.run) == []


def test_a_disk_that_tells_names_apart_keeps_both(job: OneJob) -> None:
    job.put("Photo.jpg", b"1")
    job.put("photo.jpg", b"2")
    job.done()
    job.all_come_back()


# -- links where a folder should be --


def test_a_link_that_cannot_be_moved_aside_is_never_written_through(
    job: OneJob, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A link at home became a folder; the far box refuses to move its link."""
    outside = tmp_path / "far-box" / "outside"
    outside.mkdir()
    (job.folder / "album").symlink_to(outside)
    job.put("other", b"1")
    job.done()
    (job.folder / "album").unlink()
    job.put("album/picture", b"2")
    job.put("album/deep/picture", b"3")
    job.put("other", b"44")

    def refused(_writer: OpenWriter, _path: bytes) -> Script[None]:
        raise Denied("renaming was refused")
        yield

    with monkeypatch.context() as patch:
        patch.setattr(OpenWriter, "aside", refused)
        ran = job.run()
    assert ran.error is None
    assert list(outside.iterdir()) == []
    assert {problem.path for problem in ran.report.problems} == {
        "album",
        "album/picture",
        "album/deep",
        "album/deep/picture",
    }
    assert (job.latest / "other").read_bytes() == b"44"
    del job.trees[ran.report.run]
    again = job.done()
    assert again.files.new == 2, "once it can be moved, all of it comes"
    job.all_come_back()


def test_a_link_that_somebody_laid_at_the_far_end_is_never_written_through(job: OneJob, tmp_path: Path) -> None:
    """And what lay in the folder, also what did not change, is brought again: the listing is true."""
    outside = tmp_path / "far-box" / "outside"
    outside.mkdir()
    (outside / "a").write_bytes(b"not ours")
    for name in ("a", "b", "deep/c", "deep/deeper/d"):
        job.put(f"folder/{name}", name.encode())
    job.put("folder.txt", b"a neighbour in the order of names")
    job.done()
    (job.latest / "folder").rename(tmp_path / "elsewhere")
    (job.latest / "folder").symlink_to(outside)
    (job.folder / "folder/b").unlink()
    job.put("folder/a", b"11")
    job.put("folder/new", b"3")
    ran = job.run()
    assert ran.error is None
    assert os.listdir(outside) == ["a"]
    assert (outside / "a").read_bytes() == b"not ours"
    (problem,) = ran.report.problems
    assert problem.path == ""
    assert "in place of the folder folder; what belongs there is sent again" in problem.why
    assert job.unlike(ran.report.run) == []
    assert (job.earlier(ran.report.run) / "folder").is_symlink()


def test_a_link_in_place_of_a_folder_that_cannot_be_moved_is_told_and_nothing_below_is_touched(
    job: OneJob, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    outside = tmp_path / "far-box" / "outside"
    outside.mkdir()
    job.put("folder/a", b"1")
    job.done()
    (job.latest / "folder").rename(tmp_path / "elsewhere")
    (job.latest / "folder").symlink_to(outside)
    job.put("folder/a", b"11")

    def refused(_writer: OpenWriter, _path: bytes) -> Script[None]:
        raise Denied("renaming was refused")
        yield

    monkeypatch.setattr(OpenWriter, "aside", refused)
    ran = job.run()
    assert [problem.path for problem in ran.report.problems] == ["folder/a"]
    assert os.listdir(outside) == []


def cut_and_forgotten(job: OneJob) -> None:
    """A run that is killed just before it would count, and home's state is lost with it."""

    def die(*_: object) -> None:
        raise KeyboardInterrupt

    with pytest.MonkeyPatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr("otherroof.copying.run.commit_run", die)
        job.run()
    job.forget_state()


def test_a_folder_that_a_forgotten_run_made_into_a_file_is_one_again(job: OneJob) -> None:
    """A run was cut, home's state was lost with it, and home's folder is a folder again."""
    for name in ("a", "deep/b"):
        job.put(f"folder/{name}", name.encode())
    (job.folder / "other/empty/one").mkdir(parents=True)
    job.done()
    kept = [job.folder / "folder", job.folder / "other"]
    for path in kept:
        path.rename(job.where / path.name)
        path.write_bytes(b"a file now")
    cut_and_forgotten(job)
    for path in kept:
        path.unlink()
        (job.where / path.name).rename(path)
    ran = job.run()
    assert ran.error is None
    assert [problem.path for problem in ran.report.problems if problem.path] == []
    assert job.unlike(ran.report.run) == []
    assert job.done().files.new == 0


def test_a_folder_that_a_forgotten_run_made_into_a_file_stays_one(job: OneJob) -> None:
    (job.folder / "other/empty/one").mkdir(parents=True)
    job.put("folder/deep/b", b"1")
    job.done()
    for name in ("folder", "other"):
        shutil.rmtree(job.folder / name)
        job.put(name, b"a file now")
    cut_and_forgotten(job)
    ran = job.run()
    assert ran.report.problems == []
    assert job.unlike(ran.report.run) == []


def test_a_link_laid_where_a_new_folder_comes_is_moved_aside(job: OneJob, tmp_path: Path) -> None:
    outside = tmp_path / "far-box" / "outside"
    outside.mkdir()
    job.put("a", b"1")
    job.done()
    (job.latest / "new").symlink_to(outside)
    job.put("new/deep/b", b"2")
    ran = job.done()
    assert list(outside.iterdir()) == []
    assert (job.latest / "new/deep/b").read_bytes() == b"2"
    assert (job.earlier(ran.run) / "new").is_symlink()


def test_a_link_to_a_folder_of_the_copy_that_becomes_a_folder_takes_nothing_of_the_other(job: OneJob) -> None:
    """What stands below the link, as the far box sees it, is the other folder's."""
    job.put("z/z", b"the other folder's")
    job.put("z/deep/y", b"and this")
    (job.folder / "c").symlink_to("z")
    first = job.done()
    (job.folder / "c").unlink()
    job.put("c/z/new", b"1")
    job.put("c/deep/y/new", b"2")
    job.done()
    assert job.unlike(first.run) == []
    job.all_come_back()


@pytest.mark.parametrize("had", ["nothing", "a folder"])
def test_what_is_seen_through_a_link_that_somebody_laid_is_left_alone(job: OneJob, had: str) -> None:
    job.put("z/z", b"the other folder's")
    job.put("z/deep/y", b"and this")
    if had == "a folder":
        job.put("c/old", b"0")
    first = job.done()
    if had == "a folder":
        (job.latest / "c").rename(job.where / "elsewhere")
    (job.latest / "c").symlink_to("z")
    job.put("c/z/new", b"1")
    job.put("c/deep/y/new", b"2")
    ran = job.run()
    assert ran.error is None
    assert job.unlike(ran.report.run) == []
    assert (job.latest / "z/z").read_bytes() == b"the other folder's"
    if had == "nothing":
        assert job.unlike(first.run) == []


@pytest.mark.parametrize(
    ("paths", "found"),
    [
        ([], []),
        ([b"a/b", b"a"], [b"a"]),
        ([b"a", b"a.b", b"a/c", b"ab/c/d", b"ab/c"], [b"a", b"a.b", b"ab/c"]),
        ([b"a/b/c", b"a/b.c", b"a/b"], [b"a/b", b"a/b.c"]),
    ],
)
def test_outermost_paths(paths: list[bytes], found: list[bytes]) -> None:
    assert sorted(outermost(paths)) == sorted(found)


def test_a_far_disk_without_permissions_keeps_all_else(job: OneJob) -> None:
    """As kernels show FAT and exFAT: chmod(2) is refused."""
    job.door.misbehave(no_modes=True)  # type: ignore[attr-defined]
    job.put("program", b"run me", mode=0o755)
    job.put("large", b"x" * 3_000_000, mode=0o640)
    first = job.done()
    job.put("program", b"run me again", mode=0o700)
    (job.folder / "second").write_bytes(b"run me again")
    job.done()
    assert job.unlike(first.run) == []
    job.all_come_back()
