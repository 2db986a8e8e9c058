"""What a disk of this machine is: its file system, its room, whether it is shut, and what it can hold.

Asks the kernel, and tries second names with a file of its own that goes again at once. What a file system cannot hold
is decided from values alone. It knows neither jobs nor layouts.
"""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass

from otherroof.base.errors import HomeTrouble

MOUNTS = "/proc/self/mountinfo"
# Of names, 255 UTF-16 units and none of these characters: Microsoft's "exFAT file system specification", 7.7.3; FAT's
# long names have the same (FAT32 File System Specification 1.03, long directory entries). Points and blanks at the end
# are dropped by Linux's drivers (Linux: Documentation/filesystems/vfat.rst; common practice for exFAT, no source).
FORBIDDEN = frozenset('"*/:<>?\\|') | {chr(code) for code in range(32)}
LONGEST_UTF16 = 255
LARGEST_ON_FAT = (1 << 32) - 1  # bytes: the size of a file has 32 bits there (FAT32 specification 1.03, DIR_FileSize)
_FAT = frozenset(("vfat", "msdos", "fat"))
_WINDOWS = _FAT | {"exfat", "texfat"}
_FUSE = ("fuse", "fuse.", "fuseblk")


@dataclass(frozen=True, slots=True)
class LocalDisk:
    """A disk as it was found. `system`: its file system's name as mount(8) has it; `block` bytes are the least that a
    file takes; `entries_free` is None if it makes entries as it needs them; `device` tells it from others; `source` is
    what was mounted, such as /dev/sdb1."""

    device: int
    system: str
    read_only: bool
    total: int
    free: int
    block: int
    entries_free: int | None
    longest_name: int
    links: bool = True
    source: str = ""

    @property
    def is_windows(self) -> bool:
        """Whether it is a FAT or exFAT, which hold fewer names, and no owners and rights."""
        # The FUSE program for exFAT does not say which file system it is; that it gives no second names does.
        return self.system in _WINDOWS or (self._by_fuse and not self.links)

    @property
    def syncs_whole(self) -> bool:
        """Whether the kernel can make all of it durable at once; over FUSE it leaves that to a program (Linux 6.1,
        fs/fuse/inode.c: fuse_sync_fs does nothing unless the server is a virtiofs)."""
        return not self._by_fuse

    @property
    def _by_fuse(self) -> bool:
        return self.system.startswith(_FUSE)

    @property
    def name(self) -> str:
        """Its file system for people."""
        return "exFAT" if self.is_windows and self.system not in _FAT else "FAT" if self.is_windows else self.system

    def free_now(self, handle: int) -> int | None:
        """Bytes free to this account now; None if it does not answer."""
        try:
            found = os.fstatvfs(handle)
        except OSError:
            return None
        return found.f_bavail * found.f_frsize

    def cannot_hold(self, name: bytes, size: int) -> str:
        """Why no file or folder of this name and size (bytes) can lie there; empty if it can."""
        if self.system in _FAT and size > LARGEST_ON_FAT:
            return "is larger than 4 GiB, the most that FAT holds in one file"
        if not self.is_windows:
            too_long = len(name) > self.longest_name
            return f"has a longer name than it takes ({self.longest_name} bytes)" if too_long else ""
        try:
            text = name.decode()
        except UnicodeDecodeError:
            return "has a name that is no UTF-8"
        if not FORBIDDEN.isdisjoint(text):
            return "has a character in its name that it does not take"
        if text.endswith((".", " ")):
            return "has a name that ends in a point or a blank"
        if len(text.encode("utf-16-le")) // 2 > LONGEST_UTF16:
            return "has a longer name than it takes"
        return ""


def folded(name: bytes) -> str:
    """What two names have in common that FAT and exFAT take for one."""
    return name.decode("utf-8", "surrogateescape").upper()


def look_at_disk(folder: str) -> LocalDisk:
    """The disk that `folder` is on; nothing is written. Raises HomeTrouble if it cannot be looked at."""
    try:
        found, device = os.statvfs(folder), os.stat(folder).st_dev
        longest = os.pathconf(folder, "PC_NAME_MAX")
        with open(MOUNTS, "rb") as file:
            system, source = mounted_from(file, device)
    except OSError as problem:
        raise HomeTrouble(
            f"cannot be looked at: {problem.strerror}", where=folder, advice="is the disk plugged in and mounted there?"
        ) from problem
    return LocalDisk(
        device=device,
        system=system,
        read_only=bool(found.f_flag & os.ST_RDONLY),
        total=found.f_blocks * found.f_frsize,
        free=found.f_bavail * found.f_frsize,
        block=found.f_frsize,
        entries_free=found.f_favail if found.f_files else None,
        longest_name=longest,
        source=source,
    )


def mounted_from(mounts: Iterable[bytes], device: int) -> tuple[str, str]:
    """The file system of the disk with this number, and what was mounted, by the kernel's list of mounts
    (proc_pid_mountinfo(5)); empty if it is not told. A FUSE program's own kind is what it names behind the point."""
    wanted = f"{os.major(device)}:{os.minor(device)}".encode()
    for line in mounts:
        before, _, after = line.partition(b" - ")
        if before.split()[2] == wanted and after:
            system, source = after.split()[:2]
            return system.decode("ascii", "replace"), source.decode("utf-8", "backslashreplace")
    return "", ""


def gives_second_names(folder: str) -> bool:
    """Whether a file there can have two names, tried with one of our own. Raises OSError if none can be made."""
    name = os.path.join(folder, f".otherroof-probe-{secrets.token_hex(4)}")
    os.close(os.open(name, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))
    try:
        try:
            os.link(name, name + "-2")
        except OSError:
            return False
        os.unlink(name + "-2")
        return True
    finally:
        with suppress(OSError):  # a few bytes under a name of our own
            os.unlink(name)
