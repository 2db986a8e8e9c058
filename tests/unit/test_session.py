"""What the SSH library reports on the way in is told as what it means: refused, broken, no answer, or no SSH at all."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import paramiko
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

from otherroof.base.errors import LinkLost, LoginRefused, OtherroofError, Unreached
from otherroof.far.place import Meter
from otherroof.far.session import Session, SshTarget, log_in, negotiate, read_login_key
from otherroof.far.ssh_limits import BoundedTransport

GRACE_S = 0.5


class Porter(paramiko.ServerInterface):
    """Does `deed` when a key is shown, then refuses it."""

    def __init__(self, deed: threading.Event, hang_up: socket.socket | None) -> None:
        self._deed = deed
        self._hang_up = hang_up

    def check_auth_publickey(self, username: str, key: paramiko.PKey) -> int:
        if self._hang_up is not None:
            self._hang_up.shutdown(socket.SHUT_RDWR)
        self._deed.wait(10)
        return paramiko.common.AUTH_FAILED

    def get_allowed_auths(self, username: str) -> str:
        return "publickey"


@contextmanager
def a_login(where: Path, *, hangs_up: bool = False, answers: bool = True) -> Iterator[OtherroofError]:
    """What `log_in` raises at a server that refuses, hangs up or never answers."""
    key_file = where / "key"
    key_file.write_bytes(
        Ed25519PrivateKey.generate().private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, NoEncryption())
    )
    key_file.chmod(0o600)
    deed = threading.Event()
    if answers:
        deed.set()
    here, there = socket.socketpair()
    server, client = paramiko.Transport(there), paramiko.Transport(here)
    client.auth_timeout = GRACE_S
    with closing(server), closing(client):
        server.add_server_key(paramiko.RSAKey.generate(2048))
        server.start_server(threading.Event(), Porter(deed, there if hangs_up else None))
        client.start_client(timeout=10)
        target = SshTarget("192.0.2.1", 22, "copykeeper", str(key_file), "ssh-ed25519 AAAA", answer_s=GRACE_S)
        with pytest.raises(OtherroofError) as caught:
            log_in(target, client, read_login_key(target.key_path))
        deed.set()
        yield caught.value


def test_refused_key_is_told_as_refused(tmp_path: Path) -> None:
    with a_login(tmp_path) as error:
        assert type(error) is LoginRefused


def test_connection_that_breaks_while_logging_in_is_no_refusal(tmp_path: Path) -> None:
    """A refusal ends the run at once; a broken connection is tried again."""
    with a_login(tmp_path, hangs_up=True) as error:
        assert type(error) is LinkLost
        assert "the connection broke" in str(error)


def test_login_that_is_never_answered_is_no_refusal(tmp_path: Path) -> None:
    with a_login(tmp_path, answers=False) as error:
        assert type(error) is LinkLost
        assert "did not answer within 0.5 s" in str(error)


@pytest.mark.parametrize(
    ("said", "kind", "words"),
    [
        (b"", LinkLost, "closed it at once"),
        (b"SSH-2.0-OpenSSH_9.2\r\n", LinkLost, "the connection broke"),
        (b"HTTP/1.1 400 Bad Request\r\n\r\n" * 200, Unreached, "does not speak SSH"),
    ],
)
def test_greeting_that_breaks_off_is_told_from_one_that_is_none(said: bytes, kind: type[Unreached], words: str) -> None:
    here, there = socket.socketpair()
    there.sendall(said)
    there.shutdown(socket.SHUT_WR)
    with closing(there), pytest.raises(Unreached, match=words) as caught:
        negotiate(SshTarget("192.0.2.1", 22, "copykeeper", "", "ssh-ed25519 AAAA", answer_s=5), here, Meter())
    assert type(caught.value) is kind


@pytest.mark.parametrize(
    ("said", "words"),
    [(b"", "took the connection and said nothing"), (b"SSH-2.0-OpenSSH_9.2\r\n", "did not answer within 0.3 s")],
)
def test_greeting_that_never_goes_on_is_told_in_time(said: bytes, words: str) -> None:
    here, there = socket.socketpair()
    there.sendall(said)
    target = SshTarget("192.0.2.1", 22, "copykeeper", "", "ssh-ed25519 AAAA", answer_s=0.3)
    begun = time.monotonic()
    with closing(there), pytest.raises(Unreached, match=words):
        negotiate(target, here, Meter())
    assert time.monotonic() - begun < 10


def test_greeting_that_the_library_has_stopped_waiting_for_is_told_as_silence(monkeypatch: pytest.MonkeyPatch) -> None:
    """It says nothing of it: the call comes back as if keys had been agreed on."""
    monkeypatch.setattr(BoundedTransport, "start_client", lambda *_, **__: None)
    here, there = socket.socketpair()
    target = SshTarget("192.0.2.1", 22, "copykeeper", "", "ssh-ed25519 AAAA", answer_s=0.3)
    with closing(there), pytest.raises(LinkLost, match=r"did not answer within 1\.6 s"):
        negotiate(target, here, Meter())


class NeverStarted:
    """A connection that stands, and its one channel, on which the start of SFTP is never answered."""

    sock = None

    def __init__(self) -> None:
        self._closed, self._told = threading.Event(), threading.Event()

    def open_session(self, timeout: float) -> NeverStarted:
        return self

    def join(self, timeout: float) -> None: ...

    def is_active(self) -> bool:
        return True

    def settimeout(self, seconds: float) -> None: ...

    def invoke_subsystem(self, name: str) -> None:
        assert self._closed.wait(20)
        raise paramiko.SSHException("Channel closed.")

    def close(self) -> None:
        """Wakes who waits, and is then busy for longer than that one is: it has packets to send."""
        if self._closed.is_set():
            return
        self._closed.set()
        self._told.wait(20)

    def note_told(self) -> None:
        self._told.set()


class BrokenOff(NeverStarted):
    """A connection that breaks as SFTP is to start: everything that would be sent over it fails."""

    saved_exception = None

    def is_active(self) -> bool:
        return False

    def invoke_subsystem(self, name: str) -> None:
        raise EOFError

    def close(self) -> None:
        raise EOFError


def test_a_connection_that_breaks_as_sftp_starts_is_told_as_one_that_broke() -> None:
    """Not as a fault of this program, nor as a trace from the thread that opens a further connection."""
    target, here = SshTarget("192.0.2.1", 22, "copykeeper", "", "ssh-ed25519 AAAA"), socket.socket()
    with closing(here), pytest.raises(LinkLost, match="closed by the far box"):
        Session(target, BrokenOff(), here).open_channel()  # type: ignore[arg-type]


def test_a_box_that_falls_silent_as_sftp_starts_is_not_told_as_one_that_has_none() -> None:
    """What is silent is tried again; what has no SFTP is not."""
    target = SshTarget("192.0.2.1", 22, "copykeeper", "", "ssh-ed25519 AAAA", answer_s=0.05)
    box, here = NeverStarted(), socket.socket()
    with closing(here), pytest.raises(OtherroofError) as caught:
        Session(target, box, here).open_channel()  # type: ignore[arg-type]
    box.note_told()
    assert type(caught.value) is LinkLost
    assert "did not answer within 0.05 s" in str(caught.value)
