"""A place on a disk that is carried between the two houses: the scripts of a local place, and what such a disk needs.

The disk may come back from the other house, so no link on it is followed: every path is walked by folder handles. They
also hold the disk, so that it cannot be unmounted beneath a copy. What has been written is made durable for the whole
disk at once. It knows neither jobs nor layouts.
"""

from __future__ import annotations

import ctypes
import errno
import os
import stat
from collections import OrderedDict
from copy import copy
from dataclasses import replace
from typing import Any

from otherroof.base.errors import FarTrouble, HomeTrouble
from otherroof.base.handles import open_folder
from otherroof.base.printable import escaped
from otherroof.base.units import size_text
from otherroof.far import requests
from otherroof.far.local.disk import LocalDisk
from otherroof.far.local.disk_trouble import DISK_ERRORS, DiskState, is_plugged_in, state_told, words_for
from otherroof.far.local.place import DiskFailed, LocalPlace, OpenedFolder, refusal_of
from otherroof.far.place import Meter

MOST_HELD = 64  # folders whose handles are kept open
_STEP = os.O_PATH | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC
# What changes the disk, so that a sync after it has work to do.
_CHANGES = (
    requests.Write,
    requests.SetProperties,
    requests.CopyRange,
    requests.Rename,
    requests.Link,
    requests.MakeSymlink,
    requests.MakeFolder,
    requests.RemoveFolder,
    requests.Remove,
)
_libc = ctypes.CDLL(None, use_errno=True)


class DiskPlace(LocalPlace):
    """The folder `folder` on `disk`. Raises HomeTrouble if it cannot be opened, or is on another disk by now: an
    unplugged disk leaves the empty folder that it was mounted in, on the disk that this machine runs from."""

    def __init__(self, folder: str, disk: LocalDisk, meter: Meter) -> None:
        super().__init__(b"")
        self.offers = replace(self.offers, link=disk.links)
        self.meter = meter
        self._folder = folder
        self._disk = disk
        try:
            self._top = open_folder(folder)
        except OSError as problem:
            raise HomeTrouble(f"cannot be opened: {problem.strerror}", where=folder) from problem
        if os.fstat(self._top).st_dev != disk.device:
            self._close_top()
            what = "the disk that was mounted there is gone, so nothing was written in its stead"
            raise HomeTrouble(what, where=folder, advice="mount it there again; the same command goes on from there")
        self._held: OrderedDict[bytes, int] = OrderedDict()
        self._changed = True  # an earlier process may have left something that is not durable

    def close(self) -> None:
        """Let go of the disk."""
        self._let_go()
        self._close_top()

    def _close_top(self) -> None:
        if self._top >= 0:
            os.close(self._top)
            self._top = -1

    def _let_go(self) -> None:
        while self._held:
            os.close(self._held.popitem()[1])

    def _do(self, op: requests.Op) -> Any:
        try:
            if isinstance(op, requests.Sync):
                return self._sync(op)
            self._changed = self._changed or _changes(op)
            if isinstance(op, requests.OpenFolder):
                return _HeldFolder(self._parent_of(op.path + b"/.", keep=False))
            if isinstance(op, requests.CloseFile) and isinstance(op.handle, _HeldFolder):
                return op.handle.close()
            walked = self._walked(op)
            may_move = isinstance(op, requests.RemoveFolder) or (
                isinstance(op, requests.Rename) and _is_folder(b"/" + walked.old)  # type: ignore[union-attr]
            )
            done = super()._do(walked)
        except OSError as problem:
            raise self._refusal_of(problem, op) from problem
        except FarTrouble as refusal:
            if isinstance(refusal.__cause__, OSError):
                raise self._refusal_of(refusal.__cause__, op) from refusal
            raise
        if may_move:
            self._let_go()  # a folder has another name now, or none
        return done

    def _sync(self, op: requests.Sync) -> bool:
        """All that was written is made durable together: a disk that turns takes as long for one file."""
        if not self._disk.syncs_whole:
            os.fsync(op.handle)
            return True
        if self._changed:
            if _libc.syncfs(self._top) != 0:
                number = ctypes.get_errno()
                raise OSError(number, os.strerror(number))
            self._changed = False
        return True

    def _walked(self, op: requests.Op) -> requests.Op:
        """`op` with its paths by handles of the folders that they lie in."""
        walked: Any = copy(op)
        for name in ("path", "old", "new"):
            if hasattr(op, name):
                setattr(walked, name, self._by_handle(getattr(op, name)))
        return walked  # type: ignore[no-any-return]

    def _by_handle(self, path: bytes) -> bytes:
        # Without the slash that the local place begins with: it is the root of this machine's file system.
        return b"proc/self/fd/%d/%s" % (self._parent_of(path), path.rpartition(b"/")[2])

    def _parent_of(self, path: bytes, *, keep: bool = True) -> int:
        """A handle on the folder that `path` lies in; without `keep` it is the caller's own."""
        above = path.rpartition(b"/")[0]
        held = self._held.get(above)
        if held is None:
            held = self._walk(above)
            if keep:
                self._held[above] = held
                # Two paths of one request are looked up one after the other, so the newest two must stay.
                while len(self._held) > MOST_HELD:
                    os.close(self._held.popitem(last=False)[1])
        elif keep:
            self._held.move_to_end(above)
        else:
            held = os.dup(held)
        return held

    def _walk(self, folder: bytes) -> int:
        handle = os.dup(self._top)
        for part in folder.split(b"/"):
            if part in (b"", b"."):
                continue
            try:
                if part == b"..":
                    raise OSError(errno.EACCES, "a path leads out of the folder")
                below = os.open(part, _STEP, dir_fd=handle)
            finally:
                os.close(handle)
            handle = below
        return handle

    def _refusal_of(self, problem: OSError, op: requests.Op) -> Exception:
        """What a refusal means: all work ends if the disk is full, gone or failing, else it is a matter of this one
        request. A file that cannot be read is one: the rest may come."""
        reads = not (_changes(op) or isinstance(op, requests.Sync))
        opens = isinstance(op, requests.OpenFile)
        there = problem.errno in DISK_ERRORS and self._answers()
        state = state_told(problem.errno, reads=reads, opens=opens, there=there)
        if state is DiskState.FULL:
            free = self._disk.free_now(self._top)
            room = f" ({size_text(free)} free)" if free is not None else ""
            advice = "make room there or take a larger disk; the same command goes on from there"
            return DiskFailed(f"the disk is full{room}", where=self._folder, advice=advice)
        if state is not DiskState.WELL:
            what, advice = words_for(state, self._disk, problem)
            return DiskFailed(what, where=self._folder, advice=advice)
        refusal = refusal_of(problem, op)
        if not refusal.advice or refusal.advice == refusal.usual_advice:
            refusal.advice = f"look at it below {escaped(self._folder)}"
        return refusal

    def _answers(self) -> bool:
        """Whether the disk is plugged in and its folder can be looked at, which an XFS that was shut refuses."""
        try:
            os.fstat(self._top)
            os.statvfs(b"/proc/self/fd/%d/." % self._top)
        except OSError:
            return False
        return is_plugged_in(self._disk)


def _changes(op: requests.Op) -> bool:
    if isinstance(op, requests.OpenFile):
        return bool(op.mode & (requests.Mode.CREATE | requests.Mode.EMPTY))
    return isinstance(op, _CHANGES)


def _is_folder(path: bytes) -> bool:
    return stat.S_ISDIR(os.lstat(path).st_mode)


class _HeldFolder(OpenedFolder):
    """An open folder, by its handle."""

    def __init__(self, handle: int) -> None:
        self._handle = handle
        # Opened anew for reading: the handle is only for going on from there.
        try:
            reading = os.open(".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=handle)
            try:
                names = [os.fsencode(name) for name in os.listdir(reading)]
            finally:
                os.close(reading)
        except BaseException:
            self.close()
            raise
        super().__init__(names, lambda name: os.stat(name, dir_fd=handle, follow_symlinks=False))

    def close(self) -> None:
        """Let go of it."""
        os.close(self._handle)
