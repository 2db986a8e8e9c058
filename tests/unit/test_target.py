"""What is restored goes below one folder and nowhere else, whatever names, links and planted traps are in the way.

Invariant 5, seen from this machine.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from otherroof.base.errors import HomeTrouble, WrongUse
from otherroof.far_copy.entry import Entry
from otherroof.restore.target import CannotRestoreHere, Existing, NoHardLink, TargetExists, TargetFolder

OUTSIDE = ("outside", "outside/precious")


@pytest.fixture
def where(tmp_path: Path) -> Iterator[Path]:
    """A folder to restore into, beside one that must stay as it is."""
    (tmp_path / "outside").mkdir()
    (tmp_path / "outside/precious").write_bytes(b"precious")
    before = sorted(path.name for path in tmp_path.rglob("*"))
    yield tmp_path
    assert (tmp_path / "outside/precious").read_bytes() == b"precious"
    assert sorted(path.name for path in (tmp_path / "outside").rglob("*")) == ["precious"]
    assert [name for name in before if not (tmp_path / name).exists() and name != "precious"] == []


def target(where: Path, existing: Existing = "refuse") -> TargetFolder:
    return TargetFolder(os.fsencode(where / "into"), existing)


def entry(path: bytes, kind: str = "file", **more: object) -> Entry:
    plain: dict[str, object] = {"size": 0, "mtime_ns": 1, "mode": 0o644, "uid": os.getuid(), "gid": os.getgid()}
    return Entry(path, kind, **(plain | more))  # type: ignore[arg-type]


def write(into: TargetFolder, path: bytes, content: bytes = b"content") -> None:
    handle, name = into.create(path)
    os.write(handle, content)
    into.finish_file(entry(path, size=len(content)), handle, name)


DEEDS: dict[str, Callable[[TargetFolder, bytes], object]] = {
    "file": write,
    "folder": lambda into, path: into.make_folder(entry(path, "folder", mode=0o755)),
    "link": lambda into, path: into.symlink(entry(path, "link", target=b"x")),
    "second name": lambda into, path: into.link(b"first", path),
    "name of what is outside": lambda into, path: into.link(path, b"second"),
    "end of a folder": lambda into, path: into.finish_folder(entry(path, "folder", mode=0o777)),
}
OUT = (b"../outside/x", b"..", b"a/../../outside/x", b"/etc/x", b"", b".", b"a/", b"a//b", b"x\0y", b"./../outside/x")


@pytest.mark.parametrize("deed", DEEDS.values(), ids=DEEDS.keys())
@pytest.mark.parametrize("path", OUT)
def test_name_that_leads_out_is_refused(
    where: Path, path: bytes, deed: Callable[[TargetFolder, bytes], object]
) -> None:
    into = target(where)
    write(into, b"first")
    with pytest.raises(HomeTrouble):
        deed(into, path)
    into.close()


@pytest.mark.parametrize("deed", DEEDS.values(), ids=DEEDS.keys())
@pytest.mark.parametrize("to", ["../outside", "../..", "/", "."])
@pytest.mark.parametrize("when", ["before", "in the middle"])
def test_link_in_place_of_a_folder_is_never_walked_through(
    where: Path, deed: Callable[[TargetFolder, bytes], object], to: str, when: str
) -> None:
    """Planted by somebody who can write there too, before the restore or while it goes on."""
    (where / "into").mkdir()
    if when == "before":
        (where / "into/a").symlink_to(to)
    into = target(where, "replace")
    write(into, b"first")
    if when != "before":
        into.make_folder(entry(b"a", "folder"))
        (where / "into/a").rename(where / "into/moved")
        (where / "into/a").symlink_to(to)
    with pytest.raises(TargetExists):
        deed(into, b"a/precious")
    into.close()


def test_link_at_the_very_name_is_replaced_and_never_written_through(where: Path) -> None:
    (where / "into").mkdir()
    (where / "into/a").symlink_to("../outside/precious")
    into = target(where, "replace")
    write(into, b"a")
    assert not (where / "into/a").is_symlink()
    (where / "into/b").symlink_to("../outside/precious")
    into.symlink(entry(b"b", "link", target=b"elsewhere"))
    assert os.readlink(where / "into/b") == "elsewhere"
    (where / "into/c").symlink_to("../outside")
    with pytest.raises(TargetExists):
        into.make_folder(entry(b"c", "folder"))
    with pytest.raises(HomeTrouble):
        into.finish_folder(entry(b"c", "folder", mode=0o777))
    into.close()


def test_name_for_a_link_is_the_link_and_not_what_it_points_to(where: Path) -> None:
    into = target(where)
    into.symlink(entry(b"a", "link", target=b"../outside/precious"))
    into.link(b"a", b"b")
    assert (where / "into/b").is_symlink()
    assert (where / "outside/precious").stat().st_nlink == 1
    into.close()


def test_file_is_under_its_name_only_when_it_is_whole(where: Path) -> None:
    into = target(where)
    handle, name = into.create(b"a")
    os.write(handle, b"half")
    assert not (where / "into/a").exists()
    into.drop(b"a", handle, name)
    assert list((where / "into").iterdir()) == []
    into.close()


def test_file_is_for_its_owner_alone_until_it_is_finished(where: Path) -> None:
    into = target(where)
    handle, name = into.create(b"a")
    assert stat.S_IMODE(os.fstat(handle).st_mode) == 0o600
    into.finish_file(entry(b"a", mode=0o4755, mtime_ns=1_234_567_890_123_456_789), handle, name)
    found = (where / "into/a").stat()
    assert (stat.S_IMODE(found.st_mode), found.st_mtime_ns) == (0o4755, 1_234_567_890_123_456_789)
    into.make_folder(entry(b"f", "folder", mode=0o755))
    assert stat.S_IMODE((where / "into/f").stat().st_mode) == 0o700
    into.close()


def test_folder_that_cannot_be_written_to_gets_its_rights_last(where: Path) -> None:
    into = target(where)
    into.make_folder(entry(b"f", "folder", mode=0o500))
    write(into, b"f/a")
    into.finish_folder(entry(b"f", "folder", mode=0o500, mtime_ns=5))
    found = (where / "into/f").stat()
    assert (stat.S_IMODE(found.st_mode), found.st_mtime_ns) == (0o500, 5)
    into.close()


def test_folder_that_no_listing_names_is_made_all_the_same(where: Path) -> None:
    into = target(where)
    write(into, b"not/named/a")
    assert (where / "into/not/named/a").read_bytes() == b"content"
    into.close()


def test_attribute_that_cannot_be_put_back_is_noted_and_the_rest_goes_on(where: Path) -> None:
    into = target(where)
    handle, name = into.create(b"a")
    into.finish_file(entry(b"a", xattrs={"nonsense.x": b"1", "user.y": b"2"}), handle, name)
    assert [path for path, _ in into.notes.attributes] == [b"a"]
    assert "nonsense.x" in into.notes.attributes[0][1]
    assert (where / "into/a").exists()
    into.close()


def test_owner_goes_by_name_where_this_machine_knows_it(where: Path) -> None:
    if os.geteuid() != 0:
        pytest.skip("only root may give files away")
    into = target(where)
    for path, user, uid, wanted in (
        (b"a", "daemon", 4711, 1),
        (b"b", "nobody-here", 4711, 4711),
        (b"c", "", 4712, 4712),
    ):
        handle, name = into.create(path)
        into.finish_file(entry(path, user=user, uid=uid, group="", gid=0), handle, name)
        assert (where / "into" / os.fsdecode(path)).stat().st_uid == wanted
    into.close()


@pytest.mark.parametrize("existing", ["keep", "replace"])
def test_what_stands_there_is_treated_as_told(where: Path, existing: Existing) -> None:
    (where / "into").mkdir()
    (where / "into/a").write_bytes(b"mine")
    (where / "into/dangling").symlink_to("nowhere")
    into = target(where, existing)
    assert [into.stands(path) for path in (b"a", b"dangling", b"b")] == [existing == "keep"] * 2 + [False]
    assert not into.was_empty
    into.close()


def test_folder_that_is_not_empty_is_refused_and_one_that_is_new_is_made(where: Path) -> None:
    into = target(where)
    assert into.was_empty
    assert stat.S_IMODE((where / "into").stat().st_mode) == 0o700
    write(into, b"a")
    into.close()
    with pytest.raises(WrongUse, match="is not empty"):
        target(where)


def test_into_that_is_a_file_is_told(where: Path) -> None:
    (where / "into").write_bytes(b"")
    for into in ("into", "into/below"):
        with pytest.raises(WrongUse, match="is not a folder"):
            TargetFolder(os.fsencode(where / into), "refuse")


def test_no_handle_is_left_open(where: Path) -> None:
    before = len(os.listdir("/proc/self/fd"))
    into = target(where)
    for number in range(5):
        write(into, b"%d/deep/a" % number)
    into.link(b"0/deep/a", b"b")
    with pytest.raises(HomeTrouble):
        into.link(b"none/a", b"c")
    into.close()
    assert len(os.listdir("/proc/self/fd")) == before


# -- a disk that can do less, or an account that may do less --


def refuse(name: str, number: int) -> Any:
    """One function of the system fails as it does on such a disk."""

    def fail(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    return patch(f"otherroof.restore.target.os.{name}", fail)


@pytest.mark.parametrize(
    ("function", "number", "what"),
    [
        ("fchown", errno.EPERM, "owner"),
        ("fchmod", errno.EPERM, "mode"),
        ("utime", errno.EINVAL, "time"),
        ("setxattr", errno.EOPNOTSUPP, "attribute user.x"),
        ("setxattr", errno.ENOSPC, "attribute user.x"),  # ext4 has 4 kB of room for them beside each file
    ],
)
def test_property_that_the_disk_cannot_hold_is_noted_and_the_content_comes(
    where: Path, function: str, number: int, what: str
) -> None:
    into = target(where)
    into._properties._root = True  # as on a disk that knows no owners
    with refuse(function, number):
        handle, name = into.create(b"a")
        os.write(handle, b"content")
        into.finish_file(entry(b"a", size=7, xattrs={"user.x": b"1"}), handle, name)
        into.make_folder(entry(b"b", "folder", mode=0o755))
        into.finish_folder(entry(b"b", "folder", mode=0o755))
    assert (where / "into/a").read_bytes() == b"content"
    assert (b"a", f"{what}: {os.strerror(number)}") in into.notes.attributes
    into.close()


def test_disk_that_is_full_is_no_property_to_be_noted(where: Path) -> None:
    into = target(where)
    with refuse("utime", errno.ENOSPC), pytest.raises(HomeTrouble, match="disk is full"):
        handle, name = into.create(b"a")
        into.finish_file(entry(b"a", xattrs={"user.x": b"1"}), handle, name)
    into.close()
    assert list((where / "into").iterdir()) == []


def test_rights_of_an_owner_are_not_given_to_another(where: Path) -> None:
    """A program that acts as its owner must not act as whoever restores it."""
    into = target(where)
    into._properties._root = False
    own, other = (b"own", os.getuid()), (b"other", os.getuid() + 1)
    for path, uid in (own, other):
        handle, name = into.create(path)
        into.finish_file(entry(path, mode=0o4755, uid=uid, gid=os.stat(where / "into").st_gid), handle, name)
    into.close()
    assert [stat.S_IMODE((where / "into" / one).stat().st_mode) for one in ("own", "other")] == [0o4755, 0o755]
    assert [path for path, _ in into.notes.attributes] == [b"other"]


def test_disk_without_further_names_is_told_apart_and_takes_a_copy(where: Path) -> None:
    into = target(where)
    write(into, b"a", b"content")
    with refuse("link", errno.EPERM), pytest.raises(NoHardLink):
        into.link(b"a", b"b")
    into.copy(b"a", entry(b"b", size=7, holes=((2, 3),), mode=0o600))
    into.close()
    assert (where / "into/b").read_bytes() == b"co\0\0\0nt"
    assert stat.S_IMODE((where / "into/b").stat().st_mode) == 0o600


@pytest.mark.parametrize("number", [errno.EINVAL, errno.ENAMETOOLONG, errno.EILSEQ])
def test_name_that_the_disk_cannot_hold_is_told_as_that(where: Path, number: int) -> None:
    into = target(where)
    with refuse("rename", number), pytest.raises(CannotRestoreHere, match="another kind of disk"):
        write(into, b"what?:")
    with refuse("mkdir", number), pytest.raises(CannotRestoreHere, match="another kind of disk"):
        into.make_folder(entry(b"what?:", "folder"))
    into.close()
    assert list((where / "into").iterdir()) == []


def test_disk_that_takes_two_names_for_one_loses_neither_in_silence(where: Path) -> None:
    """`Photo` and `photo` are one name on many a stick."""
    into = target(where)
    write(into, b"photo", b"first")
    (where / "into/photo").rename(where / "into/Photo")  # what such a disk would answer for the second
    with pytest.raises(TargetExists, match="something else has this name"):
        write(into, b"Photo", b"second")
    into.close()
    assert [path.read_bytes() for path in (where / "into").iterdir()] == [b"first"]


def test_restore_that_is_broken_off_leaves_no_half_files(where: Path) -> None:
    into = target(where)
    into.make_folder(entry(b"b", "folder"))
    for path in (b"a", b"b/c"):
        os.close(into.create(path)[0])
    into.close()
    assert [path.name for path in (where / "into").rglob("*")] == ["b"]
