"""Far disks of every file system that a household's USB disk may have, small, in a file, mounted as this machine can.

ext4, XFS and btrfs by the kernel; exFAT by its FUSE program if the kernel lacks it; FAT by a kernel that has it.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.lab.commands import LabFault, call
from support.lab.need import require_programs
from support.lab.ownership import Estate
from support.slow_disk import DISK_SYSTEMS, MAKE, OPTIONS, SIZES

FAT_SYSTEMS = ("exfat", "vfat")
FAR_SYSTEMS = (*DISK_SYSTEMS, *FAT_SYSTEMS)
FAT_SIZE = 128 << 20
EXFAT_OVER_FUSE = "mount.exfat-fuse"


@contextlib.contextmanager
def far_disk(system: str, where: Path, at: str) -> Iterator[Path]:
    """A disk with this file system, mounted at `at`; skips the test, with the reason, if it cannot be had here."""
    make = MAKE.get(system, [f"mkfs.{system}"])
    require_programs("mount", "losetup", make[0], root=True)
    image = where / f"{system}.img"
    with image.open("wb") as file:
        file.truncate(SIZES.get(system, FAT_SIZE))
    call([*make, str(image)], wait_s=60)
    with Estate() as estate:
        estate.note("mount", path=at)
        if system in DISK_SYSTEMS or _kernel_has(system):
            options = OPTIONS.get(system, "noatime")
            call(["mount", "-t", system, "-o", f"loop,{options}", str(image), at], wait_s=60)
        else:
            _mount_over_fuse(system, image, at)
        yield Path(at)
        with contextlib.suppress(LabFault):  # in use for a moment yet: the estate lets go of it lazily
            call(["umount", at], wait_s=60)


def _kernel_has(system: str) -> bool:
    with open("/proc/filesystems", encoding="ascii") as file:
        return system in file.read().split()


def _mount_over_fuse(system: str, image: Path, at: str) -> None:
    if system != "exfat":  # the programs there are for FAT refuse to set modes, which a kernel's FAT does not
        pytest.skip(f"this kernel has no {system}")
    require_programs(EXFAT_OVER_FUSE)
    loop = call(["losetup", "--find", "--show", str(image)]).strip()  # it wants a disk, not a file
    try:
        call([EXFAT_OVER_FUSE, "-o", "noatime", loop, at])
    finally:
        call(["losetup", "--detach", loop], may_fail=True)
