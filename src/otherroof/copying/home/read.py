"""Reads entries of the folder that is copied: content, and all that belongs to it.

Never follows a symbolic link, not even one that takes the place of a folder while it looks. A file that changes
while it is read is not taken for good.
"""

from __future__ import annotations

import errno
import functools
import grp
import hashlib
import heapq
import os
import pwd
import stat
from collections.abc import Callable, Iterator

from otherroof.base.clock import Clock
from otherroof.base.errors import HomeTrouble
from otherroof.copying.home.chunks import Chunker, ChunkList, average_for
from otherroof.far_copy.entry import LONGEST_PATH, TOP, Entry, attributes_that_fit, path_text
from otherroof.far_copy.numbers import FILE, FOLDER, HARD, KINDS, LARGEST, Numbers, clamp_ns

DIGEST_SIZE = 32  # bytes: BLAKE2b-256, as `b2sum -l 256` prints it
READ_TRIES = 3
READ_PAUSE_S = 0.2
BLOCK = 1024 * 1024
MOST_HOLES = 4096  # of one file in a listing; the rest is copied as the zeros that it reads as


class ChangedWhileRead(HomeTrouble):
    """A file that changed while it was read."""


class GrownWhileRead(ChangedWhileRead):
    """A file that is larger than it was when it was looked at, and no longer a small one."""


class Unreadable(HomeTrouble):
    """A file that cannot be read, or is gone."""


def new_digest() -> hashlib.blake2b:
    """The digest that listings hold of content: BLAKE2b (RFC 7693) of 32 bytes."""
    return hashlib.blake2b(digest_size=DIGEST_SIZE)


def stat_numbers(found: os.stat_result) -> Numbers:
    """The five numbers, as the scan takes them."""
    mode = found.st_mode
    kind, size = mode >> 12, found.st_size
    if kind == FOLDER:
        size = 0
    elif kind == FILE and found.st_nlink > 1:
        mode |= HARD
    return (found.st_ino & LARGEST, size, clamp_ns(found.st_mtime_ns), found.st_ctime_ns, mode)


def _nothing() -> None:
    """Nobody wants to end it."""


class SourceFolder:
    """The folder at `root`. Keeps the handle of the folder it last looked into.

    `check` is called while a large file is read whole, and may raise to end that.
    """

    def __init__(self, root: bytes, clock: Clock, check: Callable[[], None] = _nothing) -> None:
        self.root = root
        self._clock = clock
        self._check = check
        self._folder: bytes | None = None
        self._handle = -1

    def close(self) -> None:
        """Let go of the folder handle."""
        if self._handle >= 0:
            os.close(self._handle)
        self._folder, self._handle = None, -1

    def open(self, path: bytes) -> int:
        """A handle on the file at `path`. Raises Unreadable."""
        folder, _, name = path.rpartition(b"/")
        try:
            return os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK, dir_fd=self._at(folder))
        except OSError as problem:
            raise _unreadable(path, problem) from problem

    def read_small(self, path: bytes, limit: int) -> tuple[bytes, Entry, Numbers]:
        """Content, entry and numbers of a file of at most `limit` bytes, read steadily.

        Raises Unreadable, GrownWhileRead if it is past the limit now, or ChangedWhileRead if it changed each time.
        """
        for attempt in range(READ_TRIES):
            if attempt:
                self._clock.sleep(READ_PAUSE_S)
            handle = self.open(path)
            try:
                before = os.fstat(handle)
                if before.st_size > limit:
                    raise GrownWhileRead("has grown since it was looked at", where=path_text(path))
                data = _read_all(handle, before.st_size)
                after = os.fstat(handle)
                numbers = stat_numbers(after)
                if stat_numbers(before) == numbers and len(data) == after.st_size:
                    entry = self.entry(path, after, handle)
                    entry.digest = hashlib.blake2b(data, digest_size=DIGEST_SIZE).digest()
                    return data, entry, numbers
            except OSError as problem:
                raise _unreadable(path, problem) from problem
            finally:
                os.close(handle)
        raise ChangedWhileRead("changed while it was read, each time", where=path_text(path))

    def digest(self, path: bytes, key: bytes | None = None) -> tuple[ChunkList | None, Entry, Numbers]:
        """Entry with digest and numbers of a file of any size, read steadily; its chunks too if `key` is given.

        Raises Unreadable or ChangedWhileRead, and what `check` raises.
        """
        for attempt in range(READ_TRIES):
            if attempt:
                self._clock.sleep(READ_PAUSE_S)
            handle = self.open(path)
            try:
                before = os.fstat(handle)
                digest = new_digest()
                chunker = Chunker(average_for(before.st_size), key) if key is not None else None
                for _, data in blocks_of(handle, before.st_size, BLOCK):
                    self._check()
                    digest.update(data)
                    if chunker is not None:
                        chunker.feed(data)
                after = os.fstat(handle)
                if stat_numbers(before) == stat_numbers(after):
                    entry = self.entry(path, after, handle)
                    entry.digest = digest.digest()
                    if chunker is not None:
                        chunker.finish()
                    return chunker.list if chunker is not None else None, entry, stat_numbers(after)
            except OSError as problem:
                raise _unreadable(path, problem) from problem
            finally:
                os.close(handle)
        raise ChangedWhileRead("changed while it was read, each time", where=path_text(path))

    def head(self, path: bytes, size: int) -> bytes:
        """The first `size` bytes of a file, or as many as it has. Raises Unreadable."""
        handle = self.open(path)
        try:
            return os.pread(handle, size, 0)
        except OSError as problem:
            raise _unreadable(path, problem) from problem
        finally:
            os.close(handle)

    def describe_file(self, path: bytes) -> tuple[Entry, Numbers]:
        """Entry, without its digest, and numbers of a file as it is now. Raises Unreadable."""
        handle = self.open(path)
        try:
            found = os.fstat(handle)
            return self.entry(path, found, handle), stat_numbers(found)
        except OSError as problem:
            raise _unreadable(path, problem) from problem
        finally:
            os.close(handle)

    def describe(self, path: bytes, mode: int) -> tuple[Entry, Numbers]:
        """Entry and numbers of a folder or link. Raises Unreadable."""
        folder, _, name = path.rpartition(b"/")
        try:
            if stat.S_ISDIR(mode):
                handle = os.open(name, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=self._at(folder))
                try:
                    found = os.fstat(handle)
                    return self.entry(path, found, handle), stat_numbers(found)
                finally:
                    os.close(handle)
            above = self._at(folder)
            found = os.stat(name, dir_fd=above, follow_symlinks=False)
            entry = self.entry(path, found, None)
            entry.target = os.readlink(name, dir_fd=above)
            entry.xattrs, entry.left_out = _xattrs(b"/proc/self/fd/%d/%b" % (above, name), follow=False)
            return entry, stat_numbers(found)
        except OSError as problem:
            raise _unreadable(path, problem) from problem

    def device(self, path: bytes) -> int:
        """The number of the device that holds `path`. Raises Unreadable."""
        folder, _, name = path.rpartition(b"/")
        try:
            return os.stat(name, dir_fd=self._at(folder), follow_symlinks=False).st_dev
        except OSError as problem:
            raise _unreadable(path, problem) from problem

    def top(self) -> Entry:
        """The folder itself. Raises Unreadable."""
        try:
            handle = os.open(self.root, os.O_RDONLY | os.O_DIRECTORY)
            try:
                return self.entry(TOP, os.fstat(handle), handle)
            finally:
                os.close(handle)
        except OSError as problem:
            raise _unreadable(self.root, problem) from problem

    def entry(self, path: bytes, found: os.stat_result, handle: int | None) -> Entry:
        """Build an entry from `stat` and an open handle; the caller fills in digest and link target.

        Raises Unreadable if it is none of those that are copied: something else has taken the file's place.
        """
        kind = KINDS.get(found.st_mode >> 12)
        if kind is None:
            raise Unreadable("was no file any more when it was to be read", where=path_text(path))
        if len(path) > LONGEST_PATH:
            raise Unreadable("has too long a path to be copied", where=path_text(path))
        entry = Entry(
            path=path,
            kind=kind,
            size=found.st_size if kind == "file" else 0,
            mtime_ns=found.st_mtime_ns,
            mode=stat.S_IMODE(found.st_mode),
            uid=found.st_uid,
            gid=found.st_gid,
            user=user_name(found.st_uid),
            group=group_name(found.st_gid),
        )
        if handle is not None:
            entry.xattrs, entry.left_out = _xattrs(handle)
            if kind == "file" and found.st_blocks * 512 < found.st_size:
                entry.holes = holes(handle, found.st_size)
        return entry

    def _at(self, folder: bytes) -> int:
        """A handle on `folder`, walked to from the root without following links."""
        if folder == self._folder:
            return self._handle
        handle = os.open(self.root, os.O_RDONLY | os.O_DIRECTORY)
        try:
            for part in folder.split(b"/") if folder else ():
                below = os.open(part, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW, dir_fd=handle)
                os.close(handle)
                handle = below
        except OSError:
            os.close(handle)
            raise
        self.close()
        self._folder, self._handle = folder, handle
        return handle


def _read_all(handle: int, size: int) -> bytes:
    """`size` bytes, or as many as there are."""
    data = os.read(handle, size)
    while 0 < len(data) < size:
        more = os.read(handle, size - len(data))
        if not more:
            break
        data += more
    return data


def blocks_of(handle: int, size: int, most: int, offset: int = 0) -> Iterator[tuple[int, bytes]]:
    """(offset, bytes) of the first `size` bytes, at most `most` at once; a hole reads as zeros, and quickly.

    Begins at `offset`, at which the handle must stand. It does not go on to the end of the file: one that grows faster
    than it is read has none.
    """
    while offset < size and (data := os.read(handle, min(most, size - offset))):
        yield offset, data
        offset += len(data)


def holes(handle: int, size: int) -> tuple[tuple[int, int], ...]:
    """The (offset, length) pairs of a sparse file's holes, the largest if they are many; none if the file system does
    not tell. The handle's offset is at the beginning again afterwards."""
    try:
        return tuple(sorted(heapq.nlargest(MOST_HOLES, _holes(handle, size), key=lambda hole: hole[1])))
    except OSError:
        return ()
    finally:
        os.lseek(handle, 0, os.SEEK_SET)


def _holes(handle: int, size: int) -> Iterator[tuple[int, int]]:
    at = 0
    while at < size:
        try:
            data = os.lseek(handle, at, os.SEEK_DATA)
        except OSError as problem:
            if problem.errno != errno.ENXIO:
                raise
            data = size
        if data > at:
            yield at, min(data, size) - at
        if data >= size:
            return
        at = os.lseek(handle, data, os.SEEK_HOLE)


def _xattrs(thing: int | bytes, *, follow: bool = True) -> tuple[dict[str, bytes], tuple[str, ...]]:
    """The extended attributes that an entry has room for, and the names of the others."""
    try:
        names = os.listxattr(thing, follow_symlinks=follow)
        if not names:
            return {}, ()
        return attributes_that_fit(names, lambda name: os.getxattr(thing, name, follow_symlinks=follow))
    except OSError as problem:
        if problem.errno in (errno.ENOTSUP, errno.ENODATA, errno.EPERM, errno.EACCES, errno.ENOENT):
            return {}, ()  # no extended attributes here, or one that this account may not read
        raise


def _unreadable(path: bytes, problem: OSError) -> Unreadable:
    if problem.errno in (errno.ENOENT, errno.ENOTDIR, errno.ELOOP):
        return Unreadable("was gone or replaced when it was to be read", where=path_text(path))
    return Unreadable(f"cannot be read: {problem.strerror}", where=path_text(path))


@functools.lru_cache(maxsize=1024)
def user_name(uid: int) -> str:
    """The account's name on this machine, or nothing."""
    try:
        return pwd.getpwuid(uid).pw_name
    except KeyError:
        return ""


@functools.lru_cache(maxsize=1024)
def group_name(gid: int) -> str:
    """The group's name on this machine, or nothing."""
    try:
        return grp.getgrgid(gid).gr_name
    except KeyError:
        return ""
