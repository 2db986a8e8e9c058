"""A far box that means harm below SFTP: what it announces, says or sends before and after the login stays bounded."""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import paramiko
import pytest

from otherroof.base.errors import LinkLost, LoginRefused, OtherroofError, Unreached
from otherroof.far.place import Meter
from otherroof.far.session import Session, SshTarget, log_in, negotiate, read_login_key
from otherroof.far.ssh_limits import AT_ONCE, MOST_EARLY, MOST_UNREAD
from otherroof.probe.ladder import ok
from otherroof.rehearsal.far_box.stand_in import fresh_key

ANSWER_S = 8.0
VERSION = b"SSH-2.0-OpenSSH_9.2\r\n"


def target(key_path: str = "", host_key: str = "ssh-ed25519 AAAA") -> SshTarget:
    return SshTarget("192.0.2.1", 22, "copykeeper", key_path, host_key, answer_s=ANSWER_S)


# -- before anything is agreed on --


@contextmanager
def saying(say: Callable[[socket.socket], None]) -> Iterator[socket.socket]:
    """Our end of a connection, at whose other end somebody talks for as long as anybody listens."""
    here, there = socket.socketpair()

    def talk() -> None:
        with suppress(OSError):
            say(there)
            while there.recv(1 << 16):
                pass

    thread = threading.Thread(target=talk)
    thread.start()
    with closing(there), closing(here):
        yield here
    thread.join(10)
    assert not thread.is_alive()


def greeted(say: Callable[[socket.socket], None]) -> tuple[OtherroofError, Meter]:
    """What `negotiate` makes of it, and what crossed the line; it must be quick."""
    meter, begun = Meter(), time.monotonic()
    with saying(say) as here, pytest.raises(Unreached) as caught:
        negotiate(target(), here, meter)
    assert time.monotonic() - begun < ANSWER_S, "it did not wait for more of it"
    return caught.value, meter


@pytest.mark.parametrize("size", [0x7FFFFFFC, 300_004, 70_004])
def test_packet_without_bound_before_the_login_is_refused_as_it_is_announced(size: int) -> None:
    assert (size - 4) % 8 == 0, "else its blocking is wrong, and the library refuses it for that"

    def say(there: socket.socket) -> None:
        there.sendall(VERSION + struct.pack(">I", size) + bytes(4))

    error, _ = greeted(say)
    assert f"announces a packet of {size - 4:,} bytes" in str(error)


def test_greeting_without_end_is_not_listened_to() -> None:
    def say(there: socket.socket) -> None:
        while True:
            there.sendall(b"x" * 65_536)

    error, meter = greeted(say)
    assert "sends data without end" in str(error)
    assert meter.wire_down <= MOST_EARLY + 65_536


def test_greeting_is_told_without_what_a_terminal_acts_upon() -> None:
    def say(there: socket.socket) -> None:
        there.sendall(b"\x1b[2J\x1b]0;owned\x07\xc2\x9b31m hello\r\n" * 100)

    error, _ = greeted(say)
    assert str(error).isprintable()
    assert "\\x1b[2J" in str(error)


def test_finding_shows_what_a_box_calls_itself_as_text() -> None:
    seen = ok("192.0.2.1:22 speaks SSH (SSH-2.0-\x1b[2J\x1b]0;x\x07\u009b31m\u202e)", "look\nthere")
    assert seen.text.isprintable()
    assert "\\x1b[2J" in seen.text
    assert seen.advice == "look there"


# -- a server that has agreed on keys --


class Rules(paramiko.ServerInterface):
    """Lets every key in, or only half; `deed` is done when one is shown."""

    def __init__(self, verdict: int) -> None:
        self._verdict = verdict
        self.deed: Callable[[], None] = lambda: None

    def check_auth_publickey(self, username: str, key: paramiko.PKey) -> int:
        self.deed()
        return self._verdict

    def get_allowed_auths(self, username: str) -> str:
        return "publickey,password"

    def check_channel_request(self, kind: str, chanid: int) -> int:
        return paramiko.OPEN_SUCCEEDED

    def check_channel_subsystem_request(self, channel: paramiko.Channel, name: str) -> bool:
        return True


@dataclass
class Agreed:
    """Both ends, keys agreed on."""

    client: paramiko.Transport
    server: paramiko.Transport
    there: socket.socket
    here: socket.socket
    target: SshTarget
    rules: Rules

    def log_in(self) -> Session:
        log_in(self.target, self.client, read_login_key(self.target.key_path))
        return Session(self.target, self.client, self.here)

    def ended(self) -> bool:
        """Whether the client's connection ends by itself."""
        self.client.join(ANSWER_S)
        return not self.client.is_alive()


@contextmanager
def agreed(where: Path, verdict: int = paramiko.AUTH_SUCCESSFUL) -> Iterator[Agreed]:
    private, _ = fresh_key()
    (where / "key").write_bytes(private)
    (where / "key").chmod(0o600)
    here, there = socket.socketpair()
    with ExitStack() as stack:
        server = stack.enter_context(closing(paramiko.Transport(there)))
        server.set_log_channel("hostile")
        host_key = paramiko.Ed25519Key.from_private_key_file(str(where / "key"))
        server.add_server_key(host_key)
        rules = Rules(verdict)
        server.start_server(threading.Event(), rules)
        to = target(str(where / "key"), f"{host_key.get_name()} {host_key.get_base64()}")
        client = stack.enter_context(closing(negotiate(to, here, Meter())))
        yield Agreed(client, server, there, here, to, rules)


def message(kind: int) -> paramiko.Message:
    made = paramiko.Message()
    made.add_byte(bytes([kind]))
    return made


def test_extensions_without_end_do_not_keep_a_thread_for_ever(tmp_path: Path) -> None:
    with agreed(tmp_path) as ends:
        ends.server._send_message(message(7).add_int(0xFFFFFFFF))
        assert ends.ended()
        with pytest.raises(LinkLost, match="extensions without end"):
            ends.log_in()


def test_message_that_makes_no_sense_is_a_broken_connection(tmp_path: Path) -> None:
    """The library looks its name up in vain, and raises what it met in the thread of whoever asks next."""
    with agreed(tmp_path) as ends:
        ends.server._send_message(message(211))
        assert ends.ended()
        assert isinstance(ends.client.saved_exception, KeyError)
        with pytest.raises(LinkLost, match="sent something that is not SSH"):
            ends.log_in()


@pytest.mark.parametrize("kind", [211, 51], ids=["of no kind", "cut short"])
def test_message_that_makes_no_sense_in_a_login_is_a_broken_connection(tmp_path: Path, kind: int) -> None:
    with agreed(tmp_path) as ends:
        bad = message(kind)
        bad.add_string(b"\xff\xfe")  # no text, if it is taken for some
        ends.rules.deed = lambda: ends.server._send_message(bad)
        with pytest.raises(OtherroofError) as caught:
            ends.log_in()
        assert type(caught.value) is LinkLost
        assert "sent something that is not SSH" in str(caught.value)


def test_login_that_wants_more_than_our_key_is_told_as_such(tmp_path: Path) -> None:
    with (
        agreed(tmp_path, paramiko.AUTH_PARTIALLY_SUCCESSFUL) as ends,
        pytest.raises(LoginRefused, match="asks for more than a key"),
    ):
        ends.log_in()


def test_talk_without_end_before_the_login_is_ended(tmp_path: Path) -> None:
    with agreed(tmp_path) as ends:
        ignore = message(2)
        ignore.add_string(bytes(30_000))
        with suppress(EOFError, OSError, paramiko.SSHException):
            for _ in range(2 * MOST_EARLY // 30_000):
                ends.server._send_message(ignore)
        assert ends.ended()
        with pytest.raises(LinkLost, match="sends data without end"):
            ends.log_in()


def test_packet_without_bound_after_the_login_is_refused_as_it_is_announced(tmp_path: Path) -> None:
    with agreed(tmp_path) as ends:
        session = ends.log_in()
        ends.there.sendall(struct.pack(">I", 0x7FFFFFF0) + bytes(28))
        assert ends.ended()
        with pytest.raises(LinkLost, match="announces a packet of 2,147,4"):
            session.open_channel()


@pytest.mark.parametrize("kind", [94, 95], ids=["data", "standard error"])
def test_data_past_the_window_does_not_gather(tmp_path: Path, kind: int) -> None:
    with agreed(tmp_path) as ends:
        channel = ends.log_in().open_channel()
        more = message(kind)
        more.add_int(channel.get_id())
        if kind == 95:
            more.add_int(1)
        more.add_string(bytes(32_000))
        with suppress(EOFError, OSError, paramiko.SSHException):
            for _ in range(4 * MOST_UNREAD // 32_000):
                ends.server._send_message(more)
        assert ends.ended()
        assert "more data than it was asked for" in str(ends.client.saved_exception)
        assert len(channel.in_buffer) + len(channel.in_stderr_buffer) <= MOST_UNREAD + AT_ONCE + 64_000
