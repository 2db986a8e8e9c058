"""The benchmarks' witness on the wire counts what crossed, each way, and nothing else."""

from __future__ import annotations

import socket

import pytest

from support.bench.wire import WireCount
from support.lab import Estate, Namespace, require_lab

pytestmark = pytest.mark.lab


def test_bytes_are_counted_each_way_and_other_ports_are_not() -> None:
    require_lab()
    with Estate() as estate:
        space = Namespace(estate, f"otherroof-{estate.number}-wire")
        with space.entered():
            servers = [socket.create_server(("127.0.0.1", 0)) for _ in range(2)]
        counted, other = (server.getsockname()[1] for server in servers)
        count = WireCount(space, counted)
        for port, server in ((counted, servers[0]), (other, servers[1])):
            with space.connect("127.0.0.1", port) as caller, server.accept()[0] as answerer:
                caller.sendall(b"x" * 50_000)
                answerer.sendall(b"y" * 9_000)
                assert _read(answerer, 50_000) == b"x" * 50_000
                assert _read(caller, 9_000) == b"y" * 9_000
            server.close()
        crossed = count.crossed()
    assert 50_000 < crossed.up < 53_000
    assert 9_000 < crossed.down < 11_000


def _read(wire: socket.socket, size: int) -> bytes:
    wire.settimeout(5)
    got = b""
    while len(got) < size:
        got += wire.recv(size - len(got))
    return got
