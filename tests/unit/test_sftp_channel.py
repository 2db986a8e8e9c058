"""An SFTP channel's bytes must arrive whole and in order however little the channel takes at a time."""

from __future__ import annotations

import os
import socket
from collections import deque
from pathlib import Path
from typing import Any

import pytest

from otherroof.far import requests
from otherroof.far.place import Meter, Task
from otherroof.far.sftp.channel import SftpChannel, TaskFeed
from support.places import ask
from support.sftp_servers import SparingChannel, SparingSession, own_server


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
