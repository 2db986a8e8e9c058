"""The invented household is the same from the same seed, holds what it promises; the comparison misses nothing."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from otherroof.rehearsal.compare_trees import Tree, differences, read_tree
from otherroof.rehearsal.day import EDITS, HOSTILE_NAME, INSERTED, change_like_a_day, empty_main_folders
from otherroof.rehearsal.household import DATABASE, invent


@pytest.fixture(scope="module")
def day_one(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Tree]:
    folder = tmp_path_factory.mktemp("day-one")
    invent(str(folder), 7)
    return folder, read_tree(str(folder))


@pytest.mark.slow
def test_same_seed_makes_the_same_household_and_the_same_day(tmp_path: Path, day_one: tuple[Path, Tree]) -> None:
    trees = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        invent(str(tmp_path / name), 7)
        if name == "a":
            assert differences(day_one[1], read_tree(str(tmp_path / name))) == []
        change_like_a_day(str(tmp_path / name), 8)
        trees.append(read_tree(str(tmp_path / name)))
    assert differences(*trees) == []
    _day_changed_what_it_says(day_one[1], trees[0])
    _disaster_is_one(tmp_path / "a", trees[0])


def _day_changed_what_it_says(before: Tree, after: Tree) -> None:
    unlike = {one.path: one for one in differences(before, after)}
    assert unlike[DATABASE].what in {"size", "digest", "mtime"}
    assert after[DATABASE].size == before[DATABASE].size + len(INSERTED)
    assert b"keepsakes/names/" + HOSTILE_NAME in after
    gone, came = before.keys() - after.keys(), after.keys() - before.keys()
    moved = {before[name].digest for name in gone} & {after[name].digest for name in came}
    assert len(moved - {""}) >= 30
    assert (before[b"keepsakes/one byte"].kind, after[b"keepsakes/one byte"].kind) == ("file", "folder")
    assert (before[b"keepsakes/empty/c"].kind, after[b"keepsakes/empty/c"].kind) == ("folder", "file")
    files = [name for name, entry in before.items() if entry.kind == "file"]
    assert len([name for name in gone if name in files]) < len(files) * 0.2, "the guard would hold this day"


def _disaster_is_one(folder: Path, before: Tree) -> None:
    gone = empty_main_folders(str(folder))
    files = sum(1 for entry in before.values() if entry.kind == "file")
    assert gone > files * 0.2, "the guard would let this pass"
    assert len(read_tree(str(folder))) < len(before) - gone


@pytest.mark.slow
def test_another_seed_makes_another_household(tmp_path: Path, day_one: tuple[Path, Tree]) -> None:
    invent(str(tmp_path), 9)
    assert read_tree(str(tmp_path))[DATABASE].digest != day_one[1][DATABASE].digest


def test_database_changes_in_scattered_places_and_shifts(tmp_path: Path, day_one: tuple[Path, Tree]) -> None:
    folder = tmp_path / "copy"
    shutil.copytree(day_one[0], folder, symlinks=True)
    change_like_a_day(str(folder), 8)
    old, new = (day_one[0] / os.fsdecode(DATABASE)).read_bytes(), (folder / os.fsdecode(DATABASE)).read_bytes()
    at = new.index(INSERTED)
    assert at < 10_000
    new = new[:at] + new[at + len(INSERTED) :]
    assert len(old) == len(new)
    pages = [place for place in range(0, len(old), 4096) if old[place : place + 4096] != new[place : place + 4096]]
    changed = len(pages) * 4096
    assert 0.003 < changed / len(old) < 0.02
    runs = sum(1 for place, page in enumerate(pages) if place == 0 or page != pages[place - 1] + 4096)
    assert runs >= EDITS // 2


def test_household_holds_every_kind_that_a_copy_stumbles_over(day_one: tuple[Path, Tree]) -> None:
    folder, tree = day_one
    names = [os.path.basename(name) for name in tree]
    assert sum(1 for entry in tree.values() if entry.kind == "file") > 2500
    assert any(len(name) == 255 for name in names)
    assert any(b"\n" in name for name in names)
    assert any(b'"' in name for name in names)
    assert any(not _is_utf8(name) for name in names)
    assert tree[DATABASE].size > 45_000_000
    assert len({name for name, entry in tree.items() if entry.kind == "symlink"}) >= 6
    assert tree[b"same as one"].names == (
        b"keepsakes/album/one",
        b"keepsakes/album/two",
        b"photos/three",
        b"same as one",
    )
    holes = tree[b"keepsakes/mostly holes.img"]
    if not holes.hole:
        pytest.skip("this file system keeps no holes")
    assert holes.hole > 60 << 20
    assert stat.S_IMODE((folder / "keepsakes" / "closed").stat().st_mode) == 0o500
    assert all(entry.mtime % 1_000_000_000 for name, entry in tree.items() if entry.kind == "file")


def _is_utf8(name: bytes) -> bool:
    try:
        name.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


# ---- the comparison


@pytest.fixture
def pair(tmp_path: Path) -> tuple[Path, Path]:
    """Two small trees that `cp -a` says are alike: a program that no one here wrote."""
    one = tmp_path / "one"
    (one / "folder").mkdir(parents=True)
    (one / "folder" / "file").write_bytes(b"content")
    (one / "folder" / "other").write_bytes(b"content")
    os.link(one / "folder" / "file", one / "linked")
    (one / "symlink").symlink_to("folder")
    with open(one / "sparse", "wb") as file:
        file.truncate(8 << 20)
    subprocess.run(["cp", "-a", "--sparse=always", str(one), str(tmp_path / "two")], check=True, timeout=30)
    return one, tmp_path / "two"


def _fill(two: Path) -> None:
    before = (two / "sparse").stat()
    (two / "sparse").write_bytes(bytes(8 << 20))
    os.utime(two / "sparse", ns=(before.st_atime_ns, before.st_mtime_ns))


def _keeping_times(change: Callable[[Path], object]) -> Callable[[Path], None]:
    def changed(two: Path) -> None:
        paths = [two, two / "folder", two / "folder" / "file", two / "folder" / "other"]
        before = [one.stat() for one in paths]
        change(two)
        for path, status in zip(paths, before, strict=True):
            if path.exists():
                os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))

    return changed


def _relink(two: Path) -> None:
    (two / "symlink").unlink()
    (two / "symlink").symlink_to("elsewhere")


def _cut_loose(two: Path) -> None:
    (two / "linked").unlink()
    shutil.copy2(two / "folder" / "file", two / "linked")


def _become_folder(two: Path) -> None:
    (two / "folder" / "other").unlink()
    (two / "folder" / "other").mkdir()


CHANGES: dict[str, tuple[Callable[[Path], object], set[tuple[bytes, str]]]] = {
    "content of the same size": (
        _keeping_times(lambda two: (two / "folder" / "other").write_bytes(b"CONTENT")),
        {(b"folder/other", "digest")},
    ),
    "length": (
        _keeping_times(lambda two: (two / "folder" / "other").write_bytes(b"content+")),
        {(b"folder/other", "digest"), (b"folder/other", "size")},
    ),
    "mode": (lambda two: (two / "folder").chmod(0o700), {(b"folder", "mode")}),
    "a nanosecond": (
        lambda two: os.utime(two / "folder" / "other", ns=(0, (two / "folder" / "other").stat().st_mtime_ns + 1)),
        {(b"folder/other", "mtime")},
    ),
    "time of the folder itself": (lambda two: os.utime(two, ns=(0, 1)), {(b".", "mtime")}),
    "missing": (_keeping_times(lambda two: (two / "folder" / "other").unlink()), {(b"folder/other", "entry")}),
    "too much": (_keeping_times(lambda two: (two / "folder" / "new").mkdir()), {(b"folder/new", "entry")}),
    "kind": (_keeping_times(_become_folder), {(b"folder/other", "kind")}),
    "link target": (_keeping_times(_relink), {(b"symlink", "target"), (b"symlink", "mtime")}),
    "hard link": (_keeping_times(_cut_loose), {(b"linked", "names"), (b"folder/file", "names")}),
    "hole": (_fill, {(b"sparse", "hole")}),
}


def test_true_copy_shows_no_difference(pair: tuple[Path, Path]) -> None:
    assert differences(read_tree(str(pair[0])), read_tree(str(pair[1]))) == []


@pytest.mark.parametrize("change", CHANGES)
def test_every_difference_is_named(pair: tuple[Path, Path], change: str) -> None:
    one, two = pair
    wanted = read_tree(str(one))
    if change == "hole" and not wanted[b"sparse"].hole:
        pytest.skip("this file system keeps no holes")
    alter, told = CHANGES[change]
    alter(two)
    found = differences(wanted, read_tree(str(two)))
    assert {(one.path, one.what) for one in found} == told
    assert all("\n" not in one.line() for one in found)


def test_difference_in_attributes_is_named(pair: tuple[Path, Path]) -> None:
    try:
        os.setxattr(pair[1] / "folder" / "other", "user.comment", b"x")
    except OSError as problem:
        pytest.skip(f"this file system has no extended attributes: {problem}")
    found = differences(read_tree(str(pair[0])), read_tree(str(pair[1])))
    assert [(one.path, one.what) for one in found] == [(b"folder/other", "attributes")]


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
def test_difference_in_owner_is_named_unless_owners_do_not_matter(pair: tuple[Path, Path]) -> None:
    os.chown(pair[1] / "folder" / "other", 12_001, 12_001)
    trees = read_tree(str(pair[0])), read_tree(str(pair[1]))
    assert [one.what for one in differences(*trees)] == ["owner"]
    assert differences(*trees, owners=False) == []
