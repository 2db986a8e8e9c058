"""A place in a folder of this machine. Carries out the same scripts as the SFTP place, one after the other, with the
same refusals.

`disk_place` builds on it for a disk that is carried to the other house; tests look into it.
"""

from __future__ import annotations

import errno
import os
import stat
import time
from collections.abc import Callable, Generator, Iterable
from contextlib import suppress
from typing import Any

from otherroof.base.errors import Denied, HomeTrouble, NotThere, OtherroofError, PlaceError, Refused
from otherroof.far import requests
from otherroof.far.place import K, Meter, PlaceOffers, T, Task, TaskResult

BLOCK = 1024 * 1024
NAMES_AT_ONCE = 1000
TICK_S = 0.5
# What says that a file system gives no second names (link(2)); OpenSSH goes by the same (sftp-server.c, 9.2).
NO_LINKS = (errno.EOPNOTSUPP, errno.ENOSYS, errno.EPERM, errno.EXDEV)


class DiskFailed(HomeTrouble):
    """The disk that a place is on is full, shut or gone, which ends all work there."""


class LocalPlace:
    """The folder `base` on this machine."""

    def __init__(self, base: bytes) -> None:
        self.offers = PlaceOffers(link=True, copy_range=True, sync=True, space=True, max_write=BLOCK, max_read=BLOCK)
        self.meter = Meter()
        self._base = base.rstrip(b"/") + b"/"
        self._tick: Callable[[], None] | None = None
        self._ticked = 0.0

    def close(self) -> None:
        """Nothing is held open."""

    @property
    def connections(self) -> int:
        """One: a disk gains nothing from tasks side by side."""
        return 1

    def widen(self, *, for_much: bool = True, for_large: bool = True) -> None:
        """Nothing to widen."""

    def carry_out(
        self, work: Iterable[Task[K, T] | None], tick: Callable[[], None] | None = None
    ) -> Generator[TaskResult[K, T], None, None]:
        """See the port. In order, one at a time. Raises DiskFailed."""
        for task in work:
            if task is None:
                continue
            self._tick = tick
            yield self._finish(task)
            self._tell_time()

    def _tell_time(self) -> None:
        now = time.monotonic()
        if self._tick is not None and now - self._ticked >= TICK_S:
            self._ticked = now
            self._tick()

    def _finish(self, task: Task[K, T]) -> TaskResult[K, T]:
        answer: Any = None
        failure: OtherroofError | None = None
        while True:
            try:
                request = task.script.throw(failure) if failure is not None else task.script.send(answer)
            except StopIteration as ended:
                return TaskResult(task.key, value=ended.value)
            except OtherroofError as error:
                return TaskResult(task.key, error=error)
            answer = failure = None
            try:
                answer = self._answer(request)
            except DiskFailed:
                raise
            except OtherroofError as error:
                failure = error

    def _answer(self, request: requests.Request) -> Any:
        if isinstance(request, requests.WriteStream):
            return self._write_stream(request)
        if isinstance(request, requests.ReadStream):
            return self._read_stream(request)
        if isinstance(request, requests.Attempts):
            return tuple(self._attempt(op) for op in request.ops)
        if not isinstance(request, tuple):
            return self._do(request)
        answers, first = self._do_all(request)
        if first is not None:
            self._do_all(requests.closing_all(request, answers))
            raise first
        return tuple(answers)

    def _do_all(self, ops: tuple[requests.Op, ...]) -> tuple[list[Any], OtherroofError | None]:
        """The answers, None for what was refused, and the first refusal."""
        answers = []
        first: OtherroofError | None = None
        for op in ops:
            try:
                answers.append(self._do(op))
            except OtherroofError as error:
                first = first or error
                answers.append(None)
        return answers, first

    def _attempt(self, op: requests.Op) -> Any:
        try:
            return self._do(op)
        except PlaceError as refusal:
            return refusal

    def _do(self, op: requests.Op) -> Any:
        try:
            return _HANDLERS[type(op)](self._base, op)
        except OSError as problem:
            raise refusal_of(problem, op) from problem

    def _write_stream(self, request: requests.WriteStream) -> None:
        while True:
            piece = request.source.take(wait=True)
            if piece is None:
                return
            if isinstance(piece, requests.NotYet):
                continue
            try:
                self._do(_op_of(piece, request))
            except OtherroofError:
                request.source.refused(piece)
                raise
            self.meter.add(landed=piece.weight)
            request.source.landed(piece)
            self._tell_time()

    def _read_stream(self, request: requests.ReadStream) -> int:
        given = 0
        while given < request.length:
            size = min(BLOCK, request.length - given)
            data = self._do(requests.Read(request.handle, request.offset + given, size))
            if not data:
                break
            given += len(data)
            self.meter.add(drawn=len(data))
            request.sink.take(data)
            self._tell_time()
        return given


def _op_of(piece: requests.Piece, request: requests.WriteStream) -> requests.Op:
    """The request that carries out a piece of a stream."""
    if isinstance(piece, requests.DataPiece):
        return requests.Write(request.target, piece.offset, piece.data)
    if isinstance(piece, requests.SyncPiece):
        return requests.Sync(request.target)
    return requests.CopyRange(request.old, piece.source_offset, piece.length, request.target, piece.offset)


def refusal_of(problem: OSError, op: requests.Op) -> PlaceError:
    """What an operating system's refusal of `op` is called in a place."""
    path = getattr(op, "path", None) or getattr(op, "new", None) or b""
    # The kinds that OpenSSH's answers lead to. A name that exists, a full folder and a full disk are all Refused.
    kinds: dict[int | None, type[PlaceError]] = {
        errno.ENOENT: NotThere,
        errno.ENOTDIR: NotThere,
        errno.EACCES: Denied,
        errno.EPERM: Denied,
        errno.EROFS: Denied,
    }
    kind = kinds.get(problem.errno, Refused)
    what = f"{requests.IN_WORDS[type(op)]} was refused ({problem.strerror})"
    return kind(what, where=bytes(path).decode("utf-8", "backslashreplace"))


def _open(base: bytes, op: requests.OpenFile) -> int:
    wanted = {
        requests.Mode.READ: os.O_RDONLY,
        requests.Mode.WRITE: os.O_WRONLY,
        requests.Mode.READ | requests.Mode.WRITE: os.O_RDWR,
    }
    flags = wanted[op.mode & (requests.Mode.READ | requests.Mode.WRITE)] | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
    for mode, flag in (
        (requests.Mode.CREATE, os.O_CREAT),
        (requests.Mode.EMPTY, os.O_TRUNC),
        (requests.Mode.ONLY_NEW, os.O_EXCL),
    ):
        if op.mode & mode:
            flags |= flag
    return os.open(base + op.path, flags, op.permissions)


def _write(_base: bytes, op: requests.Write) -> None:
    left = memoryview(op.data)
    at = op.offset
    while left:
        count = os.pwrite(op.handle, left, at)
        left = left[count:]
        at += count


def _set_properties(_base: bytes, op: requests.SetProperties) -> None:
    if op.size is not None:
        os.ftruncate(op.handle, op.size)
    if op.permissions is not None:
        os.fchmod(op.handle, op.permissions)
    if op.mtime is not None:
        os.utime(op.handle, (op.mtime, op.mtime))


def _sync(_base: bytes, op: requests.Sync) -> bool:
    os.fsync(op.handle)
    return True


def _copy_range(_base: bytes, op: requests.CopyRange) -> None:
    copied = 0
    while copied < op.length:
        data = os.pread(op.source, min(BLOCK, op.length - copied), op.source_offset + copied)
        if not data:
            return
        _write(b"", requests.Write(op.target, op.target_offset + copied, data))
        copied += len(data)


def _rename(base: bytes, op: requests.Rename) -> None:
    old, new = base + op.old, base + op.new
    if stat.S_ISREG(os.lstat(old).st_mode):
        try:
            os.link(old, new, follow_symlinks=False)  # unlike rename, never takes an existing name
        except OSError as problem:
            if problem.errno not in NO_LINKS:
                raise
        else:
            os.unlink(old)
            return
    if os.path.lexists(new):
        raise FileExistsError(errno.EEXIST, "the new name exists")
    os.rename(old, new)


def attrs_of(found: os.stat_result) -> requests.Attrs:
    """What a place says of an entry."""
    return requests.Attrs(found.st_size, found.st_mode, int(found.st_mtime))


class OpenedFolder:
    """An open folder with its `names`; they come in portions, as over SFTP. `look`: what there is by such a name."""

    def __init__(self, names: list[bytes], look: Callable[[bytes], os.stat_result]) -> None:
        self._names = names
        self._look = look

    def read(self) -> list[tuple[bytes, requests.Attrs]] | None:
        """See `ReadFolder`."""
        if not self._names:
            return None
        now, self._names = self._names[:NAMES_AT_ONCE], self._names[NAMES_AT_ONCE:]
        found = []
        for name in now:
            with suppress(FileNotFoundError):  # gone since the folder was opened: over SFTP it is left out as well
                found.append((name, attrs_of(self._look(name))))
        return found


def _open_folder(base: bytes, op: requests.OpenFolder) -> OpenedFolder:
    path = base + op.path
    return OpenedFolder(os.listdir(path), lambda name: os.lstat(path + b"/" + name))


def _shut(_base: bytes, op: requests.CloseFile) -> None:
    if isinstance(op.handle, int):
        os.close(op.handle)


def _let_go(base: bytes, op: requests.LetGo) -> None:
    with suppress(OSError):  # nobody asks whether it could be closed
        _shut(base, op)


def _space(base: bytes, op: requests.GetSpace) -> requests.Space:
    found = os.statvfs(base + op.path)
    size, shut = found.f_frsize, bool(found.f_flag & os.ST_RDONLY)
    return requests.Space(found.f_blocks * size, found.f_bavail * size, found.f_files, found.f_favail, shut)


_HANDLERS: dict[type, Callable[[bytes, Any], Any]] = {
    requests.OpenFile: _open,
    requests.Write: _write,
    requests.Read: lambda base, op: os.pread(op.handle, op.size, op.offset),
    requests.SetProperties: _set_properties,
    requests.StatOpen: lambda base, op: attrs_of(os.fstat(op.handle)),
    requests.Sync: _sync,
    requests.CloseFile: _shut,
    requests.LetGo: _let_go,
    requests.CopyRange: _copy_range,
    requests.Rename: _rename,
    requests.Link: lambda base, op: os.link(base + op.old, base + op.new, follow_symlinks=False),
    requests.MakeSymlink: lambda base, op: os.symlink(op.target, base + op.path),
    requests.MakeFolder: lambda base, op: os.mkdir(base + op.path, op.permissions),
    requests.RemoveFolder: lambda base, op: os.rmdir(base + op.path),
    requests.Remove: lambda base, op: os.unlink(base + op.path),
    requests.Stat: lambda base, op: attrs_of(os.lstat(base + op.path)),
    requests.OpenFolder: _open_folder,
    requests.ReadFolder: lambda base, op: op.handle.read(),
    requests.GetSpace: _space,
}
