"""An SFTP channel's bytes must arrive whole and in order however little the channel takes at a time."""

from __future__ import annotations

import itertools
import os
import socket
from collections import deque
from pathlib import Path
from typing import Any

import pytest

from otherroof.far import requests
from otherroof.far.place import Meter, Task
from otherroof.far.session import SshTarget
from otherroof.far.sftp.channel import SftpChannel, TaskFeed
from support.places import ask
from support.sftp_servers import own_server


class SparingChannel:
    """A channel whose window is nearly used up: of each send it takes a few bytes."""

    def __init__(self, link: socket.socket, takes: list[int]) -> None:
        self._link = link
        self._takes = itertools.cycle(takes)

    def send(self, data: bytes) -> int:
        return self._link.send(data[: next(self._takes)])

    def recv(self, count: int) -> bytes:
        return self._link.recv(count)

    def recv_stderr_ready(self) -> bool:
        return False


class SparingSession:
    target = SshTarget("127.0.0.1", 22, "copykeeper", "", "", 10)

    def __init__(self, channel: SparingChannel) -> None:
        self._channel = channel

    def open_channel(self) -> Any:
        return self._channel


@pytest.mark.parametrize("takes", [[1 << 20], [7, 20_000, 1], [32_768, 100]])
def test_requests_survive_a_window_that_takes_them_in_pieces(tmp_path: Path, takes: list[int]) -> None:
    names = [b"folder %03d " % number + b"x" * 150 for number in range(600)]
    waiting = deque(Task(name, ask(requests.MakeFolder(name))) for name in names)
    done: list[Any] = []
    ours, theirs = socket.socketpair()
    ours.settimeout(20)
    with own_server(tmp_path, theirs, read_only=False), ours:
        channel = SftpChannel(SparingSession(SparingChannel(ours, takes)), b"/", Meter())  # type: ignore[arg-type]
        channel.work(
            TaskFeed(
                take=lambda _wait: waiting.popleft() if waiting else None,
                give=lambda _task, result: done.append(result),
                ended=lambda: not waiting,
            )
        )
    assert [result.error for result in done if result.error is not None] == []
    assert sorted(os.listdir(os.fsencode(tmp_path))) == names
