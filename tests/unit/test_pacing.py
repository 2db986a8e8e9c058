"""The rate that connections to one far box share: the kernel keeps it over any stretch of time, however many send."""

from __future__ import annotations

import gc
import socket
import struct
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

import pytest

from otherroof.far import pacing
from otherroof.far.courtesy import Sample
from otherroof.far.pacing import (
    LOOK_EVERY_S,
    NO_LIMIT,
    SO_MAX_PACING_RATE,
    Pacing,
    TcpReading,
    bytes_per_s,
    read_tcp_info,
)
from support.waiting import until

PATIENCE_S = 10.0
SEGMENT = 1400  # as on a real line; loopback's own are so long that few of them pass in a second
LUMP = 65_536  # on so short a line the kernel sends as much in one go, and one more at half its price after a pause


def rate_of(sock: socket.socket) -> int:
    """What the kernel was told, in bytes a second."""
    (rate,) = struct.unpack("=I", sock.getsockopt(socket.SOL_SOCKET, SO_MAX_PACING_RATE, 4))
    return int(rate)


class Flow:
    """One connection: what is sent without end while it is open to be sent, and what has arrived."""

    def __init__(self, server: socket.socket) -> None:
        self.here = socket.socket()
        self.here.setsockopt(socket.IPPROTO_TCP, socket.TCP_MAXSEG, SEGMENT)
        self.here.connect(server.getsockname())
        self.there, _ = server.accept()
        for end in (self.here, self.there):
            end.settimeout(0.1)
        self.sent = self.arrived = 0
        self.sending = threading.Event()
        self.ended = threading.Event()
        self.threads = [threading.Thread(target=work, daemon=True) for work in (self._send, self._take)]
        for thread in self.threads:
            thread.start()

    def _send(self) -> None:
        while not self.ended.is_set():
            if self.sending.wait(0.1):
                try:
                    self.sent += self.here.send(b"x" * 32_768)
                except TimeoutError:
                    continue

    def _take(self) -> None:
        while not self.ended.is_set():
            try:
                self.arrived += len(self.there.recv(1 << 20))
            except TimeoutError:
                continue

    @property
    def acked(self) -> int:
        """Bytes that the other side's kernel has, whatever this process has come to."""
        found = read_tcp_info(self.here)
        assert found is not None
        return found.acked

    def close(self) -> None:
        self.ended.set()
        for thread in self.threads:
            thread.join(PATIENCE_S)
        self.here.close()
        self.there.close()


@contextmanager
def flows(count: int, pacing: Pacing, *, sending: bool = True) -> Iterator[list[Flow]]:
    """So many connections whose rate `pacing` owns."""
    with socket.create_server(("127.0.0.1", 0)) as server, ExitStack() as closing:
        closing.callback(pacing.close)
        made = [Flow(server) for _ in range(count)]
        for one in made:
            closing.callback(one.close)
            pacing.add(one.here)
            if sending:
                one.sending.set()
        yield made


def arrived_in(made: list[Flow], seconds: float) -> float:
    """Bytes a second that arrive in the next `seconds`."""
    begun, before = time.monotonic(), sum(one.acked for one in made)  # the clock first: on a busy machine it may matter
    time.sleep(seconds)
    return (sum(one.acked for one in made) - before) / (time.monotonic() - begun)


def test_no_limit_is_no_pacing() -> None:
    with flows(2, Pacing(), sending=False) as made:
        assert [rate_of(one.here) for one in made] == [NO_LIMIT, NO_LIMIT]
    with flows(2, Pacing(limit=lambda: 0.0), sending=False) as made:
        time.sleep(3 * LOOK_EVERY_S)
        assert [rate_of(one.here) for one in made] == [NO_LIMIT, NO_LIMIT]


@pytest.mark.parametrize(("mbit", "count"), [(8, 2), (40, 4), (200, 1)])
def test_long_run_keeps_to_the_limit(mbit: float, count: int) -> None:
    rate = bytes_per_s(mbit)
    with flows(count, Pacing(limit=lambda: rate)) as made:
        time.sleep(0.5)
        found = arrived_in(made, 1.5)
    assert found <= rate * 1.03 + count * LUMP / 1.5
    assert found >= rate * 0.85


def test_time_that_passes_unused_is_not_saved_up() -> None:
    rate = bytes_per_s(8)
    with flows(1, Pacing(limit=lambda: rate)) as made:
        time.sleep(0.3)
        made[0].sending.clear()
        until(lambda: made[0].sent == made[0].arrived)
        time.sleep(1.0)
        made[0].sending.set()
        assert arrived_in(made, 1.0) <= rate * 1.03 + 1.5 * LUMP


def test_limit_that_changes_holds_from_the_next_look_on() -> None:
    limit = [bytes_per_s(2)]
    with flows(1, Pacing(limit=lambda: limit[0])) as made:
        assert rate_of(made[0].here) == 250_000
        limit[0] = 0.0
        until(lambda: rate_of(made[0].here) == NO_LIMIT)
        assert arrived_in(made, 0.5) > 10 * 250_000
        limit[0] = bytes_per_s(4)
        until(lambda: rate_of(made[0].here) == 500_000)
        time.sleep(0.3)
        assert arrived_in(made, 1.0) <= 500_000 * 1.03 + LUMP


def test_many_connections_share_one_limit_and_those_that_are_idle_leave_theirs_to_the_others() -> None:
    rate = bytes_per_s(8)
    with flows(4, Pacing(limit=lambda: rate), sending=False) as made:
        assert [rate_of(one.here) for one in made] == [250_000] * 4, "from the first byte on"
        made[0].sending.set()
        until(lambda: rate_of(made[0].here) == 1_000_000)
        assert [rate_of(one.here) for one in made[1:]] == [250_000] * 3
        for one in made:
            one.sending.set()
        until(lambda: [rate_of(one.here) for one in made] == [250_000] * 4)
        made[3].close()
        made[2].sending.clear()
        until(lambda: [rate_of(one.here) for one in made[:2]] == [500_000] * 2)


def test_little_waits_in_the_kernel_under_a_limit() -> None:
    """What waits there counts as sent, and every request and every stop would have to wait for it."""
    rate = bytes_per_s(2)
    with flows(2, Pacing(limit=lambda: rate)) as made:
        time.sleep(1.5)
        waiting = [one.sent - one.arrived for one in made]
    assert max(waiting) < 150_000, "else it would be megabytes"


def test_limit_is_in_millions_of_bits() -> None:
    assert bytes_per_s(8) == 1_000_000


@pytest.mark.parametrize(("limit", "holds"), [(0.0, 300_000), (200_000.0, 200_000), (400_000.0, 300_000)])
def test_the_lesser_of_limit_and_courtesy_holds(monkeypatch: pytest.MonkeyPatch, limit: float, holds: int) -> None:
    class Asking:
        rate = 300_000.0

        def __init__(self, allowed_s: float) -> None:
            pass

        def look(self, sample: Sample) -> float:
            return self.rate

    monkeypatch.setattr(pacing, "Courtesy", Asking)
    with flows(1, Pacing(0.04, lambda: limit)) as made:
        until(lambda: rate_of(made[0].here) == holds)
        time.sleep(2 * LOOK_EVERY_S)
        assert rate_of(made[0].here) == holds


# -- what the kernel tells of connections that come and go must reach the pacing as it is --


def test_a_new_connection_in_place_of_a_lost_one_does_not_count_backwards(monkeypatch: pytest.MonkeyPatch) -> None:
    acked, looked = [10**9], list[Sample]()

    def pulse(_: object) -> TcpReading:
        acked[0] += 1000
        return TcpReading(0.04, acked[0], 1)

    class Noting:
        rate = 0.0

        def __init__(self, allowed_s: float) -> None:
            assert allowed_s == 0.04

        def look(self, sample: Sample) -> float:
            looked.append(sample)
            return 0.0

    monkeypatch.setattr(pacing, "read_tcp_info", pulse)
    monkeypatch.setattr(pacing, "Courtesy", Noting)
    sockets = [socket.socket()]
    watch = Pacing(0.04)
    watch.add(sockets[0])
    try:
        until(lambda: len(looked) > 2)
        for _ in range(3):
            # Python gives the next object the address of the one that has just gone, more often than not.
            sockets.pop().close()
            gc.collect()
            acked[0] = 0
            sockets.append(socket.socket())
            watch.add(sockets[0])
            before = len(looked)
            until(lambda before=before: len(looked) > before + 1)
    finally:
        watch.close()
        sockets.pop().close()
    assert min(one.delivered for one in looked) >= 0
    assert max(one.delivered for one in looked) == 1000


@pytest.mark.parametrize(("both_ways", "delivered", "came"), [(False, 1000, 5000), (True, 6000, 0)])
def test_courtesy_is_told_apart_what_goes_out_and_what_comes_in_unless_the_rate_is_for_both(
    monkeypatch: pytest.MonkeyPatch, both_ways: bool, delivered: int, came: int
) -> None:
    so_far, looked = [0], list[Sample]()

    def pulse(_: object) -> TcpReading:
        so_far[0] += 1
        return TcpReading(0.04, 1000 * so_far[0], 1, received=5000 * so_far[0])

    class Noting:
        rate = aim_s = 0.0

        def __init__(self, _: float) -> None:
            return

        def own_trip_s(self) -> float:
            return 0.04

        def look(self, sample: Sample) -> float:
            looked.append(sample)
            return 0.0

    monkeypatch.setattr(pacing, "read_tcp_info", pulse)
    monkeypatch.setattr(pacing, "Courtesy", Noting)
    watch = Pacing(0.04, both_ways=both_ways)
    with socket.socket() as sock:
        watch.add(sock)
        try:
            until(lambda: len(looked) > 2)
        finally:
            watch.close()
    assert {(one.delivered, one.came) for one in looked[1:]} == {(delivered, came)}


def test_the_kernel_tells_of_a_real_connection_what_was_delivered_and_what_waits() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server, socket.create_connection(server.getsockname()) as here:
        there, _ = server.accept()
        with there:
            here.sendall(b"x" * 50_000)
            left = 50_000
            while left:
                left -= len(there.recv(65_536))
            until(lambda: (found := read_tcp_info(here)) is not None and found.acked >= 50_000)
            found = read_tcp_info(here)
            here.setblocking(False)
            try:
                while True:  # until the other side's buffer is full, and then ours
                    here.send(b"x" * 65_536)
            except BlockingIOError:
                full = read_tcp_info(here)
    assert found is not None
    assert 0 < found.round_trip_s < 1
    assert found.unsent == 0
    assert full is not None
    assert full.unsent > 0
    closed = socket.socket()
    closed.close()
    assert read_tcp_info(closed) is None
