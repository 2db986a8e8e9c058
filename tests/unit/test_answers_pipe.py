"""What has come for a channel is given on in order and whole, and its reader is woken once for what came together."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paramiko.buffered_pipe import PipeTimeout

from otherroof.far.answers_pipe import AnswersPipe
from otherroof.far.place import Meter
from otherroof.far.ssh_limits import AT_ONCE, BoundedSocket

WAIT_S = 10.0
MOMENT_S = 0.1


@given(st.lists(st.one_of(st.binary(min_size=1, max_size=20), st.integers(1, 30)), max_size=30))
def test_bytes_come_in_order_and_no_more_than_asked_for(steps: list[bytes | int]) -> None:
    pipe, fed, read = AnswersPipe(), b"", b""
    for step in steps:
        if isinstance(step, bytes):
            pipe.feed(step)
            fed += step
        elif pipe.read_ready():
            found = pipe.read(step, 0.0)
            assert len(found) == min(step, len(fed) - len(read))
            read += found
        else:
            with pytest.raises(PipeTimeout):
                pipe.read(step, 0.0)
        assert len(pipe) == len(fed) - len(read)
    pipe.close()
    assert read + pipe.read(1000) == fed
    assert pipe.read(1000) == b"", "and nothing more, without a wait"


@contextmanager
def reading(pipe: AnswersPipe) -> Iterator[tuple[list[bytes], threading.Thread]]:
    found: list[bytes] = []
    reader = threading.Thread(target=lambda: found.append(pipe.read(1 << 18, WAIT_S)))
    reader.start()
    yield found, reader
    reader.join(WAIT_S / 2)
    assert not reader.is_alive(), "it was woken, and did not wait for its time to run out"


def test_reader_sleeps_on_until_it_is_woken_for_all_that_came() -> None:
    pipe = AnswersPipe()
    with reading(pipe) as (found, reader):
        reader.join(MOMENT_S)
        for part in (b"one ", b"two ", b"three"):
            pipe.feed(part)
        reader.join(MOMENT_S)
        assert reader.is_alive()
        pipe.wake()
    assert found == [b"one two three"]


def test_closing_wakes_the_reader() -> None:
    pipe = AnswersPipe()
    with reading(pipe) as (found, reader):
        reader.join(MOMENT_S)
        pipe.close()
    assert found == [b""]


class CountingSocket:
    """A socket that counts the calls it takes to read."""

    def __init__(self, sock: socket.socket) -> None:
        self._sock = sock
        self.reads = 0

    def recv(self, size: int) -> bytes:
        self.reads += 1
        return self._sock.recv(size)

    def setsockopt(self, *wanted: int) -> None:
        self._sock.setsockopt(*wanted)


def test_packets_that_came_together_are_read_in_one_call_and_counted_once() -> None:
    here, there = socket.socketpair()
    with closing(here), closing(there):
        meter, counting = Meter(), CountingSocket(here)
        bounded = BoundedSocket(counting, meter)  # type: ignore[arg-type]
        there.sendall(b"hello")
        assert bounded.recv(2) + bounded.recv(3) == b"hello"
        assert counting.reads == 2, "before the login nothing is taken that was not asked for"
        bounded.let_in()
        sent = bytes(range(256)) * 16
        assert len(sent) < AT_ONCE
        there.sendall(sent)
        assert b"".join(bounded.recv(16) for _ in range(256)) == sent
        assert counting.reads == 3
        assert meter.wire_down == len(sent) + 5


def test_reader_is_woken_before_the_socket_is_waited_for() -> None:
    here, there = socket.socketpair()
    with closing(here), closing(there):
        here.settimeout(MOMENT_S)
        bounded = BoundedSocket(here, Meter())
        bounded.let_in()
        channel = SimpleNamespace(in_buffer=None, in_stderr_buffer=b"")
        bounded.keep_watch(channel)  # type: ignore[arg-type]
        pipe = channel.in_buffer
        assert isinstance(pipe, AnswersPipe)
        with reading(pipe) as (found, reader):
            there.sendall(b"aabb")
            pipe.feed(bounded.recv(2))
            pipe.feed(bounded.recv(2))
            reader.join(MOMENT_S)
            assert reader.is_alive(), "more may lie ready, and nobody has looked"
            with pytest.raises(TimeoutError):
                bounded.recv(2)
        assert found == [b"aabb"]
