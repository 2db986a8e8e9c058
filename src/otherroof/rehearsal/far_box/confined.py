"""A folder that a stranger's paths cannot leave: `/` is the folder itself, `..` and symlinks end inside it.

Every step of a path is opened by directory handle without following links; links are read and walked here, an absolute
one from the folder's own top, as in a chroot. Paths are bytes. Knows nothing of SFTP; refusals are OSErrors.
"""

from __future__ import annotations

import errno
import os
import stat
from types import TracebackType
from typing import Self

# As many as Linux itself follows (path_resolution(7)).
MAX_LINKS = 40
# O_PATH needs no right to read a folder, only to pass through, as a path lookup does. Each step without following: a
# link that is put in the way between two calls cannot lead out either.
_STEP = os.O_PATH | os.O_DIRECTORY | os.O_NOFOLLOW
# Opening a fifo would wait for its other end, and a terminal would become ours.
_NEVER_HANG = os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY


class ResolvedPath:
    """Where a path ends: a directory handle and a name in it (`.` for the directory itself). Close it after use."""

    __slots__ = ("_held", "at", "name", "steps")

    def __init__(self, at: int, name: bytes, held: list[int], steps: list[bytes]) -> None:
        self.at = at
        self.name = name
        self.steps = steps
        self._held = held

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for handle in self._held:
            os.close(handle)


class ConfinedFolder:
    """The operations of a file server inside one folder."""

    def __init__(self, folder: str) -> None:
        self._top = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)

    def close(self) -> None:
        """Let go of the folder."""
        os.close(self._top)

    def find(self, path: bytes, *, follow: bool) -> ResolvedPath:
        """Where `path` ends; with `follow`, also a symlink in last place is walked. The last name need not exist."""
        if not path:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        held: list[int] = []
        try:
            return self._walk(path, follow, held)
        except BaseException:
            for handle in held:
                os.close(handle)
            raise

    def _walk(self, path: bytes, follow: bool, held: list[int]) -> ResolvedPath:
        steps: list[bytes] = []
        links = 0
        # The parts still to go, the next one last; `held` are the open folders on the way, from the top down.
        parts = _parts(path)
        while parts:
            part = parts.pop()
            here = held[-1] if held else self._top
            # One step back along the way that was come, never past the top: the parent folder itself is not asked.
            if part == b"..":
                if held:
                    os.close(held.pop())
                    steps.pop()
                continue
            target = None
            if parts:
                try:
                    handle = os.open(part, _STEP, dir_fd=here)
                # With O_DIRECTORY and O_NOFOLLOW a symlink is refused as ENOTDIR, like a file; asking for its target
                # tells which.
                except NotADirectoryError:
                    target = _link_target(here, part)
                    if target is None:
                        raise
                else:
                    held.append(handle)
                    steps.append(part)
                    continue
            elif follow:
                target = _link_target(here, part)
            if target is None:
                return ResolvedPath(here, part, held, [*steps, part])
            links += 1
            if links > MAX_LINKS:
                raise OSError(errno.ELOOP, os.strerror(errno.ELOOP))
            # Its target takes the link's place; what followed the link in the path still lies below it on the stack.
            parts += _parts(target)
            if target.startswith(b"/"):
                while held:
                    os.close(held.pop())
                steps.clear()
        return ResolvedPath(held[-1] if held else self._top, b".", held, steps)

    def real_path(self, path: bytes) -> bytes:
        """`path` without links and dots; its last name need not exist."""
        with self.find(path or b".", follow=True) as end:
            return b"/" + b"/".join(end.steps)

    def stat(self, path: bytes, *, follow: bool) -> os.stat_result:
        """What lies at `path`."""
        with self.find(path, follow=follow) as end:
            return os.stat(end.name, dir_fd=end.at, follow_symlinks=False)

    def open(self, path: bytes, flags: int, mode: int = 0o666) -> int:
        """A file handle; `flags` are those of open(2)."""
        # open(2): with both flags a link in last place is never followed; it is there, and that is the answer.
        exclusive = flags & os.O_CREAT and flags & os.O_EXCL
        with self.find(path, follow=not exclusive) as end:
            return os.open(end.name, flags | _NEVER_HANG, mode, dir_fd=end.at)

    def remove(self, path: bytes) -> None:
        """Unlink what is not a folder."""
        with self.find(path, follow=False) as end:
            os.unlink(end.name, dir_fd=end.at)

    def make_folder(self, path: bytes, mode: int) -> None:
        """A new folder; fails if anything is there."""
        with self.find(path, follow=False) as end:
            os.mkdir(end.name, mode, dir_fd=end.at)

    def remove_folder(self, path: bytes) -> None:
        """Remove an empty folder."""
        with self.find(path, follow=False) as end:
            os.rmdir(end.name, dir_fd=end.at)

    def read_link(self, path: bytes) -> bytes:
        """Where a symlink points, as it was written."""
        with self.find(path, follow=False) as end:
            return os.readlink(end.name, dir_fd=end.at)

    def make_link(self, target: bytes, path: bytes) -> None:
        """A symlink at `path`; its target is not looked at."""
        with self.find(path, follow=False) as end:
            os.symlink(target, end.name, dir_fd=end.at)

    def hard_link(self, old: bytes, new: bytes) -> None:
        """A second name for a file."""
        with self.find(old, follow=False) as source, self.find(new, follow=False) as target:
            os.link(source.name, target.name, src_dir_fd=source.at, dst_dir_fd=target.at, follow_symlinks=False)

    def rename_over(self, old: bytes, new: bytes) -> None:
        """rename(2): the target is replaced in one step."""
        with self.find(old, follow=False) as source, self.find(new, follow=False) as target:
            os.rename(source.name, target.name, src_dir_fd=source.at, dst_dir_fd=target.at)

    def rename_beside(self, old: bytes, new: bytes) -> None:
        """Rename that never overwrites: a file by a second link, anything else after a look."""
        with self.find(old, follow=False) as source, self.find(new, follow=False) as target:
            # As OpenSSH does it: link(2) fails if the name is taken, in one step, while rename(2) would replace it.
            found = os.stat(source.name, dir_fd=source.at, follow_symlinks=False)
            if stat.S_ISREG(found.st_mode):
                os.link(source.name, target.name, src_dir_fd=source.at, dst_dir_fd=target.at, follow_symlinks=False)
                os.unlink(source.name, dir_fd=source.at)
                return
            if _is_there(target):
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST))
            os.rename(source.name, target.name, src_dir_fd=source.at, dst_dir_fd=target.at)

    def set_mode(self, path: bytes, mode: int, *, follow: bool) -> None:
        """chmod(2); refused for a symlink itself, as Linux does."""
        with self.find(path, follow=follow) as end:
            if stat.S_ISLNK(os.stat(end.name, dir_fd=end.at, follow_symlinks=False).st_mode):
                raise OSError(errno.EOPNOTSUPP, os.strerror(errno.EOPNOTSUPP))
            os.chmod(end.name, mode, dir_fd=end.at)

    def set_times(self, path: bytes, times: tuple[int, int], *, follow: bool) -> None:
        """Access and modification time, whole seconds."""
        with self.find(path, follow=follow) as end:
            os.utime(end.name, times, dir_fd=end.at, follow_symlinks=False)

    def set_owner(self, path: bytes, owner: tuple[int, int], *, follow: bool) -> None:
        """User and group by number."""
        with self.find(path, follow=follow) as end:
            os.chown(end.name, *owner, dir_fd=end.at, follow_symlinks=False)

    def set_size(self, path: bytes, size: int) -> None:
        """truncate(2)."""
        handle = self.open(path, os.O_WRONLY)
        try:
            os.ftruncate(handle, size)
        finally:
            os.close(handle)

    def room(self, path: bytes) -> os.statvfs_result:
        """statvfs(2) for the file system that `path` is on."""
        with self.find(path, follow=True) as end:
            handle = os.open(end.name, os.O_PATH | os.O_NOFOLLOW, dir_fd=end.at)
            try:
                return os.statvfs(handle)
            finally:
                os.close(handle)


def _parts(path: bytes) -> list[bytes]:
    return [part for part in reversed(path.split(b"/")) if part not in (b"", b".")]


def _link_target(at: int, name: bytes) -> bytes | None:
    """Where the symlink `name` points; None for anything that is not a symlink or not there."""
    try:
        return os.readlink(name, dir_fd=at)
    except OSError as problem:
        if problem.errno in (errno.EINVAL, errno.ENOENT):
            return None
        raise


def _is_there(end: ResolvedPath) -> bool:
    try:
        os.stat(end.name, dir_fd=end.at, follow_symlinks=False)
    except FileNotFoundError:
        return False
    return True
