"""What an error of a carried disk means, whether a run or a restore goes on after it, and what a person is told."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.errors import PlaceError
from otherroof.far import requests
from otherroof.far.local import disk_place
from otherroof.far.local import place as local_place
from otherroof.far.local.disk import LocalDisk, look_at_disk, mounted_from
from otherroof.far.local.disk_place import DiskPlace
from otherroof.far.local.disk_trouble import _LOOKS, DiskState, is_plugged_in, state_told
from otherroof.far.local.place import DiskFailed
from otherroof.far.place import Meter, run_script
from otherroof.far.requests import Mode
from support.places import ask

WELL, FULL, GONE, FAILS = DiskState
# Each error, and what it means of a disk that is there: while it is written, while it is read, while a file is opened.
MEANT = {
    "ENOENT": (WELL, WELL, WELL),
    "EACCES": (WELL, WELL, WELL),
    "EEXIST": (WELL, WELL, WELL),
    "EILSEQ": (WELL, WELL, WELL),
    "ENOSPC": (FULL, FULL, FULL),
    "EDQUOT": (FULL, FULL, FULL),
    "ENODEV": (GONE, GONE, WELL),
    "ENXIO": (GONE, GONE, WELL),
    "ENOMEDIUM": (GONE, GONE, GONE),
    "ENOLINK": (GONE, GONE, GONE),
    "ESHUTDOWN": (GONE, GONE, GONE),
    "ESTALE": (GONE, GONE, GONE),
    "ENOTCONN": (GONE, GONE, GONE),
    "ECONNABORTED": (GONE, GONE, GONE),
    "EIO": (FAILS, WELL, WELL),
    "EROFS": (FAILS, WELL, WELL),
    "EUCLEAN": (FAILS, WELL, WELL),
    "EBADMSG": (FAILS, WELL, WELL),
    "ENODATA": (FAILS, WELL, WELL),
    "EREMOTEIO": (FAILS, WELL, WELL),
    "ETIMEDOUT": (FAILS, WELL, WELL),
}


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    (tmp_path / "disk").mkdir()
    (tmp_path / "disk/file").write_text("some")
    return tmp_path / "disk"


@pytest.mark.parametrize(("name", "meant"), MEANT.items())
def test_error_of_a_disk_that_is_there(name: str, meant: tuple[DiskState, ...]) -> None:
    number = getattr(errno, name)
    ways = ((False, False), (True, False), (True, True))
    assert tuple(state_told(number, reads=reads, opens=opens, there=True) for reads, opens in ways) == meant


def test_disk_that_is_not_there_never_fails_in_one_file_alone() -> None:
    """Else a restore would call every file of an unplugged disk damaged."""
    for number, name in errno.errorcode.items():
        of_the_disk = MEANT.get(name, (WELL,))[0] is not WELL
        meant = FULL if number in (errno.ENOSPC, errno.EDQUOT) else GONE if of_the_disk else WELL
        for reads, opens in ((False, False), (True, False), (True, True)):
            assert state_told(number, reads=reads, opens=opens, there=False) is meant, name


def test_device_and_those_beneath_it_are_looked_for(tmp_path: Path, disk: Path) -> None:
    """A LUKS volume stays when the disk that it lies on is pulled out."""
    found = replace(look_at_disk(str(disk)), device=os.makedev(253, 7))
    devices, volume, below = tmp_path / "block", tmp_path / "dm-7", tmp_path / "sdb1"
    devices.mkdir()
    assert not is_plugged_in(found, str(devices))
    (volume / "slaves").mkdir(parents=True)
    below.mkdir()
    (volume / "slaves/sdb1").symlink_to(below)
    (devices / "253:7").symlink_to(volume)
    assert is_plugged_in(found, str(devices))
    below.rmdir()
    assert not is_plugged_in(found, str(devices))
    assert is_plugged_in(found, str(tmp_path / "no sysfs here")), "then it is not told"


def test_device_of_a_file_system_with_a_number_of_its_own_is_what_was_mounted(tmp_path: Path, disk: Path) -> None:
    """As btrfs has."""
    found = replace(look_at_disk(str(disk)), device=os.makedev(0, 40))
    assert is_plugged_in(replace(found, source="some program"))
    assert is_plugged_in(replace(found, source="/dev/null"))
    assert not is_plugged_in(replace(found, source="/dev/otherroof-was-here"))


def test_what_was_mounted_is_told_beside_the_file_system() -> None:
    lines = [
        b"22 1 8:2 / / rw,noatime shared:1 - ext4 /dev/sda2 rw\n",
        b"40 22 8:17 / /mnt/disk rw,relatime - fuseblk /dev/sdb1 rw,user_id=0\n",
    ]
    assert mounted_from(lines, os.makedev(8, 17)) == ("fuseblk", "/dev/sdb1")
    assert mounted_from(lines, os.makedev(8, 18)) == ("", "")


def failing(monkeypatch: pytest.MonkeyPatch, kind: type, number: int) -> None:
    """Every request of this kind is refused with this error."""

    def fail(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setitem(local_place._HANDLERS, kind, fail)


def place_on(disk: Path, **other: Any) -> DiskPlace:
    return DiskPlace(str(disk), replace(look_at_disk(str(disk)), **other), Meter())


def write_something(place: DiskPlace) -> None:
    handle = run_script(place, ask(requests.OpenFile(b"new", Mode.WRITE | Mode.CREATE)))
    run_script(place, ask(requests.Write(handle, 0, b"some")))


def read_something(place: DiskPlace) -> bytes:
    handle = run_script(place, ask(requests.OpenFile(b"file", Mode.READ)))
    return bytes(run_script(place, ask(requests.Read(handle, 0, 10))))


LOOK = [
    ("ext4", "/dev/sdb1", " with `sudo e2fsck -f -n /dev/sdb1`, which changes nothing"),
    ("xfs", "/dev/sdb1", " with `sudo xfs_repair -n /dev/sdb1`, which changes nothing"),
    ("btrfs", "/dev/mapper/carried", " with `sudo btrfs check --readonly /dev/mapper/carried`, which changes nothing"),
    ("exfat", "", " with `sudo fsck.exfat -n its device`, which changes nothing"),
    ("a new one", "/dev/sdb1", ""),
]


@pytest.mark.parametrize(("system", "source", "how"), LOOK, ids=[row[0] for row in LOOK])
def test_damaged_file_system_ends_the_writing_with_what_has_it_checked(
    disk: Path, monkeypatch: pytest.MonkeyPatch, system: str, source: str, how: str
) -> None:
    failing(monkeypatch, requests.Write, errno.EUCLEAN)
    monkeypatch.setattr(disk_place, "is_plugged_in", lambda _: True)  # there is no such device here
    with closing(place_on(disk, system=system, source=source)) as place, pytest.raises(DiskFailed) as caught:
        write_something(place)
    assert str(caught.value) == (
        f"{disk}: the disk fails (Structure needs cleaning); the kernel log says more; unmount it and have it "
        f"checked{how}: if it is whole the same command goes on, else begin anew on another disk"
    )


def test_disk_that_the_kernel_shuts_says_so(disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    failing(monkeypatch, requests.Write, errno.EROFS)
    with closing(place_on(disk)) as place, pytest.raises(DiskFailed) as caught:
        write_something(place)
    assert "the disk takes no more writes, as the kernel shuts a disk that fails (Read-only file system); " in str(
        caught.value
    )


@pytest.mark.parametrize("number", [errno.EIO, errno.EROFS, errno.ENXIO, errno.ENOTCONN], ids=os.strerror)
@pytest.mark.parametrize(("kind", "deed"), [(requests.Write, write_something), (requests.Read, read_something)])
def test_unplugged_disk_ends_the_work_with_what_plugs_it_in(
    disk: Path, monkeypatch: pytest.MonkeyPatch, kind: type, deed: Callable[[DiskPlace], object], number: int
) -> None:
    failing(monkeypatch, kind, number)
    monkeypatch.setattr(disk_place, "is_plugged_in", lambda _: False)
    with closing(place_on(disk)) as place, pytest.raises(DiskFailed) as caught:
        deed(place)
    assert str(caught.value) == (
        f"{disk}: the disk is gone or does not answer ({os.strerror(number)}); plug it in and mount it anew; "
        "the same command goes on from there"
    )


def test_disk_whose_folder_cannot_be_looked_at_is_gone_though_its_device_is_there(
    disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    failing(monkeypatch, requests.Read, errno.EIO)
    with closing(place_on(disk)) as place:
        real = os.statvfs

        def statvfs(path: bytes | str) -> os.statvfs_result:
            if str(place._top).encode() in os.fsencode(path):
                raise OSError(errno.EIO, "Input/output error")
            return real(path)

        monkeypatch.setattr(os, "statvfs", statvfs)
        with pytest.raises(DiskFailed, match="the disk is gone or does not answer"):
            read_something(place)


def test_sector_that_cannot_be_read_is_a_matter_of_its_file(disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with closing(place_on(disk)) as place:
        with monkeypatch.context() as patched:
            failing(patched, requests.Read, errno.EIO)
            with pytest.raises(PlaceError, match=r"was refused \(Input/output error\)"):
                read_something(place)
        assert read_something(place) == b"some"


def test_pipe_in_the_place_of_a_file_is_a_matter_of_that_file(disk: Path) -> None:
    """Opened for writing it says the same as a disk that is gone (open(2), ENXIO)."""
    os.mkfifo(disk / "new")
    with closing(place_on(disk)) as place, pytest.raises(PlaceError, match="No such device or address"):
        write_something(place)


def test_what_is_missing_costs_no_look_at_the_disk(disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def look(_: LocalDisk) -> bool:
        raise AssertionError("it was looked for")

    monkeypatch.setattr(disk_place, "is_plugged_in", look)
    with closing(place_on(disk)) as place, pytest.raises(PlaceError):
        run_script(place, ask(requests.Stat(b"nowhere")))


def test_device_that_goes_while_it_is_looked_for_is_gone(
    tmp_path: Path, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "8:17" / "slaves").mkdir(parents=True)
    found = replace(look_at_disk(str(disk)), device=os.makedev(8, 17))
    assert is_plugged_in(found, str(tmp_path))

    def gone(path: str) -> list[str]:
        raise FileNotFoundError(errno.ENOENT, "No such file or directory", path)

    monkeypatch.setattr(os, "listdir", gone)
    assert not is_plugged_in(found, str(tmp_path))


def test_what_looks_at_a_file_system_repairs_nothing() -> None:
    """A person types it with sudo, at a disk that may be the only copy on its way. By e2fsck(8): -n answers no to all;
    xfs_repair(8) and fsck.exfat(8), fsck.fat(8): -n changes nothing; btrfs-check(8): --readonly."""
    for look in _LOOKS.values():
        _, *words = look.split()
        assert not {"-y", "-p", "-a", "-r", "-w", "-L", "--repair"} & set(words), look
        assert {"-n", "--readonly"} & set(words), look
