"""The question to the router against RFC 6886 §3.2 (layout from memory): two zero bytes; twelve bytes back."""

from __future__ import annotations

import socket
import threading

import pytest

from otherroof.tunnel.network.gateway import REQUEST, outside_address, read_answer
from support.outside import outside

#  version 0, opcode 128+0, result 0, seconds since start, 203.0.113.7
ANSWER = bytes.fromhex("0080000000012345cb007107")


@outside("RFC 6886", "§3.2", "the question to the router and its answer", value="from memory")
def test_answer_is_read() -> None:
    assert REQUEST == b"\x00\x00"
    assert read_answer(ANSWER) == "203.0.113.7"


@outside("RFC 6886", "§3.2 and §3.5", "answers that are none", value="from memory")
@pytest.mark.parametrize(
    "packet",
    [
        pytest.param(ANSWER[:11], id="too short"),
        pytest.param(b"\x02" + ANSWER[1:], id="another version (RFC 6887 is 2)"),
        pytest.param(ANSWER[:2] + b"\x00\x03" + ANSWER[4:], id="result 3: network failure"),
        pytest.param(ANSWER[:8] + bytes(4), id="no address"),
        pytest.param(b"\x00\x81" + ANSWER[2:], id="answers another question"),
    ],
)
def test_other_packets_tell_nothing(packet: bytes) -> None:
    assert read_answer(packet) == ""


@outside("RFC 6886", "§3.1", "a request that is lost is sent again", value="from memory")
def test_router_is_asked_over_udp_and_again_if_a_packet_is_lost() -> None:
    router = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    router.settimeout(5)
    router.bind(("127.0.0.1", 0))
    asked = []

    def answer() -> None:
        for number in range(2):
            packet, caller = router.recvfrom(64)
            asked.append(packet)
            if number == 1:
                router.sendto(ANSWER, caller)

    thread = threading.Thread(target=answer)
    thread.start()
    try:
        assert outside_address("127.0.0.1", router.getsockname()[1]) == "203.0.113.7"
    finally:
        thread.join()
        router.close()
    assert asked == [REQUEST, REQUEST]


@outside("common practice", "", "a router without it says that the port is closed, or nothing", value="from memory")
def test_router_that_does_not_speak_it_tells_nothing() -> None:
    closed = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    closed.bind(("127.0.0.1", 0))
    port = closed.getsockname()[1]
    closed.close()
    assert outside_address("127.0.0.1", port) == ""
