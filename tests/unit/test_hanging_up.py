"""Closing a place ends at once what is only being opened, and a connection is set up without waits that are ours."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from unittest.mock import patch

import pytest

from otherroof.far.place import Meter
from otherroof.far.session import Session, SshTarget, open_session
from otherroof.far.ssh_limits import ACKNOWLEDGED_AT_ONCE, BoundedSocket
from support.main_job import stand_in_door
from support.places import open_door

LONG_S = 20.0


@pytest.fixture
def mute() -> Iterator[socket.socket]:
    """Something that takes connections and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield listener


def test_a_connection_that_is_only_being_opened_is_hung_up(tmp_path: Path, mute: socket.socket) -> None:
    begun = threading.Event()

    def to_nobody(target: SshTarget, meter: Meter, note: Callable[[socket.socket], None]) -> Session:
        def noted(sock: socket.socket) -> None:
            note(sock)
            begun.set()

        return open_session(replace(target, port=mute.getsockname()[1]), meter, noted)

    with stand_in_door(tmp_path) as door:
        place = open_door(door, connections=2)
        with patch("otherroof.far.sftp.place.open_session", to_nobody):
            place.widen()
            assert begun.wait(LONG_S)
            place.close()
            widening = place._widening
            assert widening is not None
            widening.join(LONG_S / 2)  # less than a far box is waited for
            assert not widening.is_alive()


def test_one_that_comes_about_after_closing_is_hung_up_as_well(tmp_path: Path, mute: socket.socket) -> None:
    with stand_in_door(tmp_path) as door, socket.create_connection(mute.getsockname()) as late:
        late.settimeout(LONG_S)
        place = open_door(door)
        place.close()
        place._note_opening(late)
        assert late.recv(1) == b"", "nothing is waited for any more"


class Told:
    """A socket that has nothing to say but is told things."""

    def __init__(self) -> None:
        self.options: list[tuple[Any, ...]] = []

    def setsockopt(self, *option: int) -> None:
        self.options.append(option)
        raise OSError("not of this kind")

    def recv(self, _size: int) -> bytes:
        return b"x"


def test_while_a_connection_is_set_up_what_comes_is_acknowledged_at_once() -> None:
    told: Any = Told()
    bounded = BoundedSocket(told, Meter())
    for _ in range(ACKNOWLEDGED_AT_ONCE + 10):
        assert bounded.recv(1) == b"x"
    assert told.options == [(socket.IPPROTO_TCP, socket.TCP_QUICKACK, 1)] * ACKNOWLEDGED_AT_ONCE


def test_the_librarys_own_thread_is_woken_before_it_is_waited_for() -> None:
    """It looks only ten times a second by itself, and there may be four of them."""
    said: list[str] = []

    class Sock:
        def shutdown(self, _how: int) -> None:
            said.append("woken")

        def close(self) -> None:
            said.append("closed")

    transport: Any = SimpleNamespace(close=lambda: said.append("waited for"))
    sock: Any = Sock()
    Session(SshTarget("192.0.2.7", 22, "copykeeper", "", ""), transport, sock).close()
    assert said == ["woken", "waited for", "closed"]
