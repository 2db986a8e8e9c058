"""Asks the router at home for its outside address, so that it can be compared with the name that the far box calls.

NAT-PMP, RFC 6886 §3.2: two bytes out, twelve back. Many routers do not answer; that is no fault. Nothing is opened
or changed on the router by this.
"""

from __future__ import annotations

import ipaddress
import socket
import struct
from collections.abc import Callable

PORT = 5351
REQUEST = bytes((0, 0))
ANSWER = struct.Struct("!BBHI4s")  # version, opcode with its answer bit, result, seconds since start, address
FIRST_WAIT_S = 0.25  # doubled each time, as the RFC says
TRIES = 3

OutsideAddress = Callable[[str], str]
"""The gateway's address → its outside IPv4 address, or "" if it does not tell."""


def read_answer(packet: bytes) -> str:
    """The outside address in an answer; empty if the packet is another or the router reports a fault."""
    if len(packet) < ANSWER.size:
        return ""
    version, opcode, result, _, address = ANSWER.unpack(packet[: ANSWER.size])
    # An answer has the request's opcode, 0, and 128 added; result 0 is success (RFC 6886 §3.5).
    if version != 0 or opcode != 128 or result != 0 or address == bytes(4):
        return ""
    return str(ipaddress.IPv4Address(address))


def outside_address(gateway: str, port: int = PORT) -> str:
    """The outside IPv4 address that the router at `gateway` tells; empty if it does not, after 1.75 s at most."""
    # The protocol knows IPv4 only; with IPv6 there is no outside address to ask for.
    if ":" in gateway or not gateway:
        return ""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
        for number in range(TRIES):
            sock.settimeout(FIRST_WAIT_S * 2**number)
            try:
                # Connected, although it is UDP: the kernel then drops packets from anybody else, and reports a refusal
                # (ICMP) as an error instead of letting us wait.
                sock.connect((gateway, port))
                sock.send(REQUEST)
                return read_answer(sock.recv(64))
            except TimeoutError:
                continue
            except OSError:
                return ""  # refused: the router does not speak it
    return ""
