"""What the kernel tells of connections that come and go must reach the pacing as it is."""

from __future__ import annotations

import gc
import socket
import time
from collections.abc import Callable

import pytest

from otherroof.far.pacing import courtesy_watch
from otherroof.far.pacing.courtesy import Sample
from otherroof.far.pacing.courtesy_watch import CourtesyWatch, TcpReading, read_tcp_info

PATIENCE_S = 10.0


def until(true: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.01)


def test_a_new_connection_in_place_of_a_lost_one_does_not_count_backwards(monkeypatch: pytest.MonkeyPatch) -> None:
    acked, looked = [10**9], list[Sample]()

    def pulse(_: object) -> TcpReading:
        acked[0] += 1000
        return TcpReading(0.04, acked[0], 1)

    class Noting:
        def __init__(self, allowed_s: float) -> None:
            assert allowed_s == 0.04

        def look(self, sample: Sample) -> float:
            looked.append(sample)
            return 0.0

    monkeypatch.setattr(courtesy_watch, "read_tcp_info", pulse)
    monkeypatch.setattr(courtesy_watch, "Courtesy", Noting)
    sockets = [socket.socket()]
    watch = CourtesyWatch(lambda: list(sockets), 0.04)
    try:
        until(lambda: len(looked) > 2)
        for _ in range(3):
            # Python gives the next object the address of the one that has just gone, more often than not.
            sockets.pop().close()
            gc.collect()
            acked[0] = 0
            sockets.append(socket.socket())
            before = len(looked)
            until(lambda before=before: len(looked) > before + 1)
    finally:
        watch.close()
        sockets.pop().close()
    assert min(one.delivered for one in looked) >= 0
    assert max(one.delivered for one in looked) == 1000


def test_the_kernel_tells_of_a_real_connection_what_was_delivered() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server, socket.create_connection(server.getsockname()) as here:
        there, _ = server.accept()
        with there:
            here.sendall(b"x" * 50_000)
            left = 50_000
            while left:
                left -= len(there.recv(65_536))
            until(lambda: (found := read_tcp_info(here)) is not None and found.acked >= 50_000)
            found = read_tcp_info(here)
    assert found is not None
    assert 0 < found.round_trip_s < 1
    closed = socket.socket()
    closed.close()
    assert read_tcp_info(closed) is None
