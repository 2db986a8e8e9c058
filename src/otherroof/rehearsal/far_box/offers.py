"""What a stand-in far box offers, and how it misbehaves on demand.

Values, and the one shared count that some of the faults need. Knows nothing of SSH or of files.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass, fields
from typing import Self


@dataclass(frozen=True, slots=True)
class ServerExtensions:
    """The extensions a far box has. The default is what OpenSSH 9.2 offers and a copy can use."""

    posix_rename: bool = True
    statvfs: bool = True
    hardlink: bool = True
    fsync: bool = True
    lsetstat: bool = True
    limits: bool = True
    copy_data: bool = True

    @classmethod
    def none(cls) -> Self:
        """An old server with SFTP version 3 and nothing else."""
        return cls(**{field.name: False for field in fields(cls)})

    def pairs(self) -> tuple[tuple[bytes, bytes], ...]:
        """Name and version of each extension, in the order in which OpenSSH 9.2 lists them."""
        listed = (
            (self.posix_rename, b"posix-rename@openssh.com", b"1"),
            (self.statvfs, b"statvfs@openssh.com", b"2"),
            (self.statvfs, b"fstatvfs@openssh.com", b"2"),
            (self.hardlink, b"hardlink@openssh.com", b"1"),
            (self.fsync, b"fsync@openssh.com", b"1"),
            (self.lsetstat, b"lsetstat@openssh.com", b"1"),
            (self.limits, b"limits@openssh.com", b"1"),
            (self.copy_data, b"copy-data", b"1"),
        )
        return tuple((name, version) for offered, name, version in listed if offered)


@dataclass(frozen=True, slots=True)
class Faults:
    """How a stand-in misbehaves; the default is not at all. Counts run over the whole box, all connections together.

    cut_after       close the connection that brings the Nth request (0: never) …
    cut_times       … this many times, counting anew after each
    silent_after    answer nothing any more from the Nth request on (0: never)
    delay_s         hold answers back this long; what came in together is answered together
    full_after      bytes that can still be written before the disk is full (None: no end)
    read_only       every change is refused with `permission denied`
    refuse_symlink  symlinks cannot be made
    denied          paths ending so are refused with `permission denied` when opened
    spoiled         paths ending so give back wrong bytes when read
    lying_names     names put into the answer to every listing of a folder
    free_bytes      what statvfs says is free (None: the truth)
    """

    cut_after: int = 0
    cut_times: int = 1
    silent_after: int = 0
    delay_s: float = 0.0
    full_after: int | None = None
    read_only: bool = False
    refuse_symlink: bool = False
    denied: tuple[bytes, ...] = ()
    spoiled: tuple[bytes, ...] = ()
    lying_names: tuple[bytes, ...] = ()
    free_bytes: int | None = None


class CutError(Exception):
    """The box drops this connection now."""


class FaultState:
    """The faults in force and what has been counted towards them; shared by all sessions of a box."""

    def __init__(self, faults: Faults) -> None:
        self._lock = threading.Lock()
        self.change(faults)

    def change(self, faults: Faults) -> None:
        """Put other faults in force and count from nothing."""
        with self._lock:
            self.faults = faults
            self._requests = 0
            self._cuts_left = faults.cut_times
            self._room = faults.full_after

    def request_comes(self) -> bool:
        """Count one request; False if it gets no answer. Raises CutError if it ends the connection."""
        faults = self.faults
        if not faults.cut_after and not faults.silent_after:
            return True
        with self._lock:
            self._requests += 1
            if faults.cut_after and self._cuts_left and self._requests >= faults.cut_after:
                self._cuts_left -= 1
                self._requests = 0
                raise CutError
            return not (faults.silent_after and self._requests >= faults.silent_after)

    def takes(self, count: int) -> bool:
        """Whether the disk has room for `count` bytes more."""
        if self.faults.full_after is None:
            return True
        with self._lock:
            if self._room is None or count > self._room:
                return False
            self._room -= count
            return True
