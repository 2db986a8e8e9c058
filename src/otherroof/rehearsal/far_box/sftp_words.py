"""The words of SFTP version 3 as the stand-in speaks them: numbers, fields of a packet, attributes.

Source: draft-ietf-secsh-filexfer-02, and OpenSSH's PROTOCOL document for its extensions. Bytes in, values out;
nothing here opens a file or a socket.
"""

from __future__ import annotations

import errno
import os
import struct
from dataclasses import dataclass

INIT, VERSION = 1, 2
OPEN, CLOSE, READ, WRITE, LSTAT, FSTAT, SETSTAT, FSETSTAT, OPENDIR, READDIR = range(3, 13)
REMOVE, MKDIR, RMDIR, REALPATH, STAT, RENAME, READLINK, SYMLINK = range(13, 21)
STATUS, HANDLE, DATA, NAME, ATTRS = range(101, 106)
EXTENDED, EXTENDED_REPLY = 200, 201

OK, EOF, NO_SUCH_FILE, PERMISSION_DENIED, FAILURE, BAD_MESSAGE, NO_CONNECTION, CONNECTION_LOST, OP_UNSUPPORTED = range(
    9
)
STATUS_TEXTS = (
    b"Success",
    b"End of file",
    b"No such file",
    b"Permission denied",
    b"Failure",
    b"Bad message",
    b"No connection",
    b"Connection lost",
    b"Operation unsupported",
)

ATTR_SIZE, ATTR_UIDGID, ATTR_PERMISSIONS, ATTR_ACMODTIME, ATTR_EXTENDED = 1, 2, 4, 8, 0x80000000
OPEN_READ, OPEN_WRITE, OPEN_APPEND, OPEN_CREAT, OPEN_TRUNC, OPEN_EXCL = 1, 2, 4, 8, 16, 32

MAX_PACKET = 256 * 1024
MAX_DATA = MAX_PACKET - 1024

_U32 = struct.Struct(">I")
_U64 = struct.Struct(">Q")
_STAT = struct.Struct(">IQIIIII")
_HEAD = struct.Struct(">IBI")
# The few errors that OpenSSH tells apart; SFTP 3 has no status for `exists` or `disk full`.
_STATUS_OF = {
    errno.ENOENT: NO_SUCH_FILE,
    errno.ENOTDIR: NO_SUCH_FILE,
    errno.EBADF: NO_SUCH_FILE,
    errno.ELOOP: NO_SUCH_FILE,
    errno.EPERM: PERMISSION_DENIED,
    errno.EACCES: PERMISSION_DENIED,
    errno.EFAULT: PERMISSION_DENIED,
    errno.ENAMETOOLONG: BAD_MESSAGE,
    errno.EINVAL: BAD_MESSAGE,
    errno.ENOSYS: OP_UNSUPPORTED,
}


class MalformedError(Exception):
    """A packet that cannot be one; the session ends, as OpenSSH's does."""


@dataclass(frozen=True, slots=True)
class Attributes:
    """What a client asks to set; None if it says nothing. Times are whole seconds since 1970."""

    size: int | None = None
    owner: tuple[int, int] | None = None
    mode: int | None = None
    times: tuple[int, int] | None = None


class Fields:
    """Reads the fields of one packet one after the other; raises MalformedError past its end."""

    __slots__ = ("_at", "_packet")

    def __init__(self, packet: memoryview, at: int) -> None:
        self._packet = packet
        self._at = at

    def u32(self) -> int:
        """An unsigned number of 32 bits."""
        return int(self._number(_U32))

    def u64(self) -> int:
        """An unsigned number of 64 bits."""
        return int(self._number(_U64))

    def string(self) -> memoryview:
        """A counted string, not copied."""
        size = self.u32()
        end = self._at + size
        if end > len(self._packet):
            raise MalformedError("a string runs past the end of its packet")
        found = self._packet[self._at : end]
        self._at = end
        return found

    def path(self) -> bytes:
        """A counted string without NUL bytes, which no path can hold."""
        found = bytes(self.string())
        if b"\0" in found:
            raise MalformedError("a NUL byte in a path")
        return found

    def attributes(self) -> Attributes:
        """An ATTRS structure (filexfer-02 §5)."""
        flags = self.u32()
        size = self.u64() if flags & ATTR_SIZE else None
        owner = (self.u32(), self.u32()) if flags & ATTR_UIDGID else None
        mode = self.u32() & 0o7777 if flags & ATTR_PERMISSIONS else None
        times = (self.u32(), self.u32()) if flags & ATTR_ACMODTIME else None
        if flags & ATTR_EXTENDED:
            for _ in range(self.u32()):
                self.string(), self.string()
        return Attributes(size, owner, mode, times)

    def _number(self, shape: struct.Struct) -> int:
        try:
            (value,) = shape.unpack_from(self._packet, self._at)
        except struct.error:
            raise MalformedError("a number runs past the end of its packet") from None
        self._at += shape.size
        return int(value)


def counted(text: bytes | memoryview) -> bytes:
    """`text` with its length in front."""
    return _U32.pack(len(text)) + text


def framed(kind: int, number: int, body: bytes) -> bytes:
    """One whole packet: length, kind, request number, body."""
    return _HEAD.pack(len(body) + 5, kind, number) + body


def framed_status(number: int, status: int) -> bytes:
    """A STATUS packet with the usual English text for `status`."""
    return framed(STATUS, number, _U32.pack(status) + counted(STATUS_TEXTS[status]) + counted(b""))


def packed_stat(found: os.stat_result) -> bytes:
    """An ATTRS structure: size, owner, mode and times of a file."""
    flags = ATTR_SIZE | ATTR_UIDGID | ATTR_PERMISSIONS | ATTR_ACMODTIME
    return _STAT.pack(
        flags,
        found.st_size,
        found.st_uid,
        found.st_gid,
        found.st_mode,
        # 32 bits without a sign hold times up to 2106; what is before 1970 wraps around, as in OpenSSH.
        int(found.st_atime_ns // 1_000_000_000) & 0xFFFFFFFF,
        int(found.st_mtime_ns // 1_000_000_000) & 0xFFFFFFFF,
    )


def status_of(problem: OSError) -> int:
    """The status that OpenSSH answers for an errno; a plain Failure for most of them."""
    return _STATUS_OF.get(problem.errno or 0, FAILURE)
