"""What an error of the operating system tells of a disk: that it is full, gone, or fails, and what a person does then.

The block layer's errors are named after what they come from in Linux: block/blk-core.c, blk_errors[]. It decides by
values and by one look at whether the kernel still has the device; it knows no place and no request.
"""

from __future__ import annotations

import errno
import os
from enum import Enum

from otherroof.far.local.disk import LocalDisk

DEVICES = "/sys/dev/block"
_FULL = (errno.ENOSPC, errno.EDQUOT)
_GONE = (
    errno.ENOMEDIUM,  # a card reader without its card
    errno.ENODEV,  # the block layer: device offline
    errno.ENXIO,
    errno.ENOLINK,  # the block layer: transport, as a cable that came loose
    errno.ESHUTDOWN,
    errno.ESTALE,
    errno.ENOTCONN,  # the program behind a FUSE file system has ended
    errno.ECONNABORTED,  # and did so in the middle of this request
)
# Of a file that is no file, such as a pipe or a device that somebody put there, opening it tells the same.
_ALSO_OF_OPENING = (errno.ENODEV, errno.ENXIO)
_FAILS = (
    errno.EIO,  # also what ext4, XFS and FAT say if the device has gone
    errno.EROFS,  # the kernel shut it; btrfs says so as well if the device has gone
    errno.EUCLEAN,  # ext4, XFS and btrfs: what the file system keeps of itself is wrong
    errno.EBADMSG,  # ext4 and XFS: the same by a checksum
    errno.ENODATA,  # the block layer: a sector that cannot be read
    errno.EREMOTEIO,  # the block layer: the disk itself reports a fault
    errno.ETIMEDOUT,  # the block layer: the disk takes too long
)
DISK_ERRORS = frozenset((*_GONE, *_FAILS))  # to tell what they mean the disk has to be looked at
# What only looks at a file system, and repairs nothing: e2fsck(8), xfs_repair(8), btrfs-check(8), fsck.exfat(8),
# fsck.fat(8).
_LOOKS = {
    "ext4": "e2fsck -f -n",
    "ext3": "e2fsck -f -n",
    "ext2": "e2fsck -f -n",
    "xfs": "xfs_repair -n",
    "btrfs": "btrfs check --readonly",
    "exFAT": "fsck.exfat -n",
    "FAT": "fsck.fat -n",
}


class DiskState(Enum):
    """What one error tells."""

    WELL = "a matter of one file"
    FULL = "no room"
    GONE = "unplugged, or its driver has ended"
    FAILS = "the disk or its file system is damaged"


def state_told(number: int | None, *, reads: bool, opens: bool, there: bool) -> DiskState:
    """What error `number` tells. `reads`: nothing was to be changed, so a disk that is `there` and fails there may have
    all the rest; `opens`: a file was to be opened. Pure."""
    if number in _FULL:
        return DiskState.FULL
    if number in _GONE:
        return DiskState.WELL if there and opens and number in _ALSO_OF_OPENING else DiskState.GONE
    if number in _FAILS:
        return DiskState.GONE if not there else DiskState.WELL if reads else DiskState.FAILS
    return DiskState.WELL


def is_plugged_in(disk: LocalDisk, devices: str = DEVICES) -> bool:
    """Whether the kernel has the disk's device, and those beneath it if it is made of others (as LUKS does); of a file
    system without a device of its own number whether what was mounted is there."""
    if os.major(disk.device) and os.path.isdir(devices):
        return _has_device(os.path.join(devices, f"{os.major(disk.device)}:{os.minor(disk.device)}"))
    return not disk.source.startswith("/dev/") or os.path.exists(disk.source)


def _has_device(path: str) -> bool:
    beneath = os.path.join(path, "slaves")
    try:
        return os.path.exists(path) and all(
            _has_device(os.path.join(beneath, name)) for name in (os.listdir(beneath) if os.path.isdir(beneath) else ())
        )
    except FileNotFoundError:  # it goes at this moment
        return False


def words_for(state: DiskState, disk: LocalDisk, problem: OSError) -> tuple[str, str]:
    """What happened to a disk that is gone or fails, and what to do."""
    if state is DiskState.GONE:
        advice = "plug it in and mount it anew; the same command goes on from there"
        return f"the disk is gone or does not answer ({problem.strerror})", advice
    shut = "takes no more writes, as the kernel shuts a disk that fails" if problem.errno == errno.EROFS else "fails"
    look = _LOOKS.get(disk.name)
    device = disk.source if disk.source.startswith("/dev/") else "its device"
    how = f" with `sudo {look} {device}`, which changes nothing" if look else ""
    advice = (
        f"the kernel log says more; unmount it and have it checked{how}: if it is whole the same command goes on, "
        "else begin anew on another disk"
    )
    return f"the disk {shut} ({problem.strerror})", advice
