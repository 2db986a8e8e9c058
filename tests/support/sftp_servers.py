"""SFTP servers to be asked by raw packets: the stand-in's own, and OpenSSH's as a process, each over a socket pair."""

from __future__ import annotations

import itertools
import os
import socket
import subprocess
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from otherroof.far.session import SshTarget
from otherroof.rehearsal.far_box.confined import ConfinedFolder
from otherroof.rehearsal.far_box.sftp_server import session_on
from support.faulty_box import Faults, FaultySession, Mood, Offers
from support.raw_sftp import RawSftp

REAL_SERVER = "/usr/lib/openssh/sftp-server"


@dataclass(frozen=True)
class FarFolder:
    """A served folder: as its server sees it from here, and a client that is connected to it and has greeted."""

    here: Path
    sftp: RawSftp
    offered: dict[bytes, bytes]


@contextmanager
def own_server(
    folder: Path, end: socket.socket, read_only: bool = False, faults: Faults | None = None
) -> Iterator[None]:
    confined = ConfinedFolder(str(folder))
    if read_only:
        faults = Faults(read_only=True)
    session = FaultySession(end, confined, Offers(), Mood(faults)) if faults else session_on(end, confined)

    def answer() -> None:
        with end:
            session.serve()

    thread = threading.Thread(target=answer)
    thread.start()
    try:
        yield
    finally:
        thread.join(10)
        confined.close()
        assert not thread.is_alive()


@contextmanager
def real_server(folder: Path, end: socket.socket, read_only: bool) -> Iterator[None]:
    argv = [REAL_SERVER, "-d", str(folder), *(["-R"] if read_only else [])]
    with subprocess.Popen(argv, stdin=end, stdout=end) as process:
        end.close()
        try:
            yield
        finally:
            process.wait(10)


SERVERS = {"stand-in": own_server, "OpenSSH": real_server}


@contextmanager
def connected(kind: str, folder: Path, *, read_only: bool = False, greet: bool = True) -> Iterator[FarFolder]:
    folder.mkdir(exist_ok=True)
    with ExitStack() as stack:
        ours, theirs = socket.socketpair()
        stack.enter_context(SERVERS[kind](folder, theirs, read_only))
        stack.enter_context(ours)
        sftp = RawSftp(ours)
        yield FarFolder(folder, sftp, sftp.greet() if greet else {})


def need_real_server() -> None:
    if os.access(REAL_SERVER, os.X_OK):
        return
    why = f"OpenSSH's sftp-server is not at {REAL_SERVER}"
    if os.environ.get("CI") == "true":
        pytest.fail(why)
    pytest.skip(why)


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
    """A session whose one channel that is."""

    target = SshTarget("127.0.0.1", 22, "copykeeper", "", "", 10)

    def __init__(self, channel: SparingChannel) -> None:
        self._channel = channel

    def open_channel(self) -> Any:
        return self._channel
