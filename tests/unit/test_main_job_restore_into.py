"""Where files come back to: a part of them, into what is there already, onto any disk, on a new machine."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.base.errors import HomeTrouble, WrongUse
from otherroof.copying.home.read import MOST_HOLES
from otherroof.copying.home.read import holes as holes_of
from otherroof.far_copy.entry import Entry
from otherroof.rehearsal.compare_trees import differences, read_tree
from otherroof.restore import local_file
from otherroof.restore.target import Existing, TargetFolder
from support.main_job import OneJob, one_job
from support.two_versions import BIG, RANGE, first, make_two_versions, newest, two_versions


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> OneJob:
    return make_two_versions(tmp_path_factory.mktemp("begun"))


@pytest.fixture
def job(tmp_path: Path, begun: OneJob) -> Iterator[OneJob]:
    with two_versions(tmp_path, begun) as made:
        yield made


def test_only_what_was_asked_for_comes_back(job: OneJob) -> None:
    found, back = job.restore(first(job), paths=(b"b", b"link"))
    assert sorted(str(path.relative_to(back)) for path in back.rglob("*")) == ["b", "b/c", "b/d", "link"]
    assert found.files == 3


def test_the_top_gets_its_rights_only_if_all_comes_into_an_empty_folder(tmp_path: Path) -> None:
    with one_job(tmp_path) as job:
        job.put("a", b"1")
        job.folder.chmod(0o751)
        os.utime(job.folder, (1_900_000_000, 1_900_000_000))
        job.done()
        _, back = job.restore()
        assert (back.stat().st_mode & 0o777, back.stat().st_mtime) == (0o751, 1_900_000_000)
        own = tmp_path / "own"
        for name, paths in (("part", (b"a",)), ("full", ())):
            into = own / name
            into.mkdir(parents=True, mode=0o700)
            if not paths:
                (into / "theirs").write_bytes(b"")
            job.restore(paths=paths, existing="keep", into=into)
            assert (into / "a").read_bytes() == b"1"
            assert into.stat().st_mode & 0o777 == 0o700, "it is the person's own"


def test_second_name_alone_comes_as_a_file_of_its_own(job: OneJob) -> None:
    _, back = job.restore(paths=(b"twin",))
    assert [path.name for path in back.iterdir()] == ["twin"]
    assert (back / "twin").read_bytes() == b"d stays"


@pytest.mark.parametrize("paths", [(b"nowhere",), (b"a", b"nowhere"), (b"b/c",), (b"",)])
def test_path_that_the_version_does_not_hold_is_named_and_nothing_written(job: OneJob, paths: tuple[bytes]) -> None:
    into = job.where / "back"
    with pytest.raises(WrongUse, match="holds no"):
        job.restore(newest(job), paths=paths, into=into)
    assert list(into.iterdir()) == []


def test_folder_that_is_not_empty_is_refused_untouched(job: OneJob) -> None:
    into = job.where / "back"
    into.mkdir()
    (into / "mine").write_bytes(b"mine")
    with pytest.raises(WrongUse, match="is not empty"):
        job.restore(into=into)
    assert [path.name for path in into.iterdir()] == ["mine"]


def test_what_is_there_is_kept_or_replaced_as_told(job: OneJob) -> None:
    into = job.where / "back"
    (into / "b").mkdir(parents=True)
    (into / "a").write_bytes(b"mine")
    (into / "b/d").write_bytes(b"mine too")
    (into / "link").write_bytes(b"a file here")
    found, _ = job.restore(into=into, existing="keep")
    assert found.kept == 3
    assert ((into / "a").read_bytes(), (into / "b/d").read_bytes()) == (b"mine", b"mine too")
    found, _ = job.restore(into=into, existing="replace")
    assert found.kept == 0
    tree = {path: entry for path, entry in job.trees[newest(job)].items() if path != b"."}
    back = {path: entry for path, entry in read_tree(str(into)).items() if path != b"."}
    assert [one.line() for one in differences(tree, back)] == []


def test_kept_file_lends_its_content_to_no_further_name(tmp_path: Path) -> None:
    """What is there under the first name may be anything: the second comes with the content that the listing says."""
    with one_job(tmp_path) as job:
        job.put("a", b"one file")
        job.path("b").hardlink_to(job.path("a"))
        job.path("c").hardlink_to(job.path("a"))
        job.done()
        into = tmp_path / "back"
        into.mkdir()
        (into / "a").write_bytes(b"mine!!!!")
        found, _ = job.restore(into=into, existing="keep")
        assert [(into / name).read_bytes() for name in "abc"] == [b"mine!!!!", b"one file", b"one file"]
        assert (found.files, found.kept) == (2, 1)
        assert (into / "b").samefile(into / "c")


@pytest.mark.parametrize("existing", ["keep", "replace"])
def test_what_stands_in_the_way_is_named_and_the_rest_comes_back(job: OneJob, existing: Existing) -> None:
    """A folder where a file or a link belongs and the other way round: never emptied, never written through."""
    into = job.where / "back"
    (into / "a").mkdir(parents=True)
    (into / "a/mine").write_bytes(b"mine")
    (into / "b").write_bytes(b"mine")
    (into / "link").mkdir()
    found, _ = job.restore(into=into, existing=existing)
    named = {one.path for one in found.problems}
    assert named >= ({"a", "b", "link"} if existing == "replace" else {"b"})
    assert (into / "a/mine").read_bytes() == (into / "b").read_bytes() == b"mine"
    assert (into / "twin").read_bytes() == b"d stays"
    assert not list(into.rglob(".otherroof-part-*")), "litter"


def test_disk_that_makes_no_links_gets_every_content_all_the_same(job: OneJob) -> None:
    """As on a stick that somebody brings along: further names become files, links are named, the rest is whole."""

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    with (
        patch("otherroof.restore.target.os.link", refuse),
        patch("otherroof.restore.target.os.symlink", refuse),
        patch("otherroof.restore.target.os.fchown", refuse),
    ):
        found, back = job.restore(newest(job))
    assert found.damaged == []
    assert (back / "twin").read_bytes() == b"d stays"
    assert {one.path for one in found.problems if not one.why.startswith("owner")} == {"twin", "link"}
    tree = {path: entry for path, entry in job.trees[newest(job)].items() if path != b"link"}
    assert {one.what for one in differences(tree, read_tree(str(back)))} <= {"names"}


def test_folders_on_the_way_to_a_part_get_their_rights_too(tmp_path: Path) -> None:
    with one_job(tmp_path) as job:
        job.put("years/2019/summer", b"photo")
        for number, name in enumerate(("years/2019", "years")):
            job.path(name).chmod(0o750 + number)
            os.utime(job.path(name), (10, 10))
        job.done()
        _, back = job.restore(paths=(b"years/2019/summer",))
        assert [(back / name).stat().st_mode & 0o777 for name in ("years/2019", "years")] == [0o750, 0o751]
        assert (back / "years/2019").stat().st_mtime == 10


def test_new_machine_with_settings_and_keys_alone_gets_it_all_back(job: OneJob) -> None:
    """No ledger, no catalogue, no state; it needs nothing but what the recovery sheet names."""
    job.forget_state()
    job.state.parent.chmod(0o500)
    try:
        job.all_come_back()
    finally:
        job.state.parent.chmod(0o700)


def test_disk_that_is_full_here_ends_it_with_advice_and_no_litter(job: OneJob) -> None:
    into = job.where / "back"
    real = os.pwrite

    def full(handle: int, data: object, offset: int) -> int:
        if offset > RANGE and os.readlink(f"/proc/self/fd/{handle}").startswith(str(into)):
            raise OSError(28, "No space left on device")
        return real(handle, data, offset)  # type: ignore[arg-type]

    with patch("os.pwrite", full), pytest.raises(HomeTrouble, match=r"No space left on device.*--if-there keep"):
        job.restore(into=into)
    assert not list(into.rglob(".otherroof-part-*"))
    job.restore(into=into, existing="keep")
    assert (into / "big").read_bytes() == BIG


def test_scratch_disk_that_is_full_is_told(job: OneJob) -> None:
    def full(*_: object, **__: object) -> object:
        raise OSError(28, "No space left on device")

    told = "a listing cannot be written here: No space left on device"
    with patch("otherroof.far.local_sink.open", full, create=True), pytest.raises(HomeTrouble, match=told):
        job.restore()


def test_holes_of_any_number_are_put_back(tmp_path: Path) -> None:
    with one_job(tmp_path) as job:
        with job.put("holes").open("r+b") as file:
            for number in range(50):
                file.seek(number * 200_000)
                file.write(b"x" * 5000)
            file.truncate(50 * 200_000)
        job.done()
        job.all_come_back()


def test_small_file_comes_back_with_the_hole_at_its_end(tmp_path: Path) -> None:
    """Its digest is taken of what came, not of what was written, so no other look would find it short."""
    with one_job(tmp_path) as job:
        with job.put("small", b"x" * 5000).open("r+b") as file:
            file.truncate(200_000)
        assert holes_at_the_end(job.path("small")), "this disk makes no holes"
        run = job.done().run
        assert job.unlike(run) == []


def holes_at_the_end(path: Path) -> bool:
    with path.open("rb") as file:
        return os.lseek(file.fileno(), 0, os.SEEK_HOLE) < path.stat().st_size


def test_a_folder_is_closed_only_after_all_that_is_below_it(job: OneJob) -> None:
    """Its rights may forbid to enter it, and then nobody but root could finish what lies below."""
    closed: list[bytes] = []

    def note(_: TargetFolder, entry: Entry) -> None:
        closed.append(entry.path)

    job.path("b/deep/down").mkdir(parents=True)
    job.done()
    with patch.object(TargetFolder, "finish_folder", note):
        job.restore()
    below = [path for path in closed if path.startswith(b"b")]
    assert below == [b"b/deep/down", b"b/deep", b"b"]


def with_holes(path: Path, count: int) -> int:
    """A file with `count` holes of 4 kB, and one of 40 kB among them; its size."""
    with path.open("wb") as file:
        for number in range(count - 1):
            file.seek(number * 8192 + 4096 + (36_864 if number > count // 2 else 0))
            file.write(b"%4096d" % number)
        file.truncate(file.tell() + 4096)
    return path.stat().st_size


def test_of_very_many_holes_the_largest_are_told_and_the_handle_is_at_the_start_again(tmp_path: Path) -> None:
    path = tmp_path / "holes"
    size = with_holes(path, MOST_HOLES + 200)
    with path.open("rb", buffering=0) as file:
        found = holes_of(file.fileno(), size)
        assert os.lseek(file.fileno(), 0, os.SEEK_CUR) == 0
    if not found:
        pytest.skip("this file system keeps no holes")
    assert len(found) == MOST_HOLES
    assert list(found) == sorted(found)
    assert max(length for _, length in found) == 40_960
    content = path.read_bytes()
    assert not any(any(content[at : at + length]) for at, length in found)


def test_file_of_very_many_holes_comes_back(tmp_path: Path) -> None:
    with one_job(tmp_path) as job:
        with_holes(job.put("holes"), MOST_HOLES + 200)
        job.done()
        job.all_come_back()


@pytest.mark.parametrize(
    ("size", "holes"), [(0, ()), (10, ()), (10, ((0, 10),)), (30_000_000, ((0, 9_000_000), (20_000_000, 1)))]
)
def test_ranges_cover_all_but_the_holes(size: int, holes: tuple[tuple[int, int], ...]) -> None:
    covered = bytearray(size)
    for at, length in local_file.ranges_of(size, holes):
        assert 0 < length <= local_file.RANGE
        covered[at : at + length] = b"\1" * length
    for at, length in holes:
        assert not any(covered[at : at + length])
        covered[at : at + length] = b"\1" * length
    assert all(covered)


def test_nothing_of_the_folder_that_was_restored_into_stays_open(job: OneJob) -> None:
    """Else the disk that it is on cannot be unmounted as long as the program goes on, and handles run out."""
    _, back = job.restore(paths=(b"a",))
    held = [os.readlink(f"/proc/self/fd/{number}") for number in os.listdir("/proc/self/fd") if _is_open(number)]
    assert str(back) not in held


def _is_open(number: str) -> bool:
    return os.path.lexists(f"/proc/self/fd/{number}")  # not the handle that looked for them
