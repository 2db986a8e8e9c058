"""Opens folders and files in places where another account can change everything at any moment.

For root a folder is entered step by step, by handles, and no link is followed that another account could have put
there. A file is opened only if it is one: a pipe would be waited for without end. Ground floor: it must not know what
is kept there.
"""

from __future__ import annotations

import errno
import os
import stat
from dataclasses import dataclass
from typing import BinaryIO

from otherroof.base.accounts import ROOT, acts_as_root

MOST_LINKS = 40  # as the kernel itself follows (path_resolution(7))
_LOOK = os.O_PATH | os.O_NOFOLLOW | os.O_CLOEXEC
_FOLDER = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


@dataclass(frozen=True, slots=True)
class Passed:
    """A folder or link that a path leads through: who owns it, and whether anybody could put something else there."""

    path: str
    uid: int
    gid: int
    mode: int

    @property
    def is_link(self) -> bool:
        """Whether it is a symbolic link."""
        return stat.S_ISLNK(self.mode)

    @property
    def is_others(self) -> bool:
        """Whether an account other than root decides what is found there."""
        # In a sticky folder such as /tmp others add names, but replace none of root's.
        anybody = not self.is_link and self.mode & stat.S_IWOTH and not self.mode & stat.S_ISVTX
        return self.uid != ROOT or bool(anybody)


@dataclass(frozen=True, slots=True)
class WayThere:
    """What a path leads through, in order; the last is the folder itself unless parts are `missing`."""

    passed: tuple[Passed, ...]
    missing: tuple[str, ...]


def way_to(path: str) -> WayThere:
    """What `path` leads through as it stands now. Raises OSError if a part of it is no folder or link."""
    handle, way = _walk(path, wary=False)
    os.close(handle)
    return way


def open_folder(path: str, *, make: int | None = None, own: bool = False) -> int:
    """A handle on the folder at `path`, for reading; with `make`, what is missing of it is made with that mode.

    `own`: what root makes belongs to the owner of the folder above. Raises OSError, also if root would have to follow
    another account's link.
    """
    path = path or "."
    if not acts_as_root():
        if make is not None:
            # Since Python 3.7 the mode is for the last folder only; those above it follow the umask.
            os.makedirs(path, mode=make, exist_ok=True)
        return os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    handle, way = _walk(path, wary=True)
    try:
        if way.missing and make is None:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), path)
        for part in way.missing:
            below = _make(part, handle, make or 0, own=own)
            os.close(handle)
            handle = below
        return os.open(".", os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC, dir_fd=handle)
    finally:
        os.close(handle)


def open_plain_file(path: str, *, links: bool = True) -> BinaryIO:
    """The file at `path`, for reading. Raises OSError, also if it is no file, and without `links` if it is one."""
    wary = os.O_NONBLOCK | os.O_CLOEXEC | (0 if links else os.O_NOFOLLOW)
    file = os.fdopen(os.open(path, os.O_RDONLY | wary), "rb")
    try:
        require_plain(file.fileno())
    except BaseException:
        file.close()
        raise
    return file


def read_plain_file(path: str, most: int = -1) -> bytes:
    """What the file at `path` holds, up to `most` bytes; links are followed. Raises OSError, also if it is no file."""
    with open_plain_file(path) as file:
        return file.read(most)


def require_plain(handle: int) -> None:
    """Raises OSError if what was opened is no file but a pipe, say."""
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        raise OSError(errno.EINVAL, "it is not a file")


def _walk(path: str, *, wary: bool) -> tuple[int, WayThere]:
    """A handle on the last folder that is there (to go on from, O_PATH), and what was passed on the way.

    `wary`: raises OSError at a link that another account could have put there.
    """
    walk = _Walk(path, wary=wary)
    try:
        while walk.todo and walk.step():
            pass
        missing = tuple(reversed(walk.todo))
        _refuse_if(".." in missing, errno.ENOENT, path, "leads through a folder that is not there")
    except BaseException:
        os.close(walk.handle)
        raise
    return walk.handle, WayThere(tuple(walk.passed), missing)


class _Walk:
    """A walk down a path: a handle on where it is, what was passed, and the parts yet to come, the next one last."""

    def __init__(self, path: str, *, wary: bool) -> None:
        self.todo = _parts(os.path.abspath(path))
        self.handle = os.open("/", _LOOK | os.O_DIRECTORY)
        self.passed = [_passed("/", self.handle)]
        self._path = path
        self._wary = wary
        self._links = 0

    def step(self) -> bool:
        """Go on by one part; whether it is there."""
        part, here = self.todo[-1], self.passed[-1]
        try:
            below = os.open(part, _LOOK, dir_fd=self.handle)
        except FileNotFoundError:
            return False
        self.todo.pop()
        try:
            found = _passed(os.path.normpath(os.path.join(here.path, part)), below)
            if stat.S_ISDIR(found.mode):
                self.handle, below = below, self.handle
                self.passed.append(found)
            else:
                self._follow(found, below)
        finally:
            os.close(below)
        return True

    def _follow(self, link: Passed, handle: int) -> None:
        here = self.passed[-1]
        _refuse_if(not link.is_link, errno.ENOTDIR, link.path, "is not a folder")
        others = link.is_others or here.is_others
        _refuse_if(
            self._wary and others, errno.EPERM, link.path, "is another account's link, which root does not follow"
        )
        self._links += 1
        _refuse_if(self._links > MOST_LINKS, errno.ELOOP, self._path, "leads through too many links")
        target = os.readlink("", dir_fd=handle)
        if target.startswith("/"):
            os.close(self.handle)
            self.handle = os.open("/", _LOOK | os.O_DIRECTORY)
            here = _passed("/", self.handle)
        # Where the way goes on stands behind the link once more.
        self.passed += (link, here)
        self.todo += _parts(target)


def _refuse_if(wrong: bool, number: int, path: str, why: str) -> None:
    if wrong:
        raise OSError(number, f"{path} {why}")


def _parts(path: str) -> list[str]:
    """The parts of a path, the first one last."""
    return [part for part in reversed(path.split("/")) if part not in ("", ".")]


def _passed(path: str, handle: int) -> Passed:
    found = os.fstat(handle)
    return Passed(path, found.st_uid, found.st_gid, found.st_mode)


def _make(part: str, above: int, mode: int, *, own: bool) -> int:
    try:
        os.mkdir(part, mode, dir_fd=above)
        made = True
    except FileExistsError:
        made = False
    handle = os.open(part, _FOLDER, dir_fd=above)
    # Another account may have put another folder of root's in place of the one just made: only an empty one is given.
    if made and own and os.fstat(handle).st_uid == ROOT and not os.listdir(handle):
        owner = os.fstat(above)
        os.fchown(handle, owner.st_uid, owner.st_gid)
    return handle
