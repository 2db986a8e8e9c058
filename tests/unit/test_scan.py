"""The scan gives every entry once, in byte order of the path, whatever its name, and says what it did not look into."""

from __future__ import annotations

import os
import random
import resource
import socket
import stat
import subprocess
from itertools import pairwise
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.base.errors import HomeTrouble
from otherroof.copying.home import scan as scan_module
from otherroof.copying.home.leave_out import leave_out_rule
from otherroof.copying.home.scan import CACHE_TAG_BYTES, Batch, Scan, starts_new_batch
from otherroof.far_copy.numbers import COLUMNS, HARD, join_path, pack_batch, unpack_batch

# Published by the specification of cache directories, https://bford.info/cachedir/ : "Signature: " and the MD5 of
# ".IsCacheDirectory".
SIGNATURE = b"Signature: 8a477f597d28d172789f06886806bc55"

HOSTILE = (
    b"new\nline", b"'", b'"', b"\\", b" ", b"  two ", b"-rf", b"$HOME", b"`x`", b"\xff\xfe", b"\xc3", b"\xe4\xb8\xad",
    b"e\xcc\x81", b"\xc3\xa9", b"\x1b[31m", b"\x7f", b"\x01", b"n" * 255, b"\xff" * 255, b"...", b".hid", b"a;b", b"*?",
)  # fmt: skip


def paths(scan: Scan) -> list[bytes]:
    return [join_path(batch.folder, name) for batch in scan for name in batch.names]


def make(root: Path, *names: bytes) -> None:
    """Files at these paths, or folders where a name ends in a slash."""
    for name in names:
        path = os.path.join(os.fsencode(root), name)
        os.makedirs(path if name.endswith(b"/") else os.path.dirname(path), exist_ok=True)
        if not name.endswith(b"/"):
            with open(path, "wb") as file:
                file.write(b"x")


def scan_of(root: Path, **more: object) -> Scan:
    return Scan(os.fsencode(root), **more)  # type: ignore[arg-type]


def test_names_of_any_bytes_come_as_they_are(tmp_path: Path) -> None:
    make(tmp_path, *HOSTILE, *(name + b"/" + name for name in (b"\xff\xfe2", b"two\nlines")))
    assert sorted(HOSTILE) == [name for name in paths(scan_of(tmp_path)) if b"/" not in name and name in HOSTILE]
    assert b"\xff\xfe2/\xff\xfe2" in paths(scan_of(tmp_path))


@pytest.mark.parametrize("portion", [1, 2, 3, 7, 4096])
def test_order_is_that_of_the_bytes_of_the_whole_path(
    tmp_path: Path, portion: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder's content sorts at its name with a slash: after `a-`, before `a0`."""
    monkeypatch.setattr(scan_module, "NAMES_AT_ONCE", portion)
    make(
        tmp_path, b"a/z", b"a/b/c", b"a-", b"a.txt", b"a0", b"aa/b", b"a /x", b"a!/y", b"b/", b"c/", b"c0", b"\xff/\xfe"
    )
    found = paths(scan_of(tmp_path))
    assert found == sorted(found)
    assert len(found) == len(set(found))
    assert set(found) == {os.fsencode(path.relative_to(tmp_path)) for path in tmp_path.rglob("*")}
    inside = [found.index(path) for path in (b"a", b"a-", b"a.txt", b"a/b", b"a0")]
    assert inside == sorted(inside)


@pytest.mark.parametrize("seed", range(5))
def test_batches_depend_on_names_alone(tmp_path: Path, seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    dice = random.Random(seed)
    cuts = [b"%d" % number for number in range(9000) if starts_new_batch(b"%d" % number)]
    names = [b"f%d" % dice.randrange(10**6) for _ in range(300)] + cuts[:5] + [b"f1/" + name for name in cuts[:2]]
    make(tmp_path, *names)
    whole = [(batch.folder, batch.names) for batch in scan_of(tmp_path)]
    monkeypatch.setattr(scan_module, "NAMES_AT_ONCE", 17)
    assert [(batch.folder, batch.names) for batch in scan_of(tmp_path)] == whole
    for folder, held in whole:
        assert not any(starts_new_batch(name) for name in held[1:]), folder
    for (one, _), (two, names_two) in pairwise(whole):
        assert one != two or starts_new_batch(names_two[0])


def test_numbers_are_those_of_the_system(tmp_path: Path) -> None:
    make(tmp_path, b"file", b"folder/inside")
    os.symlink(b"file", os.path.join(os.fsencode(tmp_path), b"link"))
    os.utime(tmp_path / "file", ns=(1, 1_234_567_890_123_456_789))
    looked = 0
    for batch in scan_of(tmp_path):
        for place, name in enumerate(batch.names):
            found = os.lstat(os.path.join(os.fsencode(tmp_path), join_path(batch.folder, name)))
            size = 0 if stat.S_ISDIR(found.st_mode) else found.st_size
            numbers = tuple(batch.numbers[place * COLUMNS : (place + 1) * COLUMNS])
            assert numbers == (found.st_ino, size, found.st_mtime_ns, found.st_ctime_ns, found.st_mode)
            looked += 1
    assert looked == 4


def test_links_are_never_followed(tmp_path: Path) -> None:
    make(tmp_path, b"real/inside")
    (tmp_path / "to folder").symlink_to("real")
    (tmp_path / "round").symlink_to(".")
    (tmp_path / "to nowhere").symlink_to("/nowhere")
    assert paths(scan_of(tmp_path)) == [b"real", b"real/inside", b"round", b"to folder", b"to nowhere"]


def test_names_of_one_file_are_told(tmp_path: Path) -> None:
    make(tmp_path, b"a", b"alone")
    (tmp_path / "b").hardlink_to(tmp_path / "a")
    (batch,) = list(scan_of(tmp_path))
    assert batch.hard == dict.fromkeys((b"a", b"b"), (tmp_path / "a").stat().st_dev)
    modes = batch.numbers[4::COLUMNS]
    assert [bool(mode & HARD) for mode in modes] == [True, False, True]


def test_sockets_fifos_and_devices_are_counted_and_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make(tmp_path, b"a")
    os.mkfifo(tmp_path / "fifo")
    monkeypatch.chdir(tmp_path)
    wanted = 2
    with socket.socket(socket.AF_UNIX) as ear:
        ear.bind("socket")
    if os.geteuid() == 0:
        os.mknod(tmp_path / "device", stat.S_IFCHR | 0o600, os.makedev(1, 3))
        wanted = 3
    scan = scan_of(tmp_path)
    assert paths(scan) == [b"a"]
    assert scan.notes.left_out == wanted
    assert scan.notes.problems == []


# -- what is left out --


def test_patterns_leave_out_as_version_control_does(tmp_path: Path) -> None:
    make(tmp_path, b"keep.txt", b"a.tmp", b"deep/b.tmp", b".cache/x", b"deep/.cache/y", b"build/z", b"deep/build/z")
    make(tmp_path, b"important.tmp", b"\xff.tmp", b"new\nline.tmp", b"#album", b"a/b.old", b"a/deep/c.old")
    make(tmp_path, b"thumbs/x", b"li\nne/thumbs/y", b"p/q", b"p.q")
    patterns = (
        "#album",
        "*.tmp",
        "!important.tmp",
        ".cache/",
        "/build",
        "/a/*.old",
        "/p?q",
        "**/thumbs",
    )  # one comment
    scan = scan_of(tmp_path, left_out=leave_out_rule(patterns))
    kept = [b"a", b"a/deep", b"a/deep/c.old", b"deep", b"deep/build", b"deep/build/z", b"p", b"p/q", b"li\nne"]
    assert sorted(paths(scan)) == sorted([b"#album", b"important.tmp", b"keep.txt", *kept])


def test_no_patterns_are_no_function_at_all() -> None:
    assert leave_out_rule(()) is None


def test_cache_folder_keeps_its_tag_and_nothing_else(tmp_path: Path) -> None:
    assert CACHE_TAG_BYTES == SIGNATURE
    make(tmp_path, b"cache/deep/x", b"cache/y", b"other/z")
    (tmp_path / "cache/CACHEDIR.TAG").write_bytes(SIGNATURE + b"\n# made by a test\n")
    (tmp_path / "other/CACHEDIR.TAG").write_bytes(b"Signature: something else entirely, as long as it\n")
    assert paths(scan_of(tmp_path)) == [b"cache", b"cache/CACHEDIR.TAG", b"other", b"other/CACHEDIR.TAG", b"other/z"]


def test_cache_tag_that_is_no_file_makes_no_cache(tmp_path: Path) -> None:
    make(tmp_path, b"a/CACHEDIR.TAG/x", b"b/y", b"c/y")
    os.mkfifo(tmp_path / "b/CACHEDIR.TAG")  # opening it must not wait for a writer
    (tmp_path / "tag").write_bytes(SIGNATURE)
    (tmp_path / "c/CACHEDIR.TAG").symlink_to("../tag")
    assert {b"a/CACHEDIR.TAG/x", b"b/y", b"c/y"} <= set(paths(scan_of(tmp_path)))


# -- other disks --


def other_device(name: bytes, real: object) -> object:
    """`os.fstat`, but a folder of this name is on a disk of its own."""

    def fstat(handle: int) -> os.stat_result:
        found = real(handle)  # type: ignore[operator]
        if os.path.basename(os.readlink(b"/proc/self/fd/%d" % handle)) != name:
            return found
        changed = list(found)
        changed[stat.ST_DEV] = 999
        return os.stat_result(changed)

    return fstat


def test_other_disk_is_not_entered_unless_told(tmp_path: Path) -> None:
    make(tmp_path, b"here/a", b"mounted/b")
    with patch("os.fstat", other_device(b"mounted", os.fstat)):
        scan = scan_of(tmp_path)
        assert paths(scan) == [b"here", b"here/a", b"mounted"]
        assert scan.notes.problems == []
        assert scan.notes.other_disks == [b"mounted"]
        assert paths(scan_of(tmp_path, other_disks=True)) == [b"here", b"here/a", b"mounted", b"mounted/b"]


# -- what cannot be read --


def refusing(*names: str | bytes) -> object:
    real = os.open

    def refuse(path: object, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        if path in names:
            raise PermissionError(13, "Permission denied", path)
        return real(path, flags, mode, dir_fd=dir_fd)  # type: ignore[arg-type]

    return refuse


def test_folder_that_cannot_be_read_is_named_and_blind(tmp_path: Path) -> None:
    make(tmp_path, b"a/x", b"shut/y/z", b"zz")
    with patch("os.open", refusing(b"shut")):
        scan = scan_of(tmp_path)
        assert paths(scan) == [b"a", b"a/x", b"shut", b"zz"]
    assert [(one.path, one.why) for one in scan.notes.problems] == [("shut", "cannot be read: Permission denied")]
    assert scan.notes.is_blind(b"shut")
    assert scan.notes.is_blind(b"shut/y/z")
    assert not scan.notes.is_blind(b"shut2")
    assert not scan.notes.is_blind(b"a/shut")


def test_folder_whose_names_cannot_be_read_is_blind(tmp_path: Path) -> None:
    make(tmp_path, b"a/x", b"b/y")
    real = os.listdir

    def listdir(handle: int) -> list[str]:
        if os.readlink(f"/proc/self/fd/{handle}").endswith("/b"):
            raise OSError(5, "Input/output error")
        return real(handle)

    with patch("os.listdir", listdir):
        scan = scan_of(tmp_path)
        assert paths(scan) == [b"a", b"a/x", b"b"]
    assert scan.notes.blind == {b"b"}


def test_entry_that_cannot_be_looked_at_is_blind(tmp_path: Path) -> None:
    make(tmp_path, b"a", b"b")
    real = os.stat

    def look(path: object, **more: object) -> os.stat_result:
        if path == b"b":
            raise OSError(5, "Input/output error")
        return real(path, **more)  # type: ignore[arg-type]

    with patch("os.stat", look):
        scan = scan_of(tmp_path)
        assert paths(scan) == [b"a"]
    assert scan.notes.blind == {b"b"}


def test_entry_that_goes_while_its_folder_is_read_is_simply_not_there(tmp_path: Path) -> None:
    make(tmp_path, b"a", b"b", b"c/d")
    real = os.listdir

    def listdir(handle: int) -> list[str]:
        return [*real(handle), "gone"]

    with patch("os.listdir", listdir):
        scan = scan_of(tmp_path)
        assert paths(scan) == [b"a", b"b", b"c", b"c/d"]
    assert scan.notes.problems == []


@pytest.mark.parametrize("what", ["absent", "file"])
def test_root_that_is_no_folder_ends_the_scan(tmp_path: Path, what: str) -> None:
    if what == "file":
        (tmp_path / "root").write_bytes(b"")
    with pytest.raises(HomeTrouble, match="cannot be read"):
        list(scan_of(tmp_path / "root"))


def test_scan_that_is_given_up_leaves_no_handle_open(tmp_path: Path) -> None:
    make(tmp_path, b"a/b/c/d", b"x")
    before = len(os.listdir("/proc/self/fd"))
    walk = iter(scan_of(tmp_path))
    next(walk)
    next(walk)
    assert len(os.listdir("/proc/self/fd")) > before
    del walk
    assert len(os.listdir("/proc/self/fd")) == before


def make_deep(root: Path, depth: int) -> None:
    """Folders in one another, `z` in each, with a file before and one after it."""
    at = os.open(root, os.O_RDONLY)
    for _ in range(depth):
        for name in ("a", "zz"):
            os.close(os.open(name, os.O_CREAT | os.O_WRONLY, dir_fd=at))
        os.mkdir("z", dir_fd=at)
        below = os.open("z", os.O_RDONLY, dir_fd=at)
        os.close(at)
        at = below
    os.close(at)


def test_folder_deeper_than_there_are_handles_is_scanned_whole(tmp_path: Path) -> None:
    """And deeper than a path can be long, or Python calls itself."""
    make_deep(tmp_path, 2100)
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (len(os.listdir("/proc/self/fd")) + 150, hard))
    try:
        scan = scan_of(tmp_path)
        count = sum(len(batch.names) for batch in scan)
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
        subprocess.run(["rm", "-rf", tmp_path / "z"], check=True, timeout=60)
    assert (count, scan.notes.problems) == (6300, [])


def test_folder_that_is_moved_while_the_walk_is_far_below_it_ends_the_scan(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else what is in the folder above would be taken for gone."""
    monkeypatch.setattr(scan_module, "MOST_OPEN", 2)
    (tmp_path / "top").mkdir()
    make_deep(tmp_path / "top", 6)
    with pytest.raises(HomeTrouble, match="was moved while it was looked through"):
        for batch in scan_of(tmp_path / "top"):
            if batch.folder.count(b"/") == 4:
                (tmp_path / "top/z/z").rename(tmp_path / "away")


def test_packed_numbers_come_out_as_they_went_in() -> None:
    names = [b"a", b"", b"\xff\n"]
    numbers = [2**63 - 1, 0, -1, -(2**63), 7] * 3
    assert (unpack_batch(pack_batch(names, numbers), 3)[0], list(unpack_batch(pack_batch(names, numbers), 3)[1])) == (
        names,
        numbers,
    )
    assert Batch(b"f", names, numbers).packed() != Batch(b"f", names, [*numbers[:-1], 8]).packed()


def test_folder_of_many_names_costs_few_calls(tmp_path: Path) -> None:
    """One look for each entry: a million files must not take two million calls."""
    make(tmp_path, *(b"%d" % number for number in range(200)))
    calls = 0
    real = os.stat

    def look(*given: object, **more: object) -> os.stat_result:
        nonlocal calls
        calls += 1
        return real(*given, **more)  # type: ignore[arg-type]

    with patch("os.stat", look):
        assert len(paths(scan_of(tmp_path))) == 200
    assert calls == 200
