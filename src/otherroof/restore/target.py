"""Writes restored entries below one folder and nowhere else, whatever names and links are given to it.

Every folder on the way is entered by handle and never through a link. A file is written under a name of its own
and renamed when it is complete, so that what stands there under its real name is always whole. Where root restores,
this is all that it does itself (`as_root`), so that files get their owners back.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Literal

from otherroof.base.accounts import as_root
from otherroof.base.errors import HomeTrouble, WrongUse
from otherroof.base.handles import open_folder
from otherroof.far_copy.entry import Entry, is_safe, path_text
from otherroof.restore.local_file import BLOCK, digest_of_handle, write_with_holes
from otherroof.restore.properties import PropertySetter, TargetNotes

Existing = Literal["refuse", "keep", "replace"]
PART = b".otherroof-part-"
MOVE_IT = "move it away and restore this path again"
OTHER_DISK = "restore this path onto another kind of disk"
# What a disk says to a name, a size or a link that it cannot hold; it differs by file system.
_TAKES_NONE = (errno.EINVAL, errno.ENAMETOOLONG, errno.EILSEQ, errno.EOPNOTSUPP, errno.EFBIG)  # such names or sizes
_NO_LINK = (errno.EPERM, errno.EOPNOTSUPP, errno.EMLINK, errno.EXDEV)
# O_NOFOLLOW looks at the last part of a path only (open(2)), so each part is opened by itself, below the handle of the
# one before it. Then no link that is there, or comes to be there meanwhile, leads out of the folder.
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW


class CannotRestoreHere(HomeTrouble):
    """This path cannot come back here; others can."""


class TargetExists(CannotRestoreHere):
    """Something stands at this path that is not to be replaced."""


class NoHardLink(HomeTrouble):
    """The file system makes no further name for this file."""


class TargetFolder:
    """The folder that is restored into."""

    @as_root()
    def __init__(self, into: bytes, existing: Existing) -> None:
        self._existing = existing
        self._folder: bytes | None = None
        self._handle = -1
        self._count = 0
        self._parts: dict[bytes, bytes] = {}  # name of a file under way → its path
        self.notes = TargetNotes()
        self._properties = PropertySetter(self.notes)
        self._top = _open_top(into, existing)
        self.was_empty = not os.listdir(self._top)

    @as_root()
    def close(self) -> None:
        """Let go of the folder; what was under way when the restore was ended is removed."""
        for name, path in self._parts.items():
            with suppress(OSError), self._looking_above(path) as above:
                os.unlink(name, dir_fd=above)
        if self._handle >= 0:
            os.close(self._handle)
        os.close(self._top)
        self._handle = self._top = -1

    @as_root()
    def stands(self, path: bytes) -> bool:
        """Whether something is there already and is to be kept."""
        if self._existing != "keep":
            return False
        return self._mode_at(path) is not None

    @as_root()
    def require_free(self, path: bytes) -> None:
        """Raises TargetExists if a folder stands at `path`, which is to be a file or a link."""
        if self._existing == "replace" and stat.S_ISDIR(self._mode_at(path) or 0):
            raise TargetExists("there is a folder of this name", where=path_text(path), advice=MOVE_IT)

    @as_root()
    def holds(self, entry: Entry) -> bool:
        """Whether the file at the entry's path already has this content, so that other names can be linked to it."""
        try:
            with self._looking_above(entry.path) as above:
                # O_NONBLOCK: opening a pipe that nobody writes to would wait for ever.
                handle = os.open(_name(entry.path), os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=above)
                try:
                    found = os.fstat(handle)
                    alike = stat.S_ISREG(found.st_mode) and found.st_size == entry.size
                    return alike and digest_of_handle(handle) == entry.digest
                finally:
                    os.close(handle)
        except OSError:
            return False  # unreadable: not used for other names

    def _mode_at(self, path: bytes) -> int | None:
        """The mode of what is at `path` now; None if there is nothing."""
        try:
            with self._looking_above(path) as above:
                return os.stat(_name(path), dir_fd=above, follow_symlinks=False).st_mode
        except FileNotFoundError:
            return None
        except OSError as problem:
            raise _barred(path, problem) from problem

    @contextmanager
    def _looking_above(self, path: bytes) -> Iterator[int]:
        """A handle on the folder above `path`, which is not made; raises OSError if it cannot be entered."""
        _require_safe(path)
        above = os.dup(self._top)
        try:
            for part in path.split(b"/")[:-1]:
                below = os.open(part, _FOLDER, dir_fd=above)
                os.close(above)
                above = below
            yield above
        finally:
            os.close(above)

    @as_root()
    def make_folder(self, entry: Entry) -> bool:
        """Make a folder that only we can enter until `finish_folder`; whether it was not there yet."""
        # Its real mode and time come last, in `finish_folder`: a mode may forbid us to write in it, and each file that
        # comes sets its time anew.
        name, above = _name(entry.path), self._above(entry.path)
        try:
            os.mkdir(name, 0o700, dir_fd=above)
        except FileExistsError:
            found = os.stat(name, dir_fd=above, follow_symlinks=False)
            if not stat.S_ISDIR(found.st_mode):
                raise TargetExists(
                    "something that is no folder has this name", where=path_text(entry.path), advice=MOVE_IT
                ) from None
            return False
        except OSError as problem:
            raise _barred(entry.path, problem) from problem
        return True

    @as_root()
    def create(self, path: bytes) -> tuple[int, bytes]:
        """A handle on a new file beside `path`, and its own name for `finish_file` or `drop`."""
        self._count += 1
        name = PART + b"%d-%d" % (os.getpid(), self._count)
        try:
            # In the folder where it will stay, since a rename does not cross disks. Readable too, for its digest.
            handle = os.open(name, os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW, 0o600, dir_fd=self._above(path))
        except OSError as problem:
            raise _barred(path, problem) from problem
        self._parts[name] = path
        return handle, name

    @as_root()
    def drop(self, path: bytes, handle: int, name: bytes) -> None:
        """Throw a file away that did not come whole."""
        os.close(handle)
        self._parts.pop(name, None)
        try:
            os.unlink(name, dir_fd=self._above(path))
        except OSError as problem:
            raise _trouble(path, problem) from problem

    @as_root()
    def finish_file(self, entry: Entry, handle: int, name: bytes) -> None:
        """Give a complete file its properties and its name; closes the handle."""
        above = self._above(entry.path)
        try:
            try:
                self._properties.set(entry, handle)
                # Before the rename, so that a large file under its real name is whole even after a power cut.
                os.fsync(handle) if entry.size > SYNC_FROM else None
            finally:
                os.close(handle)
            # Looked at before, since rename(2) replaces whatever is there. Python has no renameat2 with
            # RENAME_NOREPLACE.
            self._require_new(entry.path, above)
            os.rename(name, _name(entry.path), src_dir_fd=above, dst_dir_fd=above)
        except OSError as problem:
            raise _barred(entry.path, problem) from problem
        self._parts.pop(name, None)

    def _require_new(self, path: bytes, above: int) -> None:
        """Raises FileExistsError if a rename would replace what is not to be replaced.

        On a disk that takes `Photo` and `photo` for one name, that may be a file of this very restore.
        """
        if self._existing == "replace":
            return
        try:
            os.stat(_name(path), dir_fd=above, follow_symlinks=False)
        except FileNotFoundError:
            return
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))

    @as_root()
    def link(self, first: bytes, path: bytes) -> None:
        """A further name for the file that was restored at `first`. Raises NoHardLink if the disk makes none."""
        source = self._walk(first)
        try:
            above = self._above(path)
            self._clear(path, above)
            os.link(_name(first), _name(path), src_dir_fd=source, dst_dir_fd=above, follow_symlinks=False)
        except OSError as problem:
            if problem.errno in _NO_LINK:
                raise NoHardLink(
                    f"cannot be given another name: {problem.strerror}", where=path_text(path)
                ) from problem
            raise _barred(path, problem) from problem
        finally:
            os.close(source)

    @as_root()
    def copy(self, first: bytes, entry: Entry) -> None:
        """The content that was restored at `first` as a file of its own at the entry's path."""
        handle, name = self.create(entry.path)
        try:
            with self._looking_above(first) as above:
                source = os.open(_name(first), os.O_RDONLY | os.O_NOFOLLOW, dir_fd=above)
            try:
                # The handle's own offset counts along, as the writes are at given offsets and leave it where it is.
                while data := os.read(source, BLOCK):
                    write_with_holes(handle, os.lseek(handle, 0, os.SEEK_CUR), data, entry.holes)
                    os.lseek(handle, len(data), os.SEEK_CUR)
                os.ftruncate(handle, entry.size)
            finally:
                os.close(source)
        except OSError as problem:
            self.drop(entry.path, handle, name)
            raise _trouble(entry.path, problem) from problem
        self.finish_file(entry, handle, name)

    @as_root()
    def symlink(self, entry: Entry) -> None:
        """A symbolic link, whatever it points to; nothing is ever written through it."""
        name, above = _name(entry.path), self._above(entry.path)
        try:
            self._clear(entry.path, above)
            os.symlink(entry.target, name, dir_fd=above)
        except OSError as problem:
            if problem.errno == errno.EPERM:
                raise CannotRestoreHere(
                    "this disk cannot hold links", where=path_text(entry.path), advice=OTHER_DISK
                ) from problem
            raise _barred(entry.path, problem) from problem
        self._properties.set_on_symlink(entry, name, above)

    @as_root()
    def finish_folder(self, entry: Entry) -> None:
        """Give a folder its properties; what is below it must be complete."""
        try:
            handle = os.open(
                _name(entry.path), os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=self._above(entry.path)
            )
            try:
                self._properties.set(entry, handle)
            finally:
                os.close(handle)
        except OSError as problem:
            raise _barred(entry.path, problem) from problem

    @as_root()
    def finish_top(self, entry: Entry) -> None:
        """Give the folder that is restored into the properties of the one that was copied."""
        try:
            self._properties.set(entry, self._top)
        except OSError as problem:
            raise _trouble(entry.path, problem) from problem

    def _clear(self, path: bytes, above: int) -> None:
        """Make way for a link if what stands there is to be replaced."""
        if self._existing != "replace":
            return
        try:
            found = os.stat(_name(path), dir_fd=above, follow_symlinks=False)
        except FileNotFoundError:
            return
        if stat.S_ISDIR(found.st_mode):
            raise TargetExists("there is a folder of this name", where=path_text(path), advice=MOVE_IT)
        os.unlink(_name(path), dir_fd=above)

    def _above(self, path: bytes) -> int:
        """A handle on the folder above `path`, kept until another one is asked for."""
        _require_safe(path)
        folder = path.rpartition(b"/")[0]
        if folder != self._folder:
            handle = self._walk(path)
            if self._handle >= 0:
                os.close(self._handle)
            self._folder, self._handle = folder, handle
        return self._handle

    def _walk(self, path: bytes) -> int:
        """A handle on the folder above `path`; one that no listing names is made all the same."""
        _require_safe(path)
        # One handle at a time: the one above is closed as soon as the next is open.
        handle = os.dup(self._top)
        for part in path.split(b"/")[:-1]:
            try:
                below = _enter(part, handle)
            except OSError as problem:
                raise _barred(path, problem) from problem
            finally:
                os.close(handle)
            handle = below
        return handle


SYNC_FROM = 64 * 1024 * 1024  # bytes; large files are made durable one by one, the rest by the system in its time


def _require_safe(path: bytes) -> None:
    if not is_safe(path):
        raise TargetExists(
            "is a path that would leave the folder",
            where=path_text(path),
            advice="the list of this version cannot be trusted",
        )


def _enter(name: bytes, above: int) -> int:
    try:
        return os.open(name, _FOLDER, dir_fd=above)
    except FileNotFoundError:
        os.mkdir(name, 0o700, dir_fd=above)
        return os.open(name, _FOLDER, dir_fd=above)


def _name(path: bytes) -> bytes:
    return path.rpartition(b"/")[2]


def _open_top(into: bytes, existing: Existing) -> int:
    try:
        top = open_folder(os.fsdecode(into), make=0o700)
    except (FileExistsError, NotADirectoryError) as problem:
        raise WrongUse("is not a folder, or not in one", where=path_text(into), advice="name a folder") from problem
    except OSError as problem:
        raise _trouble(into, problem) from problem
    if existing == "refuse" and os.listdir(top):
        os.close(top)
        raise WrongUse(
            "is not empty",
            where=path_text(into),
            advice="name an empty folder, or say --if-there keep (leave what is there) or --if-there replace",
        )
    return top


def _barred(path: bytes, problem: OSError) -> HomeTrouble:
    """TargetExists if something of another kind stands at or above `path`, else what is wrong with this machine."""
    if problem.errno in (errno.ELOOP, errno.ENOTDIR):
        return TargetExists("a folder above it is a link or a file here", where=path_text(path), advice=MOVE_IT)
    if problem.errno in (errno.EISDIR, errno.EEXIST):
        return TargetExists("something else has this name by now", where=path_text(path), advice=MOVE_IT)
    if problem.errno in _TAKES_NONE:
        return CannotRestoreHere(
            f"this disk cannot hold it: {problem.strerror}", where=path_text(path), advice=OTHER_DISK
        )
    return _trouble(path, problem)


def _trouble(path: bytes, problem: OSError) -> HomeTrouble:
    if problem.errno in (errno.ENOSPC, errno.EDQUOT):
        return HomeTrouble(
            "this disk is full",
            where=path_text(path),
            advice="make room and go on with --if-there keep; what was restored so far is whole",
        )
    return HomeTrouble(
        f"cannot be written: {problem.strerror}", where=path_text(path), advice="check the folder's owner"
    )
