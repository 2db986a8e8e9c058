"""SFTP version 3 as bytes: requests become packets, packets become answers. No channel, no waiting.

Sources: draft-ietf-secsh-filexfer-02 for the protocol, OpenSSH's PROTOCOL file for the extensions and for the
order of SYMLINK's arguments, which OpenSSH has the other way round than the draft.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from typing import Any

from otherroof.base.errors import Denied, LinkLost, NotOffered, NotThere, PlaceError, Refused
from otherroof.far import requests

# A packet is its length in 32 bits, which does not count itself, one byte of type, and a body (draft §3). The body
# begins with the request's number, which the answer repeats, so that answers may come in any order; only INIT and
# VERSION have none. Numbers are big-endian; a string has its length in 32 bits before it.

# The types (draft §3). STAT and SETSTAT, which go by path and follow links, are not among them: what lies at the far
# end is looked at with LSTAT, and changed through an open file.
INIT, VERSION = 1, 2
OPEN, CLOSE, READ, WRITE, LSTAT, FSTAT, FSETSTAT = 3, 4, 5, 6, 7, 8, 10
OPENDIR, READDIR, REMOVE, MKDIR, RMDIR = 11, 12, 13, 14, 15
RENAME, SYMLINK = 18, 20
STATUS, HANDLE, DATA, NAME, ATTRS = 101, 102, 103, 104, 105
EXTENDED, EXTENDED_REPLY = 200, 201

# Codes of a STATUS (draft §7). There is none for a name that exists, a folder that is not empty or a disk that is full:
# OpenSSH says FAILURE to all three. Whoever needs to know which it was must look (`steps`, `far/trouble.py`).
OK, EOF, NO_SUCH_FILE, PERMISSION_DENIED, FAILURE, UNSUPPORTED = 0, 1, 2, 3, 4, 8

# Which fields an ATTRS structure has (draft §5). They follow in this order, each there only if its bit is set.
HAS_SIZE, HAS_OWNER, HAS_PERMISSIONS, HAS_TIMES, HAS_MORE = 0x1, 0x2, 0x4, 0x8, 0x80000000

ST_RDONLY = 0x1  # in the flags of statvfs@openssh.com

# OpenSSH's longest packet is 256 kB, and the longest answer to a read of ours is 1 MiB with its head.
LONGEST_READ = 1024 * 1024  # bytes; more at once would save nothing, and wait in memory
LEAST_LIMIT = 4096  # bytes; a server that says less for its longest read or write would make a packet of every byte
MAX_PACKET = LONGEST_READ + 1024  # bytes
LONGEST_HANDLE = 256  # bytes (draft §6.3); each request on a file carries it
LONGEST_NAMES = 256 * 1024  # bytes of one answer to a listing; OpenSSH gives a hundred entries, some 20 kB
LONGEST_NAME = 4096  # bytes in one folder's entry; no file system takes as much

_u32 = struct.Struct(">I").pack
_read_u32 = struct.Struct(">I").unpack_from
_read_u64 = struct.Struct(">Q").unpack_from
_head = struct.Struct(">IBII").pack  # length, type, request id, and the length of the body's first string
_u64_u32 = struct.Struct(">QI").pack
_two_u32 = struct.Struct(">II").pack


def hello_packet() -> bytes:
    """The client's first packet."""
    return struct.pack(">IBI", 5, INIT, 3)


def pack_string(data: bytes) -> bytes:
    """A length-prefixed string."""
    return _u32(len(data)) + data


def parse_hello(packet: bytes) -> dict[bytes, bytes]:
    """The extensions named in the server's VERSION packet. Raises LinkLost if it is none."""
    if len(packet) < 5 or packet[0] != VERSION:
        raise LinkLost("the far box did not answer in SFTP", advice="check that its account is set up for SFTP")
    # Bytes 1 to 4 are the version: ours or an older one, since a server may not answer with more than was offered
    # (draft §4). What follows are pairs of a name and its data, one for each extension.
    found: dict[bytes, bytes] = {}
    at = 5
    while at < len(packet):
        name, at = unpack_string(packet, at)
        value, at = unpack_string(packet, at)
        found[name] = value
    return found


def unpack_string(packet: bytes, at: int) -> tuple[bytes, int]:
    """The string at byte `at`, and the offset of what follows it. Raises LinkLost if the packet is too short."""
    if at + 4 > len(packet):
        raise malformed()
    (size,) = _read_u32(packet, at)
    end = at + 4 + size
    if end > len(packet):
        raise malformed()
    return packet[at + 4 : end], end


def malformed() -> LinkLost:
    """What is raised when a packet makes no sense."""
    return LinkLost("the far box sent a packet that makes no sense", advice="check what answers at that address")


def _packet(kind: int, number: int, first: bytes, rest: bytes = b"") -> bytes:
    """Every request's body begins with a string: a path, a handle, or an extension's name."""
    return _head(9 + len(first) + len(rest), kind, number, len(first)) + first + rest


def _attrs(size: int | None, permissions: int | None, mtime: int | None) -> bytes:
    flags = 0
    body = b""
    if size is not None:
        flags |= HAS_SIZE
        body += struct.pack(">Q", size)
    if permissions is not None:
        flags |= HAS_PERMISSIONS
        body += _u32(permissions)
    if mtime is not None:
        flags |= HAS_TIMES
        # One bit stands for both times, so the time of last reading gets the same value.
        seconds = min(max(mtime, 0), 0xFFFFFFFF)  # the protocol's times are 32 bits and not negative
        body += _two_u32(seconds, seconds)
    return _u32(flags) + body


def _open(number: int, op: requests.OpenFile, base: bytes) -> bytes:
    # The far account's umask cuts these permissions. Where they matter, SetProperties sets them once more.
    given = _attrs(None, op.permissions, None) if requests.Mode.CREATE in op.mode else _u32(0)
    return _packet(OPEN, number, base + op.path, _u32(op.mode) + given)


def _write(number: int, op: requests.Write, _base: bytes) -> bytes:
    # The content is a string too; its length is packed with the head, so that one join copies it once.
    handle, size = op.handle, len(op.data)
    head = _head(21 + len(handle) + size, WRITE, number, len(handle))
    return b"".join((head, handle, _u64_u32(op.offset, size), op.data))


def _copy_range(number: int, op: requests.CopyRange, _base: bytes) -> bytes:
    # draft-ietf-secsh-filexfer-extensions-00 §7. A length of 0 would mean `up to the end of the source`: nobody asks
    # for it.
    body = pack_string(op.source) + struct.pack(">QQ", op.source_offset, op.length)
    body += pack_string(op.target) + struct.pack(">Q", op.target_offset)
    return _packet(EXTENDED, number, b"copy-data", body)


_ENCODERS: dict[type, Callable[[int, Any, bytes], bytes]] = {
    requests.OpenFile: _open,
    requests.Write: _write,
    requests.Read: lambda n, op, _base: _packet(READ, n, op.handle, _u64_u32(op.offset, op.size)),
    requests.SetProperties: lambda n, op, _base: _packet(
        FSETSTAT, n, op.handle, _attrs(op.size, op.permissions, op.mtime)
    ),
    requests.StatOpen: lambda n, op, _base: _packet(FSTAT, n, op.handle),
    requests.Sync: lambda n, op, _base: _packet(EXTENDED, n, b"fsync@openssh.com", pack_string(op.handle)),
    requests.CloseFile: lambda n, op, _base: _packet(CLOSE, n, op.handle),
    requests.LetGo: lambda n, op, _base: _packet(CLOSE, n, op.handle),
    requests.CopyRange: _copy_range,
    # Must be refused if the new name exists (draft §6.5); OpenSSH makes a link under the new name and removes the old
    # one. Its extension `posix-rename@openssh.com`, which replaces what is there, is not used: nothing kept may be
    # overwritten.
    requests.Rename: lambda n, op, base: _packet(RENAME, n, base + op.old, pack_string(base + op.new)),
    requests.Link: lambda n, op, base: _packet(
        EXTENDED, n, b"hardlink@openssh.com", pack_string(base + op.old) + pack_string(base + op.new)
    ),
    # The link's target comes first, as OpenSSH has it; draft §6.10 says the path first.
    requests.MakeSymlink: lambda n, op, base: _packet(SYMLINK, n, op.target, pack_string(base + op.path)),
    requests.MakeFolder: lambda n, op, base: _packet(MKDIR, n, base + op.path, _attrs(None, op.permissions, None)),
    requests.RemoveFolder: lambda n, op, base: _packet(RMDIR, n, base + op.path),
    requests.Remove: lambda n, op, base: _packet(REMOVE, n, base + op.path),
    requests.Stat: lambda n, op, base: _packet(LSTAT, n, base + op.path),
    requests.OpenFolder: lambda n, op, base: _packet(OPENDIR, n, base + op.path),
    requests.ReadFolder: lambda n, op, _base: _packet(READDIR, n, op.handle),
    requests.GetSpace: lambda n, op, base: _packet(EXTENDED, n, b"statvfs@openssh.com", pack_string(base + op.path)),
}


def encode(number: int, op: requests.Op, base: bytes) -> bytes:
    """The packet, with its length, for one request; its paths are taken below `base`, which ends in a slash."""
    return _ENCODERS[type(op)](number, op, base)


def work_of(op: requests.Op) -> int:
    """Bytes that are written or copied at the far end when `op` is answered; what is read is in the answer itself."""
    if isinstance(op, requests.Write):
        return len(op.data)
    return op.length if isinstance(op, requests.CopyRange) else 0


def ask_limits(number: int) -> bytes:
    """The packet for `limits@openssh.com`."""
    return _packet(EXTENDED, number, b"limits@openssh.com")


def parse_limits(packet: bytes) -> tuple[int, int, int]:
    """Longest read and write in bytes, and how many files may be open, out of the answer to `limits@openssh.com`.

    0 stands for what the server does not say.
    """
    # Four numbers of 64 bits after type and request number: longest packet, read, write, and number of open files.
    if packet[0] != EXTENDED_REPLY or len(packet) < 5 + 32:
        return 0, 0, 0
    return _sensible(_read_u64(packet, 13)[0]), _sensible(_read_u64(packet, 21)[0]), _read_u64(packet, 29)[0]


def _sensible(longest: int) -> int:
    return min(max(longest, LEAST_LIMIT), LONGEST_READ) if longest else 0


_KINDS: dict[int, type[PlaceError]] = {NO_SUCH_FILE: NotThere, PERMISSION_DENIED: Denied, UNSUPPORTED: NotOffered}
_SAYINGS = {NO_SUCH_FILE: "fails: it is not there", PERMISSION_DENIED: "is forbidden", UNSUPPORTED: "is not offered"}


def decode(op: requests.Op, packet: bytes) -> Any:
    """The answer to `op`; raises the PlaceError that a refusal means, LinkLost if the packet makes no sense."""
    kind = packet[0]
    wanted = _ANSWERS.get(type(op), STATUS)
    try:
        if kind == STATUS:
            (code,) = _read_u32(packet, 5)
        elif kind == wanted:
            return _DECODERS[kind](packet)
        else:
            raise malformed()
    except struct.error:
        raise malformed() from None
    # A request that asks for something is answered by it or by a refusal; `all well` alone is neither.
    if code == OK and wanted != STATUS:
        raise malformed()
    return _status(op, code)


def _status(op: requests.Op, code: int) -> Any:
    if code == OK:
        return True if isinstance(op, requests.Sync) else None
    # The end of a file or folder is told by a status of its own, not by an empty answer (draft §6.4, §6.7).
    if code == EOF and isinstance(op, requests.Read):
        return b""
    if code == EOF and isinstance(op, requests.ReadFolder):
        return None
    # A server may offer fsync and yet lack it on this file system. Nothing was refused; the content is just not sure to
    # last.
    if code == UNSUPPORTED and isinstance(op, requests.Sync):
        return False
    what = f"{requests.IN_WORDS[type(op)]} {_SAYINGS.get(code, f'was refused (status {code})')}"
    raise _KINDS.get(code, Refused)(what, where=request_path(op))


def request_path(op: requests.Op) -> str:
    """The path a request is about, as text; empty if it works on a handle."""
    path = getattr(op, "path", None) or getattr(op, "new", None) or b""
    return bytes(path).decode("utf-8", "backslashreplace")


def unpack_attrs(packet: bytes, at: int) -> tuple[requests.Attrs, int]:
    """The attributes at byte `at`, and the offset of what follows them."""
    (flags,) = _read_u32(packet, at)
    at += 4
    size = mode = mtime = 0
    if flags & HAS_SIZE:
        size = min(_read_u64(packet, at)[0], requests.LARGEST)
        at += 8
    if flags & HAS_OWNER:
        at += 8
    if flags & HAS_PERMISSIONS:
        (mode,) = _read_u32(packet, at)
        at += 4
    if flags & HAS_TIMES:
        # The time of last reading comes first.
        (mtime,) = _read_u32(packet, at + 4)
        at += 8
    if flags & HAS_MORE:
        # Pairs of a type and its data that only the server knows. They are read over, because another entry may follow.
        # A count that lies ends where the packet does.
        (count,) = _read_u32(packet, at)
        at += 4
        for _ in range(2 * count):
            _, at = unpack_string(packet, at)
    return requests.Attrs(size, mode, mtime), at


class FolderNames:
    """Some of a folder's entries: (name, Attrs) pairs, made of the packet only as they are gone through.

    A packet of names takes twenty times its size as pairs, and a far box may have many answers wait for another one.
    """

    __slots__ = ("_packet",)

    def __init__(self, packet: bytes) -> None:
        self._packet = packet

    def __iter__(self) -> Iterator[tuple[bytes, requests.Attrs]]:
        """Raises LinkLost if the packet makes no sense."""
        packet = self._packet
        try:
            (count,) = _read_u32(packet, 5)
            at = 9
            for _ in range(count):
                name, at = unpack_string(packet, at)
                if len(name) > LONGEST_NAME:
                    raise malformed()
                # The second string is a line as `ls -l` prints it. How it looks is left to the server (draft §7), so it
                # says nothing.
                _, at = unpack_string(packet, at)
                attrs, at = unpack_attrs(packet, at)
                yield name, attrs
        except struct.error:
            raise malformed() from None


def _names(packet: bytes) -> FolderNames | None:
    (count,) = _read_u32(packet, 5)
    if count == 0:
        return None  # as OpenSSH's own client takes it; else a folder could go on for ever with answers of nothing
    if len(packet) > LONGEST_NAMES:
        raise malformed()
    return FolderNames(packet)


def _space(packet: bytes) -> requests.Space:
    # The fields of statvfs(3). Blocks are counted in fragments; `usable` leaves out what the disk keeps for root.
    numbers = struct.unpack_from(">11Q", packet, 5)
    _bsize, fragment, blocks, _free, usable, files, _files_free, files_usable, _id, flags, _longest = numbers
    return requests.Space(blocks * fragment, usable * fragment, files, files_usable, bool(flags & ST_RDONLY))


def _handle(packet: bytes) -> bytes:
    handle, _ = unpack_string(packet, 5)
    if len(handle) > LONGEST_HANDLE:
        raise malformed()
    return handle


_DECODERS: dict[int, Callable[[bytes], Any]] = {
    HANDLE: _handle,
    DATA: lambda packet: unpack_string(packet, 5)[0],
    NAME: _names,
    ATTRS: lambda packet: unpack_attrs(packet, 5)[0],
    EXTENDED_REPLY: _space,
}

# What answers a request that asks for something; all others are answered by a status.
_ANSWERS: dict[type, int] = {
    requests.OpenFile: HANDLE,
    requests.OpenFolder: HANDLE,
    requests.Read: DATA,
    requests.ReadFolder: NAME,
    requests.Stat: ATTRS,
    requests.StatOpen: ATTRS,
    requests.GetSpace: EXTENDED_REPLY,
}


class Packets:
    """Cuts a stream of bytes into packets, without their length prefix."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def feed(self, data: bytes) -> list[bytes]:
        """The packets that `data` completes. Raises LinkLost if a length makes no sense."""
        buffer = self._buffer
        buffer += data
        found = []
        at = 0
        while len(buffer) - at >= 4:
            (size,) = _read_u32(buffer, at)
            # The least is a type and a request number. Anything else is no SFTP: often the output of a login script
            # there.
            if not 5 <= size <= MAX_PACKET:
                raise malformed()
            if len(buffer) - at - 4 < size:
                break
            # Through a view, since a slice of a bytearray would be copied twice.
            found.append(bytes(memoryview(buffer)[at + 4 : at + 4 + size]))
            at += 4 + size
        if at:
            del buffer[:at]  # once for all packets: each removal moves what is left
        return found
