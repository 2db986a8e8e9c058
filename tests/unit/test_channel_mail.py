"""Mail against a real SMTP server on loopback: encryption, login, refusals, a server that is down and comes back."""

from __future__ import annotations

import socket
import ssl
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from email.header import decode_header, make_header
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import Undelivered, WrongSettings
from otherroof.ledger import Ledger
from otherroof.ledger.runs import Hold
from otherroof.settings import require_settings
from otherroof.settings.alerting import MailSettings
from otherroof.watch.channels import Message
from otherroof.watch.channels.mail import MOST_SUBJECT, MailChannel, compose
from otherroof.watch.look import look
from support.certificates import make_certificate
from support.household import secret, write_household
from support.mail_server import PASSWORD, MailServer
from support.watching import Night, write_run

AT = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
MESSAGE = Message(
    "larch.7.20310306T120000Z",
    "alert",
    "silent:heron",
    AT,
    "[larch] far box heron has not answered since Mon 3 March – Rückruf nötig",
    "First line.\n.\nA line with a dot alone stood above; ünïcödé – and so on.\n",
    "<p>First <b>line</b> – ünïcödé</p>",
)


@pytest.fixture(scope="module")
def trust(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, ssl.SSLContext]:
    return make_certificate(tmp_path_factory.mktemp("tls"))


@pytest.fixture(params=["starttls", "tls"])
def server(request: pytest.FixtureRequest, trust: tuple[Path, ssl.SSLContext]) -> Iterator[MailServer]:
    with MailServer(trust[1], request.param) as running:
        running.secure = request.param  # type: ignore[attr-defined]
        yield running


def channel(server: MailServer, trust: Path | None, where: Path, *, password: str = PASSWORD) -> MailChannel:
    mail = MailSettings(
        server="localhost",
        secure=server.secure,  # type: ignore[attr-defined]
        port=server.port,
        sender="larch@example.net",
        account="larch",
        password_file="x",
        answer_s=5,
    )
    path = secret(where / "password", password + "\n")
    return MailChannel("larch", mail, ("kim@example.net", "robin@example.net"), str(path), str(trust or ""))


def test_a_mail_arrives_whole_with_plain_text_first(
    server: MailServer, trust: tuple[Path, ssl.SSLContext], tmp_path: Path
) -> None:
    assert channel(server, trust[0], tmp_path).deliver(MESSAGE) == ""
    (mail,) = server.box.mails
    assert server.box.envelopes[0].rcpt_tos == ["kim@example.net", "robin@example.net"]
    assert mail["Subject"] == MESSAGE.line
    assert mail["From"].addresses[0].addr_spec == "larch@example.net"
    assert mail["Date"].datetime == AT
    assert mail["Message-ID"] == "<larch.7.20310306T120000Z@example.net>"
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail.get_content_type() == "multipart/alternative"
    plain, html = mail.iter_parts()
    assert (plain.get_content_type(), html.get_content_type()) == ("text/plain", "text/html")
    assert plain.get_content().replace("\r\n", "\n") == MESSAGE.text
    assert html.get_content().strip() == MESSAGE.html


def test_a_wrong_password_is_said_and_never_shown(
    server: MailServer, trust: tuple[Path, ssl.SSLContext], tmp_path: Path
) -> None:
    with pytest.raises(Undelivered, match="refused the login") as caught:
        channel(server, trust[0], tmp_path, password="SECRET").deliver(MESSAGE)
    assert "SECRET" not in str(caught.value)
    assert "password_file" in str(caught.value)
    assert server.box.mails == []


def test_a_password_that_smtp_cannot_carry_is_said_and_never_shown(
    server: MailServer, trust: tuple[Path, ssl.SSLContext], tmp_path: Path
) -> None:
    with pytest.raises(Undelivered, match="beyond ASCII") as caught:
        channel(server, trust[0], tmp_path, password="SECRÉT").deliver(MESSAGE)
    assert "SECR" not in str(caught.value)


def test_a_certificate_nobody_vouches_for_gets_no_password(
    server: MailServer, trust: tuple[Path, ssl.SSLContext], tmp_path: Path
) -> None:
    with pytest.raises(Undelivered, match="certificate is not good"):
        channel(server, None, tmp_path).deliver(MESSAGE)
    assert server.box.mails == []


def test_a_password_that_others_can_read_is_not_used(
    server: MailServer, trust: tuple[Path, ssl.SSLContext], tmp_path: Path
) -> None:
    one = channel(server, trust[0], tmp_path)
    (tmp_path / "password").chmod(0o640)
    with pytest.raises(WrongSettings, match="can be read by others"):
        one.deliver(MESSAGE)
    assert server.box.mails == []


def test_one_person_refused_is_told_and_the_others_get_it(
    server: MailServer, trust: tuple[Path, ssl.SSLContext], tmp_path: Path
) -> None:
    server.box.refused = {"robin@example.net"}
    assert (
        channel(server, trust[0], tmp_path).deliver(MESSAGE) == "robin@example.net was refused: 550 no such person here"
    )
    assert len(server.box.mails) == 1


def test_everybody_refused_is_a_mail_not_sent(
    server: MailServer, trust: tuple[Path, ssl.SSLContext], tmp_path: Path
) -> None:
    server.box.refused = {"robin@example.net", "kim@example.net"}
    with pytest.raises(Undelivered, match=r"kim@example\.net: 550"):
        channel(server, trust[0], tmp_path).deliver(MESSAGE)


def test_a_full_mailbox_is_a_mail_not_sent(
    server: MailServer, trust: tuple[Path, ssl.SSLContext], tmp_path: Path
) -> None:
    server.box.full = True
    with pytest.raises(Undelivered, match="452 mailbox full"):
        channel(server, trust[0], tmp_path).deliver(MESSAGE)


def test_a_server_without_encryption_gets_neither_password_nor_mail(
    trust: tuple[Path, ssl.SSLContext], tmp_path: Path
) -> None:
    with MailServer(trust[1], "none", login=False) as plain:
        plain.secure = "starttls"  # type: ignore[attr-defined]
        with pytest.raises(Undelivered, match="STARTTLS"):
            channel(plain, trust[0], tmp_path).deliver(MESSAGE)
        assert plain.box.mails == []


def test_a_server_that_never_speaks_is_left_in_time(tmp_path: Path) -> None:
    with socket.socket() as mute:
        mute.bind(("127.0.0.1", 0))
        mute.listen()
        mail = MailSettings(server="127.0.0.1", port=mute.getsockname()[1], sender="larch@example.net", answer_s=0.3)
        with pytest.raises(Undelivered, match="in time"):
            MailChannel("larch", mail, ("kim@example.net",)).deliver(MESSAGE)


def test_a_server_that_never_speaks_tls_is_left_in_time() -> None:
    with socket.socket() as mute:
        mute.bind(("127.0.0.1", 0))
        mute.listen()
        port = mute.getsockname()[1]
        mail = MailSettings(server="127.0.0.1", port=port, secure="tls", sender="larch@example.net", answer_s=0.3)
        with pytest.raises(Undelivered, match="in time"):
            MailChannel("larch", mail, ("kim@example.net",)).deliver(MESSAGE)


def test_a_subject_is_no_longer_than_a_list_of_mails_shows() -> None:
    said = compose(replace(MESSAGE, subject="photos changed " * 60), "larch", "larch@example.net", ("kim@example.net",))
    subject = str(make_header(decode_header(said["Subject"])))
    assert 150 < len(subject) <= MOST_SUBJECT
    assert subject.endswith(" …")


def test_a_server_that_hangs_up_is_told(tmp_path: Path) -> None:
    with socket.socket() as rude:
        rude.bind(("127.0.0.1", 0))
        rude.listen()

        def hang_up() -> None:
            rude.accept()[0].close()

        thread = threading.Thread(target=hang_up)
        thread.start()
        mail = MailSettings(server="127.0.0.1", port=rude.getsockname()[1], sender="larch@example.net", answer_s=2)
        with pytest.raises(Undelivered, match="mail server cannot be used"):
            MailChannel("larch", mail, ("kim@example.net",)).deliver(MESSAGE)
        thread.join(5)


def test_a_line_feed_in_a_subject_adds_no_header(
    server: MailServer, trust: tuple[Path, ssl.SSLContext], tmp_path: Path
) -> None:
    evil = Message("i", "alert", "x", AT, "photos\nBcc: mallory@example.org", "text\n")
    channel(server, trust[0], tmp_path).deliver(evil)
    (mail,) = server.box.mails
    assert mail["Bcc"] is None
    assert mail["Subject"] == "photos Bcc: mallory@example.org"


def test_alerts_wait_while_the_server_is_down_and_arrive_when_it_is_back(
    trust: tuple[Path, ssl.SSLContext], tmp_path: Path
) -> None:
    server = MailServer(trust[1], "starttls")
    server.start()
    server.stop()
    more = (
        f'[mail]\nserver = "localhost"\nport = {server.port}\nsender = "larch@example.net"\naccount = "larch"\n'
        f'password_file = "keys/mail"\nca_file = "{trust[0]}"\nanswer_s = 5\n'
        '[channel.family]\nkind = "mail"\nto = ["kim@example.net"]\n'
    )
    settings = require_settings(write_household(tmp_path, more=more))
    secret(tmp_path / "keys" / "mail", PASSWORD)
    clock = SteppedClock(AT)
    with Ledger(str(tmp_path / "state" / "ledger.db")) as ledger:
        ledger.answers.note("heron", AT)
        write_run(ledger, AT, Night())
        ledger.holds.note(Hold("photos", "r", AT, "9,000 of 10,000 files are gone", 9000, 0, 10_000, None))
        made = look(settings, ledger, clock)
        assert [(one.channel, one.sent) for one in made] == [("family", False), ("journal", True)]
        clock.step(600)
        assert all(not one.sent for one in look(settings, ledger, clock) if one.channel == "family")
        server.start()
        try:
            clock.step(3600)
            look(settings, ledger, clock)
        finally:
            server.stop()
        assert ledger.posts.waiting() == []
    assert [mail["Subject"] for mail in server.box.mails] == [
        "[larch] job photos is held since Thu 6 March 2031, 08:30: 9,000 of 10,000 files are gone"
    ]
