"""The loop of an SFTP session: takes requests off a wire, has each answered by its handler, sends answers in order.

It knows how packets are framed and when a session must end; what a request means is its handler's affair. It knows
nothing of SSH: a wire is anything with `recv` and `sendall`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.confined import ConfinedFolder
from otherroof.rehearsal.far_box.sftp_handles import Handles, RefusedError
from otherroof.rehearsal.far_box.sftp_words import Attributes, Fields, MalformedError, counted, framed_status

RECEIVE_BYTES = 1 << 20
# Answers are gathered up to so many bytes, and sent whenever no whole request is left: fewer packets on the wire.
GATHER_BYTES = 1 << 15

Handler = Callable[["SftpSession", int, Fields], bytes]


class ByteWire(Protocol):
    """Where bytes come from and go to. `recv` gives nothing at the end; `sendall` raises OSError once it is broken."""

    def recv(self, count: int, /) -> bytes: ...

    def sendall(self, block: bytes, /) -> None: ...


class SftpSession:
    """One SFTP session: its handles, and the loop that answers. `offered`: names and versions of its extensions."""

    def __init__(
        self, wire: ByteWire, folder: ConfinedFolder, handlers: Mapping[int, Handler], offered: Mapping[bytes, bytes]
    ) -> None:
        self.folder = folder
        self.offered = offered
        self.handles = Handles()
        self._wire = wire
        self._handlers = handlers
        self._greeted = False
        self._answers: list[bytes] = []
        self._gathered = 0

    def serve(self) -> None:
        """Answer until the client goes, or sends what cannot be a packet. Raises the wire's OSError."""
        buffer = bytearray()
        try:
            while block := self._wire.recv(RECEIVE_BYTES):
                buffer += block
                used = self._answer_all(buffer)
                del buffer[:used]
        except MalformedError:
            return
        finally:
            self.handles.close_all()

    def _answer_all(self, buffer: bytearray) -> int:
        """Answer every whole packet in `buffer`; how many bytes they took."""
        at = 0
        while len(buffer) - at >= 4:
            size = int.from_bytes(buffer[at : at + 4], "big")
            # Before anything is kept for it: a false length must not make us gather gigabytes.
            if not 0 < size <= words.MAX_PACKET:
                raise MalformedError("a packet of impossible size")
            if len(buffer) - at < 4 + size:
                break
            answer = self.answer(bytes(buffer[at + 4 : at + 4 + size]))
            at += 4 + size
            if answer:
                self._answers.append(answer)
                self._gathered += len(answer)
                if self._gathered >= GATHER_BYTES:
                    self._flush()
        self._flush()
        return at

    def _flush(self) -> None:
        if not self._answers:
            return
        self._wire.sendall(b"".join(self._answers))
        self._answers.clear()
        self._gathered = 0

    def answer(self, packet: bytes) -> bytes:
        """The whole answer to one packet, b"" if there is none. Raises MalformedError for what cannot be a request.

        The seam at which tests let a box misbehave.
        """
        kind = packet[0]
        fields = Fields(memoryview(packet), 1)
        if kind == words.INIT:
            self._greeted = True
            return self._greeting(fields)
        if not self._greeted:
            raise MalformedError("a request before INIT")
        number = fields.u32()
        handler = self._handlers.get(kind)
        if handler is None:
            return b""
        try:
            return handler(self, number, fields)
        except RefusedError as refusal:
            return framed_status(number, refusal.status)
        except OSError as problem:
            return framed_status(number, words.status_of(problem))
        except OverflowError:  # an offset past 2⁶³, which the kernel calls EINVAL
            return framed_status(number, words.BAD_MESSAGE)

    def _greeting(self, fields: Fields) -> bytes:
        fields.u32()
        pairs = b"".join(counted(name) + counted(version) for name, version in self.offered.items())
        body = bytes([words.VERSION]) + (3).to_bytes(4, "big") + pairs
        return counted(body)


def apply_attributes(wanted: Attributes, steps: dict[str, Callable[[], None]]) -> int:
    """Carry out the steps whose attribute is wanted, all of them; the last refusal's status, or OK."""
    status = words.OK
    for name, step in steps.items():
        if getattr(wanted, name) is None:
            continue
        try:
            step()
        except OSError as problem:
            status = words.status_of(problem)
        except OverflowError:
            status = words.BAD_MESSAGE
    return status
