"""Channels as the settings describe them, the secrets that they read, and a journal that is full or takes no more."""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from datetime import UTC, datetime
from pathlib import Path

import pytest

from otherroof.base.errors import Undelivered, WrongSettings
from otherroof.settings import require_settings
from otherroof.watch.channels import Message
from otherroof.watch.channels.build import channels_of
from otherroof.watch.channels.command import CommandChannel
from otherroof.watch.channels.journal import JournalChannel, entry
from otherroof.watch.channels.secrets import read_secret
from otherroof.watch.channels.webhook import WebhookChannel
from support.household import secret, write_household

AT = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
MESSAGE = Message("larch.7", "alert", "silent:heron", AT, "[larch] far box heron", "One line.\n", "", "{}")
WEB = '[channel.chat]\nkind = "webhook"\nurl_file = "keys/url"\ntoken_file = "keys/token"\nca_file = "keys/ca"\n'


def test_a_web_channel_reads_its_address_token_and_certificates_where_the_settings_say(tmp_path: Path) -> None:
    for name in ("url", "token", "ca"):
        secret(tmp_path / "keys" / name, "https://example.org/hook\n")
    channel = channels_of(require_settings(write_household(tmp_path, more=WEB)))["chat"]
    assert isinstance(channel, WebhookChannel)
    keys = tmp_path / "keys"
    assert (channel.url, channel.url_path) == ("", str(keys / "url"))
    assert (channel.token_path, channel.ca_path) == (str(keys / "token"), str(keys / "ca"))


@pytest.mark.parametrize("text", ["", "\n", "  \nsecond line\n"])
def test_a_secret_that_is_empty_is_told_and_not_sent(tmp_path: Path, text: str) -> None:
    with pytest.raises(WrongSettings, match="is empty"):
        read_secret(str(secret(tmp_path / "password", text)))


def test_what_a_program_said_as_it_failed_is_told(tmp_path: Path) -> None:
    path = tmp_path / "bad"
    path.write_text("#!/bin/sh\necho 'no tone today' >&2\nexit 3\n")
    path.chmod(0o755)
    with pytest.raises(Undelivered, match="ended with code 3: no tone today"):
        CommandChannel((str(path),), 20).deliver(MESSAGE)


def test_a_line_break_in_a_message_begins_no_field_in_the_journal() -> None:
    # systemd, "Native Journal Protocol": a value with a newline is written with its length before it.
    digest = Message("larch.8", "digest", "", AT, "Safe", "a\nPRIORITY=0\n", "", "{}")
    value = b"Safe\na\nPRIORITY=0\n"
    assert entry(digest).startswith(b"MESSAGE\n" + struct.pack("<Q", len(value)) + value + b"\nPRIORITY=6\n")


def test_a_digest_that_no_datagram_holds_reaches_the_journal_by_its_beginning(tmp_path: Path) -> None:
    digest = Message("larch.8", "digest", "", AT, "Safe", "A line of the digest.\n" * 100_000, "", "{}")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(str(tmp_path / "journal"))
        assert JournalChannel(str(tmp_path / "journal")).deliver(digest) == ""
        assert b"Safe\nA line of the digest.\n" in ear.recv(1 << 20)


def test_a_journal_that_takes_no_more_is_left_in_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("otherroof.watch.channels.journal._ANSWER_S", 0.1)
    path = str(tmp_path / "journal")
    with (
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear,
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one,
    ):
        ear.bind(path)
        one.setblocking(False)
        with contextlib.suppress(BlockingIOError):
            while True:
                one.sendto(b"x", path)
        # A channel that waits for ever would be let go by this, and say that all went well.
        room = threading.Timer(30, ear.recv, (9,))
        room.start()
        try:
            with pytest.raises(Undelivered, match="timed out"):
                JournalChannel(path).deliver(MESSAGE)
        finally:
            room.cancel()
