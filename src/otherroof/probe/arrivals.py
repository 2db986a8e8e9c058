"""What arrives at the tunnel's UDP port, by kind of message, so that "nothing arrives" can be told from "it arrives
but does not fit".

Looks at packets as the network card hands them over (packet(7)), with a filter in the kernel so that a busy machine
does not notice. Reads the first byte of each payload alone; nothing in it is secret.
"""

from __future__ import annotations

import ctypes
import socket
import struct
from collections import Counter
from types import TracebackType
from typing import Self

ALL_PROTOCOLS = 0x0003  # linux/if_ether.h: ETH_P_ALL
OUTGOING = 4  # linux/if_packet.h: PACKET_OUTGOING
ATTACH_FILTER = 26  # asm-generic/socket.h: SO_ATTACH_FILTER
UDP = 17
KINDS = {1: "calls", 2: "answers to calls", 3: "cookies", 4: "data"}  # WireGuard paper §5.4
MOST_PACKETS = 2000

# linux/filter.h, linux/bpf_common.h: the few instructions that are used.
_LOAD_BYTE, _LOAD_HALF, _LOAD_HALF_X, _HEADER_LENGTH, _AND, _EQUAL, _RETURN = 0x30, 0x28, 0x48, 0xB1, 0x54, 0x15, 0x06


# A filter that lets no packet in.
NOTHING = [(_RETURN, 0, 0, 0)]


def port_filter(port: int) -> list[tuple[int, int, int, int]]:
    """Classic BPF over the network header: UDP to `port`, over IPv4, or IPv6 without extension headers.

    Each instruction is (code, jump if true, jump if false, constant).
    """
    # Jumps count from the instruction after; the last two are yes (up to 65535 bytes are kept) and no.
    return [
        (_LOAD_BYTE, 0, 0, 0),  # IP version
        (_AND, 0, 0, 0xF0),
        (_EQUAL, 0, 5, 0x40),
        (_LOAD_BYTE, 0, 0, 9),  # IPv4: protocol
        (_EQUAL, 0, 9, UDP),
        # X := the IPv4 header's length, which options make longer than 20. The port is 2 bytes into UDP.
        (_HEADER_LENGTH, 0, 0, 0),
        (_LOAD_HALF_X, 0, 0, 2),  # target port
        (_EQUAL, 5, 6, port),
        (_EQUAL, 0, 5, 0x60),
        (_LOAD_BYTE, 0, 0, 6),  # IPv6: next header
        (_EQUAL, 0, 3, UDP),
        # IPv6's header always has 40 bytes; UDP's target port follows 2 bytes later.
        (_LOAD_HALF, 0, 0, 42),  # target port
        (_EQUAL, 0, 1, port),
        (_RETURN, 0, 0, 0xFFFF),
        (_RETURN, 0, 0, 0),
    ]


def kind_in(packet: bytes) -> int:
    """The first byte of the UDP payload in an IP packet; 0 if there is none."""
    if not packet:
        return 0
    # IPv4 gives its header's length in words of four bytes; 8 bytes of UDP header follow either.
    start = (packet[0] & 0x0F) * 4 if packet[0] >> 4 == 4 else 40
    payload = packet[start + 8 : start + 9]
    return payload[0] if payload else 0


class Arrivals:
    """Listens while it is open. `allowed` is False if this account may not, and then nothing is ever heard."""

    def __init__(self, port: int) -> None:
        self._heard: Counter[int] = Counter()
        try:
            # SOCK_DGRAM: without the link's own header, so that Ethernet, PPP and wireless all look alike.
            self._sock: socket.socket | None = socket.socket(
                socket.AF_PACKET, socket.SOCK_DGRAM, socket.htons(ALL_PROTOCOLS)
            )
        except OSError:  # no right to, or shut out of this kind of socket by the service's confinement
            self._sock = None
            return
        self._sock.setblocking(False)
        # It hears everything from its making on, until a filter is there. So first one that lets nothing in; then what
        # came before is thrown away, and only then comes the filter that is wanted.
        _attach(self._sock, NOTHING)
        while self._drop_one():
            pass
        _attach(self._sock, port_filter(port))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._sock is not None:
            self._sock.close()

    @property
    def allowed(self) -> bool:
        """Whether it could listen at all."""
        return self._sock is not None

    def _drop_one(self) -> bool:
        assert self._sock is not None
        try:
            self._sock.recv(1)
        except BlockingIOError:
            return False
        return True

    def heard(self) -> dict[str, int]:
        """How many packets of each kind have arrived since it was opened."""
        if self._sock is not None:
            # Not until it is empty: on a busy port it might never be.
            for _ in range(MOST_PACKETS):
                try:
                    packet, sender = self._sock.recvfrom(128)
                except BlockingIOError:
                    break
                # ETH_P_ALL shows what this machine sends as well; only this field tells the two apart.
                if sender[2] != OUTGOING:
                    self._heard[kind_in(packet)] += 1
        return {name: self._heard[kind] for kind, name in KINDS.items() if self._heard[kind]}


def _attach(sock: socket.socket, instructions: list[tuple[int, int, int, int]]) -> None:
    packed = b"".join(struct.pack("HBBI", *instruction) for instruction in instructions)
    # struct sock_fprog: how many, and a pointer; `buffer` must live until the kernel has copied it, within the call.
    buffer = ctypes.create_string_buffer(packed)
    sock.setsockopt(socket.SOL_SOCKET, ATTACH_FILTER, struct.pack("HP", len(instructions), ctypes.addressof(buffer)))
