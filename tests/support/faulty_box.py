"""A stand-in far box that offers less than it could, and misbehaves on demand, over the same real SSH.

The product's own stand-in answers; what is refused, kept back or twisted is put around its answers here.
"""

from __future__ import annotations

import contextlib
import io
import os
import socket
import struct
import threading
import time
from dataclasses import dataclass, fields
from typing import Self

import paramiko

from otherroof.far.sftp.codec import HAS_PERMISSIONS
from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.confined import ConfinedFolder
from otherroof.rehearsal.far_box.sftp_extensions import COPY_BLOCK, OFFERED
from otherroof.rehearsal.far_box.sftp_server import HANDLERS
from otherroof.rehearsal.far_box.sftp_session import ByteWire, SftpSession
from otherroof.rehearsal.far_box.sftp_words import Fields, counted, framed, framed_status, packed_stat
from otherroof.rehearsal.far_box.stand_in import StandIn, fresh_key

CHANGES = frozenset(
    (words.WRITE, words.SETSTAT, words.FSETSTAT, words.REMOVE, words.MKDIR, words.RMDIR, words.RENAME, words.SYMLINK)
)
CHANGING_EXTENSIONS = frozenset(
    (b"posix-rename@openssh.com", b"hardlink@openssh.com", b"fsync@openssh.com", b"lsetstat@openssh.com", b"copy-data")
)
# What stands before the body of an answer: its length, kind and number; before data also their length.
HEAD, DATA_HEAD = 9, 13
# Where a request to copy on the far side says how many bytes: after kind, number, its name, a handle and an offset.
COPY_COUNT_AT = 1 + 4 + (4 + len(b"copy-data")) + (4 + 4) + 8
_ROOM = struct.Struct(">11Q")


@dataclass(frozen=True, slots=True)
class Offers:
    """The extensions a far box has. The default is what OpenSSH 9.2 offers and a copy can use."""

    posix_rename: bool = True
    statvfs: bool = True
    hardlink: bool = True
    fsync: bool = True
    lsetstat: bool = True
    limits: bool = True
    copy_data: bool = True

    @classmethod
    def none(cls) -> Self:
        """An old server with SFTP version 3 and nothing else."""
        return cls(**{one.name: False for one in fields(cls)})

    def versions(self) -> dict[bytes, bytes]:
        """Name and version of each extension."""

        def field(name: bytes) -> str:
            return name.decode().partition("@")[0].replace("-", "_").replace("fstatvfs", "statvfs")

        return {name: version for name, version in OFFERED.items() if getattr(self, field(name))}


@dataclass(frozen=True, slots=True)
class Faults:
    """How a stand-in misbehaves; the default is not at all. Counts run over the whole box, all connections together.

    cut_after       close the connection that brings the Nth request (0: never) …
    cut_times       … this many times, counting anew after each
    silent_after    answer nothing any more from the Nth request on (0: never)
    delay_s         hold answers back this long; what came in together is answered together
    full_after      bytes that can still be written before the disk is full (None: no end)
    read_only       every change is refused with `permission denied`
    refuse_symlink  symlinks cannot be made
    no_modes        no permissions can be set, as on FAT
    denied          paths ending so are refused with `permission denied` when opened
    spoiled         paths ending so give back wrong bytes when read
    lying_names     names put into the answer to every listing of a folder
    free_bytes      what statvfs says is free (None: the truth); the disk is said to be as large at least
    """

    cut_after: int = 0
    cut_times: int = 1
    silent_after: int = 0
    delay_s: float = 0.0
    full_after: int | None = None
    read_only: bool = False
    refuse_symlink: bool = False
    no_modes: bool = False
    denied: tuple[bytes, ...] = ()
    spoiled: tuple[bytes, ...] = ()
    lying_names: tuple[bytes, ...] = ()
    free_bytes: int | None = None


class CutError(Exception):
    """The box drops this connection now."""


class Mood:
    """The faults in force and what has been counted towards them; shared by all sessions of a box."""

    def __init__(self, faults: Faults) -> None:
        self._lock = threading.Lock()
        self.change(faults)

    def change(self, faults: Faults) -> None:
        """Put other faults in force and count from nothing."""
        with self._lock:
            self.faults = faults
            self._requests = 0
            self._cuts_left = faults.cut_times
            self._room = faults.full_after

    def request_comes(self) -> bool:
        """Count one request; False where it gets no answer. Raises CutError where it ends the connection."""
        faults = self.faults
        if not faults.cut_after and not faults.silent_after:
            return True
        with self._lock:
            self._requests += 1
            if faults.cut_after and self._cuts_left and self._requests >= faults.cut_after:
                self._cuts_left -= 1
                self._requests = 0
                raise CutError
            return not (faults.silent_after and self._requests >= faults.silent_after)

    def takes(self, count: int) -> bool:
        """Whether the disk has room for `count` bytes more."""
        if self.faults.full_after is None:
            return True
        with self._lock:
            if self._room is None or count > self._room:
                return False
            self._room -= count
            return True


class HeldWire:
    """A wire whose answers are held back as long as the faults say, counted from when their requests came in."""

    def __init__(self, wire: ByteWire, mood: Mood) -> None:
        self._wire = wire
        self._mood = mood
        self._came = 0.0

    def recv(self, count: int) -> bytes:
        block = self._wire.recv(count)
        self._came = time.monotonic()
        return block

    def sendall(self, block: bytes) -> None:
        wait_s = self._mood.faults.delay_s - (time.monotonic() - self._came)
        if wait_s > 0:  # a sleep of no time hands the interpreter to another thread, with each answer
            time.sleep(wait_s)
        self._wire.sendall(block)


class FaultySession(SftpSession):
    """A session with the faults of `mood` around the answers of the stand-in's own."""

    def __init__(self, wire: ByteWire, folder: ConfinedFolder, offers: Offers, mood: Mood) -> None:
        super().__init__(HeldWire(wire, mood), folder, HANDLERS, offers.versions())
        self._mood = mood
        self._fresh: set[bytes] = set()  # folders that were opened and not read from yet

    def answer(self, packet: bytes) -> bytes:
        """Raises CutError where the request ends the connection."""
        kind = packet[0]
        if kind == words.INIT:
            return super().answer(packet)
        asked = Fields(memoryview(packet), 1)
        number = asked.u32()
        if not self._mood.request_comes():
            return b""
        if self._denies(packet):
            return framed_status(number, words.PERMISSION_DENIED)
        if kind == words.WRITE:
            asked.string(), asked.u64()
            if not self._mood.takes(len(asked.string())):
                return framed_status(number, words.FAILURE)
        if kind == words.EXTENDED and b"copy-data" in self.offered and asked.string() == b"copy-data":
            return self._copied(packet, number, asked)
        return self._twisted(packet, super().answer(packet))

    def _denies(self, packet: bytes) -> bool:
        kind, faults, asked = packet[0], self._mood.faults, Fields(memoryview(packet), 5)
        if kind == words.OPEN:
            path, flags = asked.path(), asked.u32()
            return path.endswith(faults.denied) or (faults.read_only and bool(flags & ~words.OPEN_READ))
        if kind == words.FSETSTAT and faults.no_modes:
            asked.string()
            return bool(asked.u32() & HAS_PERMISSIONS)
        if kind == words.EXTENDED:
            name = bytes(asked.string())
            return faults.read_only and name in self.offered and name in CHANGING_EXTENSIONS
        return (faults.read_only and kind in CHANGES) or (faults.refuse_symlink and kind == words.SYMLINK)

    def _copied(self, packet: bytes, number: int, asked: Fields) -> bytes:
        """A copy on the far side, block by block as long as the disk has room."""
        source, start, count = self.handles.either(bytes(asked.string())), asked.u64(), asked.u64()
        if source is None or self._mood.faults.full_after is None:
            return super().answer(packet)
        there = max(0, os.fstat(source.handle).st_size - start)
        wanted = min(count, there) if count else there
        fits = 0
        while fits < wanted and self._mood.takes(min(COPY_BLOCK, wanted - fits)):
            fits += min(COPY_BLOCK, wanted - fits)
        if fits == wanted:
            return super().answer(packet)
        if fits:
            super().answer(packet[:COPY_COUNT_AT] + fits.to_bytes(8, "big") + packet[COPY_COUNT_AT + 8 :])
        return framed_status(number, words.FAILURE)

    def _twisted(self, packet: bytes, answer: bytes) -> bytes:
        """The answer as the faults would have it."""
        faults, asked = self._mood.faults, Fields(memoryview(packet), 5)
        match packet[0], answer[4] if answer else 0:
            case words.OPENDIR, words.HANDLE:
                self._fresh.add(answer[DATA_HEAD:])
            case words.READDIR, words.NAME if faults.lying_names:
                return self._with_lies(bytes(asked.string()), answer)
            case words.READ, words.DATA if len(answer) > DATA_HEAD:
                opened = self.handles.either(bytes(asked.string()))
                if opened is not None and opened.path.endswith(faults.spoiled):
                    return answer[:DATA_HEAD] + bytes([answer[DATA_HEAD] ^ 1]) + answer[DATA_HEAD + 1 :]
            case words.EXTENDED, words.EXTENDED_REPLY if bytes(asked.string()).endswith(b"statvfs@openssh.com"):
                return answer[:HEAD] + self._room(answer[HEAD:])
        return answer

    def _with_lies(self, handle: bytes, answer: bytes) -> bytes:
        if handle not in self._fresh:
            return answer
        self._fresh.remove(handle)
        attributes = packed_stat(os.fstat(self.handles.folder(handle)[0]))
        lies = b"".join(counted(name) + counted(name) + attributes for name in self._mood.faults.lying_names)
        told = int.from_bytes(answer[HEAD : HEAD + 4], "big") + len(self._mood.faults.lying_names)
        number = int.from_bytes(answer[5:HEAD], "big")
        return framed(words.NAME, number, told.to_bytes(4, "big") + lies + answer[HEAD + 4 :])

    def _room(self, body: bytes) -> bytes:
        faults, numbers = self._mood.faults, list(_ROOM.unpack(body))
        if faults.free_bytes is not None:
            numbers[3] = numbers[4] = faults.free_bytes // numbers[1]
            numbers[2] = max(numbers[2], numbers[3])
        numbers[9] |= os.ST_RDONLY if faults.read_only else 0
        return _ROOM.pack(*numbers)


class FaultyBox(StandIn):
    """The stand-in with what it offers and how it misbehaves. It can also come back after `kill`."""

    def __init__(
        self, folder: str, authorised_key: str, *, offers: Offers | None = None, faults: Faults | None = None
    ) -> None:
        self._offers = offers or Offers()
        self._mood = Mood(faults or Faults())
        super().__init__(folder, authorised_key)

    @property
    def connections(self) -> int:
        """How many connections are open now."""
        with self._lock:
            return sum(1 for connection in self._connections if connection.alive)

    def misbehave(self, faults: Faults) -> None:
        """Put other faults in force, for open connections too; `Faults()` makes all well again."""
        self._mood.change(faults)

    def restart(self, *, new_host_key: bool = False) -> None:
        """Listen again on the same port, with the same host key unless a new one is asked for."""
        self.kill()
        if new_host_key:
            self._host_key = paramiko.Ed25519Key(file_obj=io.StringIO(fresh_key()[0].decode()))
        self._listen()

    def session(self, wire: ByteWire, folder: ConfinedFolder) -> SftpSession:
        return FaultySession(wire, folder, self._offers, self._mood)

    def serve(self, channel: paramiko.Channel) -> None:
        try:
            super().serve(channel)
        except CutError:
            with contextlib.suppress(OSError):  # the client was quicker
                channel.get_transport().sock.shutdown(socket.SHUT_RDWR)
