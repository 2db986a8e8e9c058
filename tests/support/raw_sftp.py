"""Asks an SFTP server by raw packets: what goes out and what comes back is in the test's own hands.

Written apart from the product's client and from the stand-in's server, so that no error is shared between them.
Source of the formats: draft-ietf-secsh-filexfer-02, OpenSSH's PROTOCOL document.
"""

from __future__ import annotations

import select
import socket
import struct
from dataclasses import dataclass

OPEN, CLOSE, READ, WRITE, LSTAT, FSTAT, SETSTAT, FSETSTAT, OPENDIR, READDIR = range(3, 13)
REMOVE, MKDIR, RMDIR, REALPATH, STAT, RENAME, READLINK, SYMLINK = range(13, 21)
STATUS, HANDLE, DATA, NAME, ATTRS, EXTENDED, EXTENDED_REPLY = 101, 102, 103, 104, 105, 200, 201
FLAG_READ, FLAG_WRITE, FLAG_APPEND, FLAG_CREAT, FLAG_TRUNC, FLAG_EXCL = 1, 2, 4, 8, 16, 32
NO_ATTRS = bytes(4)


def u32(value: int) -> bytes:
    return struct.pack(">I", value)


def u64(value: int) -> bytes:
    return struct.pack(">Q", value)


def text(value: bytes) -> bytes:
    return u32(len(value)) + value


def attrs(
    *,
    size: int | None = None,
    owner: tuple[int, int] | None = None,
    mode: int | None = None,
    times: tuple[int, int] | None = None,
) -> bytes:
    """An ATTRS structure."""
    flags = (size is not None) | (owner is not None) << 1 | (mode is not None) << 2 | (times is not None) << 3
    body = u64(size) if size is not None else b""
    body += b"".join(u32(one) for one in owner or ())
    body += u32(mode) if mode is not None else b""
    return u32(flags) + body + b"".join(u32(one) for one in times or ())


@dataclass(frozen=True)
class Stat:
    """What an ATTRS structure says, all four groups of it."""

    size: int
    uid: int
    gid: int
    mode: int
    atime: int
    mtime: int


@dataclass(frozen=True)
class Answer:
    """One answer: its kind, request number and body."""

    kind: int
    number: int
    body: bytes

    @property
    def status(self) -> int:
        assert self.kind == STATUS, f"a status was expected, not packet {self.kind}"
        return int.from_bytes(self.body[:4], "big")

    @property
    def handle(self) -> bytes:
        assert self.kind == HANDLE, f"a handle was expected, not {self}"
        return self.body[4:]

    @property
    def data(self) -> bytes:
        assert self.kind == DATA, f"data was expected, not {self}"
        assert len(self.body) == 4 + int.from_bytes(self.body[:4], "big")
        return self.body[4:]

    @property
    def stat(self) -> Stat:
        assert self.kind == ATTRS, f"attributes were expected, not {self}"
        return _stat_at(self.body, 0)[0]

    @property
    def rows(self) -> list[tuple[bytes, Stat | None]]:
        """The names of a NAME answer, each with its attributes where it carries some."""
        assert self.kind == NAME, f"names were expected, not {self}"
        rows, at = [], 4
        for _ in range(int.from_bytes(self.body[:4], "big")):
            name, at = _text_at(self.body, at)
            _, at = _text_at(self.body, at)
            found, at = _stat_at(self.body, at)
            rows.append((name, found))
        assert at == len(self.body)
        return rows


def _text_at(body: bytes, at: int) -> tuple[bytes, int]:
    size = int.from_bytes(body[at : at + 4], "big")
    return body[at + 4 : at + 4 + size], at + 4 + size


def _stat_at(body: bytes, at: int) -> tuple[Stat | None, int]:
    flags = int.from_bytes(body[at : at + 4], "big")
    if flags == 0:
        return None, at + 4
    assert flags == 0xF, f"attribute flags {flags:#x}"
    return Stat(*struct.unpack_from(">QIIIII", body, at + 4)), at + 32


class RawSftp:
    """A client that says exactly what it is told. The socket's own time-out bounds every wait."""

    def __init__(self, link: socket.socket) -> None:
        self.link = link
        self.link.settimeout(10)
        self._number = 0

    def greet(self) -> dict[bytes, bytes]:
        """INIT; the extensions of the VERSION answer in their order."""
        self.link.sendall(u32(5) + b"\x01" + u32(3))
        body = self._packet()
        assert body[0] == 2
        assert body[1:5] == u32(3)
        pairs, at = {}, 5
        while at < len(body):
            name, at = _text_at(body, at)
            pairs[name], at = _text_at(body, at)
        return pairs

    def say(self, kind: int, *fields: bytes) -> int:
        """Send one request; its number."""
        self._number += 1
        body = b"".join(fields)
        self.link.sendall(u32(len(body) + 5) + bytes([kind]) + u32(self._number) + body)
        return self._number

    def hear(self) -> Answer:
        """The next answer."""
        packet = self._packet()
        return Answer(packet[0], int.from_bytes(packet[1:5], "big"), packet[5:])

    def ask(self, kind: int, *fields: bytes) -> Answer:
        """Send one request and take its answer."""
        number = self.say(kind, *fields)
        answer = self.hear()
        assert answer.number == number
        return answer

    def extended(self, name: bytes, *fields: bytes) -> Answer:
        """An EXTENDED request."""
        return self.ask(EXTENDED, text(name), *fields)

    def open(self, path: bytes, flags: int, sets: bytes = NO_ATTRS) -> Answer:
        return self.ask(OPEN, text(path), u32(flags), sets)

    def opened(self, path: bytes, flags: int) -> bytes:
        return text(self.open(path, flags).handle)

    def put(self, path: bytes, content: bytes) -> None:
        handle = self.opened(path, FLAG_WRITE | FLAG_CREAT | FLAG_TRUNC)
        assert self.ask(WRITE, handle, u64(0), text(content)).status == 0
        assert self.ask(CLOSE, handle).status == 0

    def hears_something(self, seconds: float) -> bool:
        """Whether anything comes within `seconds`."""
        return bool(select.select([self.link], [], [], seconds)[0])

    def closed_by_server(self) -> bool:
        """Whether the server ends the session instead of answering."""
        try:
            return self.link.recv(1) == b""
        except ConnectionResetError:
            return True

    def _packet(self) -> bytes:
        size = int.from_bytes(self._exactly(4), "big")
        return self._exactly(size)

    def _exactly(self, count: int) -> bytes:
        blocks = []
        while count:
            block = self.link.recv(count)
            if not block:
                raise EOFError("the server closed the session")
            blocks.append(block)
            count -= len(block)
        return b"".join(blocks)
