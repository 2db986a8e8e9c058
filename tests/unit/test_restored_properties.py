"""What a restored file is: whole, its owner's, no program for another account, durable if it is large."""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.base.errors import HomeTrouble
from otherroof.far_copy.entry import Entry
from otherroof.restore import local_file, properties, target
from otherroof.restore.properties import PropertySetter, TargetNotes
from otherroof.restore.target import TargetFolder


def entry(path: bytes = b"a", **more: Any) -> Entry:
    plain = {"size": 0, "mtime_ns": 1_234_567_890_123_456_789, "mode": 0o640, "uid": os.getuid(), "gid": os.getgid()}
    return Entry(path, more.pop("kind", "file"), **(plain | more))


def digest(content: bytes) -> bytes:
    """BLAKE2b, 32 bytes (RFC 7693)."""
    return hashlib.blake2b(content, digest_size=32).digest()


@pytest.fixture
def into(tmp_path: Path) -> TargetFolder:
    return TargetFolder(os.fsencode(tmp_path / "into"), "keep")


# -- a program that acts as its owner --


@pytest.mark.parametrize("bit", [0o4000, 0o2000, 0o6000])
@pytest.mark.parametrize("other", ["owner", "group", "neither"])
def test_a_program_acts_for_nobody_but_its_own_owner_and_group(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, bit: int, other: str
) -> None:
    """The owner cannot be given by an account that is not root: as if it had not been."""
    monkeypatch.setattr(properties, "may_act_as_root", lambda: False)
    uid, gid = os.getuid() + 7 * (other == "owner"), os.getgid() + 7 * (other == "group")
    wanted = entry(mode=0o755 | bit, uid=uid, gid=gid)
    notes = TargetNotes()
    with open(tmp_path / "a", "wb") as file:
        PropertySetter(notes).set(wanted, file.fileno())
        mode = stat.S_IMODE(os.fstat(file.fileno()).st_mode)
    assert mode == (0o755 | bit if other == "neither" else 0o755)
    assert bool(notes.attributes) == (other != "neither")


def test_rights_and_time_are_put_back_and_time_is_the_last(tmp_path: Path) -> None:
    with open(tmp_path / "a", "wb") as file:
        PropertySetter(TargetNotes()).set(entry(mode=0o600), file.fileno())
    found = (tmp_path / "a").stat()
    assert (stat.S_IMODE(found.st_mode), found.st_mtime_ns) == (0o600, 1_234_567_890_123_456_789)


def test_owner_and_group_go_by_name_on_a_machine_with_other_numbers(monkeypatch: pytest.MonkeyPatch) -> None:
    given: list[tuple[int, int]] = []
    monkeypatch.setattr(properties, "may_act_as_root", lambda: True)
    monkeypatch.setattr(properties.os, "fchown", lambda _handle, uid, gid: given.append((uid, gid)))
    monkeypatch.setattr(properties.pwd, "getpwnam", _account("kim", pw_uid=1234))
    monkeypatch.setattr(properties.grp, "getgrnam", _account("family", gr_gid=4321))
    handle = os.open(os.devnull, os.O_RDONLY)
    try:
        for user, group in (("kim", "family"), ("nobody here", "none here"), ("", "")):
            with pytest.raises(_Stop):
                _owner_only(monkeypatch, entry(uid=5, gid=6, user=user, group=group), handle)
    finally:
        os.close(handle)
    assert given == [(1234, 4321), (5, 6), (5, 6)]


class _Stop(Exception):
    """The rest is not of interest."""


def _owner_only(monkeypatch: pytest.MonkeyPatch, wanted: Entry, handle: int) -> None:
    def stop(*_: object) -> None:
        raise _Stop

    monkeypatch.setattr(properties.os, "fchmod", stop)
    PropertySetter(TargetNotes()).set(wanted, handle)


def _account(known: str, **numbers: int) -> Callable[[str], Any]:
    def found(name: str) -> Any:
        if name != known:
            raise KeyError(name)
        return SimpleNamespace(**numbers)

    return found


@pytest.mark.parametrize(
    ("number", "told"), [(errno.EPERM, "noted"), (errno.ENOSPC, "ends"), (errno.EDQUOT, "ends"), (errno.EIO, "ends")]
)
def test_what_a_disk_cannot_hold_is_noted_and_a_failing_disk_ends_the_restore(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, told: str
) -> None:
    def refused(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(properties.os, "utime", refused)
    notes = TargetNotes()
    with open(tmp_path / "a", "wb") as file:
        if told == "ends":
            with pytest.raises(OSError):
                PropertySetter(notes).set(entry(), file.fileno())
        else:
            PropertySetter(notes).set(entry(), file.fileno())
    assert [path for path, _ in notes.attributes] == ([b"a"] if told == "noted" else [])


# -- a file --


def test_a_name_that_somebody_laid_there_is_never_opened(into: TargetFolder, tmp_path: Path) -> None:
    """O_EXCL (open(2)): a part's name can be guessed, and what lies there may be another's file."""
    for number in range(1, 4):
        (tmp_path / "into" / f".otherroof-part-{os.getpid()}-{number}").write_bytes(b"another's")
    with pytest.raises(HomeTrouble):
        into.create(b"a")
    assert all(path.read_bytes() == b"another's" for path in (tmp_path / "into").iterdir())


@pytest.mark.parametrize(("size", "synced"), [(64 * 1024 * 1024, False), (64 * 1024 * 1024 + 1, True)])
def test_a_large_file_is_durable_before_it_gets_its_name(
    into: TargetFolder, monkeypatch: pytest.MonkeyPatch, size: int, synced: bool
) -> None:
    order: list[str] = []
    real = os.rename
    monkeypatch.setattr(target.os, "fsync", lambda _handle: order.append("sync"))

    def rename(*words: Any, **more: Any) -> None:
        order.append("rename")
        real(*words, **more)

    monkeypatch.setattr(target.os, "rename", rename)
    handle, name = into.create(b"a")
    os.ftruncate(handle, size)
    into.finish_file(entry(size=size), handle, name)
    assert order == (["sync", "rename"] if synced else ["rename"])


def test_a_copy_with_a_hole_at_its_end_is_as_long_as_the_first(into: TargetFolder, tmp_path: Path) -> None:
    """On a disk without further names each is a file of its own."""
    content = b"x" * 8192 + bytes(65536)
    first = entry(b"first", size=len(content), holes=((8192, 65536),))
    handle, name = into.create(b"first")
    local_file.write_with_holes(handle, 0, content, first.holes)
    os.ftruncate(handle, len(content))
    into.finish_file(first, handle, name)
    into.copy(b"first", entry(b"second", size=len(content), holes=first.holes))
    assert (tmp_path / "into/second").read_bytes() == content
    assert not (tmp_path / "into/second").samefile(tmp_path / "into/first")


@pytest.mark.parametrize(
    "holes",
    [(), ((0, 10),), ((5, 5),), ((90, 10),), ((0, 100),), ((3, 4), (7, 1), (50, 30)), ((40, 400),), ((0, 3), (200, 9))],
)
@pytest.mark.parametrize("at", [0, 1000])
def test_all_but_the_holes_is_written_where_it_belongs(
    tmp_path: Path, holes: tuple[tuple[int, int], ...], at: int
) -> None:
    data = bytes(range(1, 101))
    shifted = tuple((at + start, size) for start, size in holes)
    path = tmp_path / "a"
    handle = os.open(path, os.O_RDWR | os.O_CREAT)
    try:
        local_file.write_with_holes(handle, at, data, shifted)
        os.ftruncate(handle, at + 100)
    finally:
        os.close(handle)
    wanted = bytearray(data)
    for start, size in holes:
        end = min(100, start + size)
        wanted[start:end] = bytes(max(0, end - start))
    assert path.read_bytes() == bytes(at) + bytes(wanted)


def test_what_is_written_in_bits_lies_in_a_row(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.pwrite
    monkeypatch.setattr(local_file.os, "pwrite", lambda handle, data, at: real(handle, data[:3], at))
    handle = os.open(tmp_path / "a", os.O_RDWR | os.O_CREAT)
    try:
        sink = local_file.RangeSink(handle, 5)
        sink.take(b"0123456789")
        sink.take(b"abcdefg")
        assert local_file.digest_of_handle(handle) == local_file.digest_of_handle(handle), (
            "from the beginning each time"
        )
        assert os.pread(handle, 100, 0) == bytes(5) + b"0123456789abcdefg"
    finally:
        os.close(handle)


def test_a_folder_is_private_while_it_fills(into: TargetFolder, tmp_path: Path) -> None:
    into.make_folder(entry(b"f", kind="folder", mode=0o755))
    into.create(b"f/g/a")
    assert {stat.S_IMODE((tmp_path / "into" / name).stat().st_mode) for name in ("f", "f/g")} == {0o700}


@pytest.mark.parametrize("kind", ["pipe", "another size", "other content", "link", "the same"])
def test_only_the_very_file_is_given_further_names(into: TargetFolder, tmp_path: Path, kind: str) -> None:
    content = b"the content"
    path = tmp_path / "into/a"
    if kind == "pipe":
        os.mkfifo(path)
    elif kind == "link":
        (tmp_path / "elsewhere").write_bytes(content)
        path.symlink_to(tmp_path / "elsewhere")
    else:
        path.write_bytes({"another size": content + b"!", "other content": b"x" * 11}.get(kind, content))
    wanted = entry(size=len(content), digest=digest(content))
    assert into.holds(wanted) is (kind == "the same")
