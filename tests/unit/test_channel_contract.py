"""What every channel must hold to, real ones and the fake: one suite over all of them.

Each kind is brought with a way to read what arrived, a way to break it, and the secret it must not tell.
"""

from __future__ import annotations

import contextlib
import json
import os
import socket
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.errors import Undelivered
from otherroof.settings.alerting import MailSettings
from otherroof.watch.channels import Channel, Message
from otherroof.watch.channels.command import CommandChannel
from otherroof.watch.channels.journal import JournalChannel
from otherroof.watch.channels.mail import MailChannel
from otherroof.watch.channels.webhook import WebhookChannel
from support.certificates import make_certificate
from support.household import secret
from support.mail_server import PASSWORD, MailServer
from support.watching import NotingChannel
from support.web_server import WebServer

AT = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
MESSAGE = Message(
    "larch.7.20310306T120000Z",
    "alert",
    "silent:heron",
    AT,
    "[larch] far box heron – ünïcödé",
    "One line.\nAnother – ünïcödé.\n",
    "",
    '{"alert": "silent:heron"}',
)


@dataclass
class Kind:
    """One kind of channel under test. `arrived` gives (subject, text) of what came through."""

    channel: Channel
    arrived: Callable[[], list[tuple[str, str]]]
    break_it: Callable[[], Channel]
    stall_it: Callable[[], Channel] | None = None


@contextlib.contextmanager
def fake(where: Path) -> Iterator[Kind]:
    channel = NotingChannel()

    def broken() -> Channel:
        channel.broken = True
        return channel

    yield Kind(channel, lambda: [(one.line, one.text) for one in channel.taken], broken)


@contextlib.contextmanager
def mail(where: Path) -> Iterator[Kind]:
    chain, context = make_certificate(where)
    password = secret(where / "SECRET-password", PASSWORD)
    with MailServer(context, "starttls") as server, _mute() as mute:
        settings = MailSettings(
            server="localhost",
            port=server.port,
            sender="larch@example.net",
            account="larch",
            password_file="x",
            answer_s=1,
        )
        channel = MailChannel("larch", settings, ("kim@example.net",), str(password), str(chain))

        def broken() -> Channel:
            server.stop()
            return channel

        yield Kind(
            channel,
            lambda: [(one["Subject"], one.get_content().replace("\r\n", "\n")) for one in server.box.mails],
            broken,
            lambda: replace(channel, mail=settings.model_copy(update={"port": mute})),
        )


@contextlib.contextmanager
def webhook(where: Path) -> Iterator[Kind]:
    chain, context = make_certificate(where)
    with WebServer(context) as server, _mute() as mute:
        address = secret(where / "url", f"https://localhost:{server.port}/hook/SECRET")
        token = secret(where / "token", "SECRET-token")
        channel = WebhookChannel("", 1, str(address), str(token), str(chain))

        def broken() -> Channel:
            server.status = 500
            return channel

        yield Kind(
            channel,
            lambda: [(one["subject"], one["text"]) for one in server.bodies],
            broken,
            lambda: replace(channel, url=f"http://127.0.0.1:{mute}/SECRET"),
        )


@contextlib.contextmanager
def command(where: Path) -> Iterator[Kind]:
    heap = where / "heap"
    heap.write_text("")
    good, bad, slow = where / "good", where / "bad", where / "slow"
    _script(good, f"cat >> {heap}\n")
    _script(bad, "echo 'no tone today' >&2\nexit 3\n")
    _script(slow, "sleep 60 &\nsleep 60\n")
    channel = CommandChannel((str(good),), 1)

    def arrived() -> list[tuple[str, str]]:
        return [(one["subject"], one["text"]) for one in map(json.loads, heap.read_text().splitlines())]

    yield Kind(channel, arrived, lambda: CommandChannel((str(bad),), 1), lambda: CommandChannel((str(slow),), 0.5))


@contextlib.contextmanager
def journal(where: Path) -> Iterator[Kind]:
    path = str(where / "journal")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear, socket.socket(socket.AF_UNIX) as other:
        ear.bind(path)
        ear.settimeout(2)

        def arrived() -> list[tuple[str, str]]:
            ear.setblocking(False)
            found = []
            with contextlib.suppress(BlockingIOError):
                while True:
                    found.append(ear.recv(70_000).decode())
            return [(one.split("MESSAGE=")[1].split("\n")[0], MESSAGE.text) for one in found]

        def broken() -> Channel:
            other.bind(str(where / "stream"))
            return JournalChannel(str(where / "stream"))

        yield Kind(JournalChannel(path), arrived, broken)


def _script(path: Path, lines: str) -> None:
    path.write_text("#!/bin/sh\n" + lines)
    path.chmod(0o755)


@contextlib.contextmanager
def _mute() -> Iterator[int]:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        one.listen()
        yield one.getsockname()[1]


@pytest.fixture(params=[fake, mail, webhook, command, journal], ids=lambda make: make.__name__)
def kind(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Kind]:
    with request.param(tmp_path) as made:
        yield made


def test_what_is_delivered_arrives_word_for_word(kind: Kind) -> None:
    assert kind.channel.deliver(MESSAGE) == ""
    assert kind.arrived() == [(MESSAGE.line, MESSAGE.text)]


def test_a_message_may_be_handed_over_twice(kind: Kind) -> None:
    kind.channel.deliver(MESSAGE)
    kind.channel.deliver(MESSAGE)
    assert len(kind.arrived()) == 2


def test_a_subject_with_a_line_feed_stays_one_line(kind: Kind) -> None:
    kind.channel.deliver(replace(MESSAGE, subject="one\r\nBcc: mallory@example.org"))
    assert kind.arrived()[0][0] == "one Bcc: mallory@example.org"


def test_a_channel_that_does_not_take_it_says_so_on_one_line_without_its_secret(kind: Kind) -> None:
    with pytest.raises(Undelivered) as caught:
        kind.break_it().deliver(MESSAGE)
    assert "SECRET" not in str(caught.value)
    assert "\n" not in str(caught.value)
    assert kind.arrived() in ([], [(MESSAGE.line, MESSAGE.text)])


@pytest.mark.parametrize("make", [mail, webhook, command], ids=lambda make: make.__name__)
def test_a_channel_that_stalls_is_left_in_time(make: Callable[[Path], Any], tmp_path: Path) -> None:
    with make(tmp_path) as kind:
        begun = time.monotonic()
        with pytest.raises(Undelivered) as caught:
            kind.stall_it().deliver(MESSAGE)
        assert time.monotonic() - begun < 4
        assert "SECRET" not in str(caught.value)


def test_a_digest_of_a_hundred_kilobytes_goes_through(kind: Kind) -> None:
    long = replace(MESSAGE, kind="digest", text="A line of the digest – ünïcödé.\n" * 3000)
    assert kind.channel.deliver(long) == ""


# --- what only one kind can get wrong


def test_a_web_server_that_redirects_gets_neither_message_nor_token_elsewhere(tmp_path: Path) -> None:
    with WebServer() as other, WebServer() as server:
        server.status, server.location = 302, f"http://127.0.0.1:{other.port}/"
        with pytest.raises(Undelivered, match="answered 302"):
            WebhookChannel(f"http://127.0.0.1:{server.port}/", 2).deliver(MESSAGE)
        assert other.bodies == []


def test_a_web_server_whose_certificate_nobody_vouches_for_gets_neither_message_nor_token(tmp_path: Path) -> None:
    _, context = make_certificate(tmp_path)
    with WebServer(context) as server:
        token = secret(tmp_path / "token", "SECRET-token")
        with pytest.raises(Undelivered, match="certificate"):
            WebhookChannel(f"https://localhost:{server.port}/", 5, token_path=str(token)).deliver(MESSAGE)
        assert (server.bodies, server.headers) == ([], [])


def test_a_proxy_in_the_environment_is_not_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with WebServer() as proxy, WebServer() as server:
        monkeypatch.setenv("http_proxy", f"http://127.0.0.1:{proxy.port}")
        monkeypatch.setenv("no_proxy", "")
        WebhookChannel(f"http://127.0.0.1:{server.port}/", 2).deliver(MESSAGE)
        assert (len(server.bodies), len(proxy.bodies)) == (1, 0)


def test_a_web_server_is_told_all_and_given_the_token(tmp_path: Path) -> None:
    with WebServer() as server:
        token = secret(tmp_path / "token", "abc\n")
        WebhookChannel(f"http://127.0.0.1:{server.port}/x", 2, token_path=str(token)).deliver(MESSAGE)
        assert server.headers[0]["Authorization"] == "Bearer abc"
        assert server.headers[0]["Content-Type"].startswith("application/json")
        assert server.bodies[0]["facts"] == {"alert": "silent:heron"}
        assert server.bodies[0]["id"] == MESSAGE.id


def test_a_program_leaves_nothing_running_and_sees_no_environment(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("A_SECRET", "value")
    noted = tmp_path / "noted"
    _script(tmp_path / "slow", f"env > {noted}\nsleep 61 & echo $! >> {noted}\nsleep 61\n")
    with pytest.raises(Undelivered, match="was ended"):
        CommandChannel((str(tmp_path / "slow"),), 0.5).deliver(MESSAGE)
    text = noted.read_text()
    assert "A_SECRET" not in text
    child = int(text.splitlines()[-1])
    for _ in range(50):
        if not _runs(child):
            break
        time.sleep(0.05)
    assert not _runs(child)


def _runs(pid: int) -> bool:
    try:
        with open(f"/proc/{pid}/stat") as file:
            return file.read().split()[2] != "Z"
    except FileNotFoundError:
        return False


def test_a_program_that_cannot_be_run_is_told(tmp_path: Path) -> None:
    with pytest.raises(Undelivered, match="cannot be run"):
        CommandChannel((str(tmp_path / "none"),), 1).deliver(MESSAGE)


def test_without_a_journal_the_words_go_to_standard_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    channel = JournalChannel(str(tmp_path / "none"))
    channel.deliver(MESSAGE)
    channel.deliver(replace(MESSAGE, kind="digest", text="a\nb\n"))
    channel.deliver(replace(MESSAGE, text="one\ntwo\n", count=2))
    # sd-daemon(3): a line that begins with <4> is a warning, <6> information.
    assert capsys.readouterr().err == (
        "<4>[larch] far box heron – ünïcödé\n<6>[larch] far box heron – ünïcödé\n<6>a\n<6>b\n"
        "<4>[larch] far box heron – ünïcödé\n<4>one\n<4>two\n"
    )


def test_no_descriptor_is_left_open(tmp_path: Path) -> None:
    def count() -> int:
        return len(os.listdir("/proc/self/fd"))

    _script(tmp_path / "good", "cat > /dev/null\n")
    channels: list[Any] = [CommandChannel((str(tmp_path / "good"),), 2), JournalChannel(str(tmp_path / "none"))]
    for channel in channels:
        channel.deliver(MESSAGE)
    before = count()
    for channel in channels * 5:
        channel.deliver(MESSAGE)
    assert count() == before
