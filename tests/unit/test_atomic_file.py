"""Files put in place in one step: never half of one, never readable too early, never lost to their owner."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import Any

import pytest

from otherroof.base import atomic_file
from otherroof.base.errors import HomeTrouble


def mode_of(path: str) -> int:
    return stat.S_IMODE(os.stat(path).st_mode)


def test_a_file_that_appears_meanwhile_is_not_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = str(tmp_path / "key")
    link = os.link

    def late(source: str, target: str, **more: Any) -> None:
        Path(path).write_text("another process was quicker", encoding="ascii")
        link(source, target, **more)

    monkeypatch.setattr(os, "link", late)
    assert atomic_file.create_file(path, b"mine") is False
    assert Path(path).read_text(encoding="ascii") == "another process was quicker"
    assert os.listdir(tmp_path) == ["key"]


def test_a_new_file_is_made_once_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    path = str(tmp_path / "key")
    assert atomic_file.create_file(path, "one") is True
    assert atomic_file.create_file(path, "two") is False
    assert Path(path).read_text(encoding="ascii") == "one"
    assert os.listdir(tmp_path) == ["key"]
    assert mode_of(path) == 0o600


@pytest.mark.parametrize("call", ["fsync", "rename", "fchmod"])
def test_a_disk_that_refuses_leaves_the_old_file_and_nothing_half_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    path = str(tmp_path / "file")
    atomic_file.replace_file(path, b"old")

    def full(*_given: object, **_more: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, call, full)
    with pytest.raises(HomeTrouble, match="the page cannot be written: No space left on device; mend the disk"):
        atomic_file.replace_file(path, b"new", what="the page", advice="mend the disk")
    assert Path(path).read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["file"]


def test_the_file_is_renamed_only_after_it_is_synced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []

    def note(name: str) -> None:
        real = getattr(os, name)

        def noted(*given: object, **more: object) -> object:
            done.append(name)
            return real(*given, **more)

        monkeypatch.setattr(os, name, noted)

    note("fsync")
    note("rename")
    atomic_file.replace_file(str(tmp_path / "file"), b"text")
    assert done == ["fsync", "rename", "fsync"]


def test_a_secret_is_at_no_instant_open_to_others_and_the_mode_does_not_depend_on_the_umask(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[int] = []
    sync = os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (seen.append(os.fstat(handle).st_mode & 0o777), sync(handle))[1])
    before = os.umask(0)
    try:
        atomic_file.replace_file(str(tmp_path / "secret"), b"key", atomic_file.FOR_OWNER)
        os.umask(0o077)
        atomic_file.replace_file(str(tmp_path / "page"), "text", atomic_file.FOR_ALL)
    finally:
        os.umask(before)
    assert seen[0] == 0o600
    assert mode_of(str(tmp_path / "page")) == 0o644


def test_a_name_that_is_not_utf_8_does_not_keep_a_page_from_being_written(tmp_path: Path) -> None:
    atomic_file.replace_file(str(tmp_path / "page"), "foto-\udce9.jpg")
    assert (tmp_path / "page").read_bytes() == b"foto-?.jpg"


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file to another account")
def test_a_file_that_root_replaces_stays_readable_for_its_owner(tmp_path: Path) -> None:
    path = str(tmp_path / "otherroof.toml")
    atomic_file.replace_file(path, "old", 0o640)
    os.chown(path, 1234, 4321)
    atomic_file.replace_file(path, "new", 0o640)
    found = os.stat(path)
    assert (found.st_uid, found.st_gid, stat.S_IMODE(found.st_mode)) == (1234, 4321, 0o640)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file to another account")
def test_what_root_makes_anew_can_be_left_to_the_owner_of_the_folder(tmp_path: Path) -> None:
    os.chown(tmp_path, 1234, 4321)
    folder = tmp_path / "state"
    for _ in range(2):
        atomic_file.make_own_folder(str(folder))
    atomic_file.replace_file(str(folder / "put"), "new", own=True)
    atomic_file.create_file(str(folder / "put-new"), "new", own=True)
    atomic_file.replace_file(str(folder / "root-s-own"), "new")
    made = {path.name: (path.stat().st_uid, path.stat().st_gid) for path in (folder, *folder.iterdir())}
    assert made == {"state": (1234, 4321), "put": (1234, 4321), "put-new": (1234, 4321), "root-s-own": (0, 0)}
    assert mode_of(str(folder)) == 0o700
    os.chown(folder / "put", 5678, 5678)
    atomic_file.replace_file(str(folder / "put"), "newer", own=True)
    assert (folder / "put").stat().st_uid == 5678, "who has it keeps it"


def test_a_finished_file_takes_the_place_of_the_old_one(tmp_path: Path) -> None:
    spare, path = tmp_path / "spare", tmp_path / "catalogue"
    spare.write_text("new", encoding="ascii")
    path.write_text("old", encoding="ascii")
    atomic_file.rename_over(str(spare), str(path))
    assert path.read_text(encoding="ascii") == "new"
    with pytest.raises(HomeTrouble, match="No such file"):
        atomic_file.rename_over(str(spare), str(path))
