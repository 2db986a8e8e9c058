"""A place on a disk of this machine: one that will be carried to the other house, or one that tests look into.

Carries out the same scripts as the SFTP place, one after the other, with the same refusals.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable, Generator, Iterable
from typing import Any

from otherroof.errors import Denied, FarTrouble, NotThere, OtherroofError, PlaceError, Refused
from otherroof.far import ops
from otherroof.far.place import Done, K, Meter, Offers, T, Task

BLOCK = 1024 * 1024
NAMES_AT_ONCE = 1000


class LocalPlace:
    """The folder `base` on this machine."""

    def __init__(self, base: bytes) -> None:
        self.offers = Offers(link=True, copy_range=True, sync=True, space=True, max_write=BLOCK, max_read=BLOCK)
        self.meter = Meter()
        self._base = base.rstrip(b"/") + b"/"

    def close(self) -> None:
        """Nothing is held open."""

    @property
    def lanes(self) -> int:
        """A disk has one arm."""
        return 1

    def widen(self) -> None:
        """Nothing to widen."""

    def carry_out(
        self, work: Iterable[Task[K, T] | None], tick: Callable[[], None] | None = None
    ) -> Generator[Done[K, T], None, None]:
        """See the port. In order, one at a time."""
        for task in work:
            if task is None:
                continue
            yield self._finish(task)
            if tick is not None:
                tick()

    def _finish(self, task: Task[K, T]) -> Done[K, T]:
        answer: Any = None
        failure: OtherroofError | None = None
        while True:
            try:
                request = task.script.throw(failure) if failure is not None else task.script.send(answer)
            except StopIteration as ended:
                return Done(task.key, value=ended.value)
            except OtherroofError as error:
                return Done(task.key, error=error)
            answer = failure = None
            try:
                answer = self._answer(request)
            except OtherroofError as error:
                failure = error

    def _answer(self, request: ops.Request) -> Any:
        if isinstance(request, ops.Pour):
            return self._pour(request)
        if isinstance(request, ops.Draw):
            return self._draw(request)
        if not isinstance(request, tuple):
            return self._one(request)
        answers = []
        first: OtherroofError | None = None
        for op in request:
            try:
                answers.append(self._one(op))
            except OtherroofError as error:
                first = first or error
                answers.append(None)
        if first is not None:
            raise first
        return tuple(answers)

    def _one(self, op: ops.Op) -> Any:
        try:
            return _DOERS[type(op)](self._base, op)
        except OSError as problem:
            raise _refusal(problem, op) from problem

    def _pour(self, request: ops.Pour) -> None:
        while True:
            piece = request.source.take(wait=True)
            if piece is None:
                return
            if isinstance(piece, ops.NotYet):
                continue
            if isinstance(piece, ops.DataPiece):
                self._one(ops.Write(request.target, piece.offset, piece.data))
            elif isinstance(piece, ops.SyncPiece):
                self._one(ops.Sync(request.target))
            else:
                self._one(ops.CopyRange(request.old, piece.source_offset, piece.length, request.target, piece.offset))
            self.meter.landed += piece.weight
            request.source.landed(piece)

    def _draw(self, request: ops.Draw) -> int:
        given = 0
        while given < request.length:
            size = min(BLOCK, request.length - given)
            data = self._one(ops.Read(request.handle, request.offset + given, size))
            if not data:
                break
            given += len(data)
            self.meter.drawn += len(data)
            request.sink.take(data)
        return given


def _refusal(problem: OSError, op: ops.Op) -> FarTrouble:
    path = getattr(op, "path", None) or getattr(op, "new", None) or b""
    kinds: dict[int | None, type[PlaceError]] = {
        errno.ENOENT: NotThere,
        errno.ENOTDIR: NotThere,
        errno.EACCES: Denied,
        errno.EPERM: Denied,
        errno.EROFS: Denied,
    }
    kind = kinds.get(problem.errno, Refused)
    what = f"{type(op).__name__} was refused ({problem.strerror})"
    return kind(what, where=bytes(path).decode("utf-8", "backslashreplace"))


def _open(base: bytes, op: ops.OpenFile) -> int:
    wanted = {ops.Mode.READ: os.O_RDONLY, ops.Mode.WRITE: os.O_WRONLY, ops.Mode.READ | ops.Mode.WRITE: os.O_RDWR}
    flags = wanted[op.mode & (ops.Mode.READ | ops.Mode.WRITE)] | os.O_CLOEXEC | os.O_NOFOLLOW
    for mode, flag in ((ops.Mode.CREATE, os.O_CREAT), (ops.Mode.EMPTY, os.O_TRUNC), (ops.Mode.ONLY_NEW, os.O_EXCL)):
        if op.mode & mode:
            flags |= flag
    return os.open(base + op.path, flags, op.permissions)


def _write(_base: bytes, op: ops.Write) -> None:
    left = memoryview(op.data)
    at = op.offset
    while left:
        count = os.pwrite(op.handle, left, at)
        left = left[count:]
        at += count


def _shape(_base: bytes, op: ops.Shape) -> None:
    if op.size is not None:
        os.ftruncate(op.handle, op.size)
    if op.permissions is not None:
        os.fchmod(op.handle, op.permissions)
    if op.mtime is not None:
        os.utime(op.handle, (op.mtime, op.mtime))


def _sync(_base: bytes, op: ops.Sync) -> bool:
    os.fsync(op.handle)
    return True


def _copy_range(_base: bytes, op: ops.CopyRange) -> None:
    done = 0
    while done < op.length:
        data = os.pread(op.source, min(BLOCK, op.length - done), op.source_offset + done)
        if not data:
            return
        _write(b"", ops.Write(op.target, op.target_offset + done, data))
        done += len(data)


def _rename(base: bytes, op: ops.Rename) -> None:
    old, new = base + op.old, base + op.new
    if stat.S_ISREG(os.lstat(old).st_mode):
        os.link(old, new, follow_symlinks=False)  # unlike rename, never takes an existing name
        os.unlink(old)
    elif os.path.lexists(new):
        raise FileExistsError(errno.EEXIST, "the new name exists")
    else:
        os.rename(old, new)


def _attrs(found: os.stat_result) -> ops.Attrs:
    return ops.Attrs(found.st_size, found.st_mode, int(found.st_mtime))


class _Folder:
    """An open folder; the names come in portions, as over SFTP."""

    def __init__(self, path: bytes) -> None:
        self._path = path
        self._names = os.listdir(path)

    def read(self) -> list[tuple[bytes, ops.Attrs]] | None:
        if not self._names:
            return None
        now, self._names = self._names[:NAMES_AT_ONCE], self._names[NAMES_AT_ONCE:]
        return [(name, _attrs(os.lstat(self._path + b"/" + name))) for name in now]


def _shut(_base: bytes, op: ops.Shut) -> None:
    if isinstance(op.handle, int):
        os.close(op.handle)


def _space(base: bytes, op: ops.AskSpace) -> ops.Space:
    found = os.statvfs(base + op.path)
    size, shut = found.f_frsize, bool(found.f_flag & os.ST_RDONLY)
    return ops.Space(found.f_blocks * size, found.f_bavail * size, found.f_files, found.f_favail, shut)


_DOERS: dict[type, Callable[[bytes, Any], Any]] = {
    ops.OpenFile: _open,
    ops.Write: _write,
    ops.Read: lambda base, op: os.pread(op.handle, op.size, op.offset),
    ops.Shape: _shape,
    ops.LookOpen: lambda base, op: _attrs(os.fstat(op.handle)),
    ops.Sync: _sync,
    ops.Shut: _shut,
    ops.CopyRange: _copy_range,
    ops.Rename: _rename,
    ops.Link: lambda base, op: os.link(base + op.old, base + op.new, follow_symlinks=False),
    ops.MakeSymlink: lambda base, op: os.symlink(op.target, base + op.path),
    ops.MakeFolder: lambda base, op: os.mkdir(base + op.path, op.permissions),
    ops.DropFolder: lambda base, op: os.rmdir(base + op.path),
    ops.Remove: lambda base, op: os.unlink(base + op.path),
    ops.Look: lambda base, op: _attrs(os.lstat(base + op.path)),
    ops.OpenFolder: lambda base, op: _Folder(base + op.path),
    ops.ReadFolder: lambda base, op: op.handle.read(),
    ops.AskSpace: _space,
}
