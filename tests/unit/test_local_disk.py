"""What a disk of this machine is found to be, and what it can hold, from values."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from otherroof.far.local import disk as local_disk
from otherroof.far.local.disk import LARGEST_ON_FAT, LocalDisk, folded, gives_second_names, look_at_disk, mounted_from

EXT4 = LocalDisk(1, "ext4", False, 10**12, 10**12, 4096, 10**6, 255)


def of_system(system: str, *, links: bool = True, longest: int = 255) -> LocalDisk:
    return LocalDisk(1, system, False, 10**12, 10**12, 4096, None, longest, links)


@pytest.mark.parametrize(
    ("system", "links", "name", "is_windows", "syncs_whole"),
    [
        ("ext4", True, "ext4", False, True),
        ("btrfs", True, "btrfs", False, True),
        ("exfat", False, "exFAT", True, True),
        ("vfat", False, "FAT", True, True),
        ("fuseblk", False, "exFAT", True, False),
        ("fuseblk", True, "fuseblk", False, False),
        ("fuse", False, "exFAT", True, False),
        ("fuse.exfat", False, "exFAT", True, False),
        ("nfs4", False, "nfs4", False, True),
    ],
)
def test_file_system_tells_what_it_holds_and_how_it_is_made_durable(
    system: str, links: bool, name: str, is_windows: bool, syncs_whole: bool
) -> None:
    disk = of_system(system, links=links)
    assert (disk.name, disk.is_windows, disk.syncs_whole) == (name, is_windows, syncs_whole)


@pytest.mark.parametrize(
    ("disk", "name", "size", "fits"),
    [
        (of_system("vfat"), b"film", LARGEST_ON_FAT, True),
        (of_system("vfat"), b"film", 4 * 2**30, False),
        (of_system("exfat"), b"film", 4 * 2**30, True),
        (of_system("exfat"), b"a\x01b", 1, False),
        (of_system("exfat"), b"a?", 1, False),
        (of_system("exfat"), b"a.", 1, False),
        (of_system("exfat"), b"a ", 1, False),
        (of_system("exfat"), b".a b", 1, True),
        (of_system("exfat"), b"n" * 255, 1, True),
        (of_system("exfat"), b"n" * 256, 1, False),
        (of_system("exfat"), "🌲".encode() * 128, 1, False),  # two units each
        (of_system("exfat"), "ä".encode() * 255, 1, True),
        (of_system("ecryptfs", longest=143), b"n" * 143, 1, True),
        (of_system("ecryptfs", longest=143), b"n" * 144, 1, False),
        (EXT4, b"a? \x01.", 10**12, True),
        (EXT4, b"n" * 256, 1, False),
    ],
)
def test_what_a_disk_cannot_hold_is_told_from_name_and_size(
    disk: LocalDisk, name: bytes, size: int, fits: bool
) -> None:
    assert bool(disk.cannot_hold(name, size)) is not fits


def test_names_that_differ_in_case_are_one() -> None:
    assert folded("Grüße".encode()) == folded("GRÜSSE".encode()) or folded("Grün".encode()) == folded("GRÜN".encode())
    assert folded(b"a\xff") == folded(b"A\xff") != folded(b"A\xfe")


def test_disk_is_found_as_the_kernel_tells_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    told = [512, 4096, 1000, 500, 450, 90, 40, 30, os.ST_RDONLY, 255]
    monkeypatch.setattr(os, "statvfs", lambda _: os.statvfs_result(told))
    found = look_at_disk(str(tmp_path))
    assert (found.read_only, found.total, found.free) == (True, 1000 * 4096, 450 * 4096)
    assert (found.block, found.entries_free, found.device) == (4096, 30, tmp_path.stat().st_dev)
    told[5:8], told[8] = [0, 0, 0], 0
    found = look_at_disk(str(tmp_path))
    assert (found.entries_free, found.read_only) == (None, False), "btrfs makes entries as it needs them"
    monkeypatch.setattr(os, "fstatvfs", lambda _: os.statvfs_result(told))
    assert found.free_now(0) == 450 * 4096


def test_file_system_is_that_of_the_disks_own_line() -> None:
    lines = [
        b"21 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw\n",
        b"80 21 1:8 / /mnt/other rw - btrfs /dev/other rw\n",
        b"90 21 8:17 / /mnt/disk rw,nosuid - exfat /dev/sdb1 rw\n",
    ]
    assert mounted_from(lines, os.makedev(8, 17)) == ("exfat", "/dev/sdb1")
    assert mounted_from(lines, os.makedev(8, 1)) == ("ext4", "/dev/sda1")
    assert mounted_from(lines, os.makedev(8, 2)) == ("", "")


def test_trial_for_second_names_leaves_nothing_however_it_ends(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert gives_second_names(str(tmp_path))
    assert os.listdir(tmp_path) == []

    def no_link(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(local_disk.os, "link", no_link)
    assert not gives_second_names(str(tmp_path))
    assert os.listdir(tmp_path) == []
