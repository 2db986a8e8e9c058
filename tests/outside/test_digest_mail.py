"""The digest as a mail, through a real SMTP server, read by the standard library's email package.

RFC 2046 §5.1.4 (from memory): in multipart/alternative the parts stand in order of growing faithfulness to the
original, the plainest first. RFC 2045 §6.7 (from memory): quoted-printable lines have at most 76 characters. RFC 5322
§2.1.1 (from memory): no line over 998 characters, and none should be over 78. RFC 3834 §5 (from memory):
Auto-Submitted: auto-generated.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from otherroof.base.clock import SteppedClock
from otherroof.ledger import Ledger
from otherroof.settings import require_settings
from otherroof.watch import digest
from otherroof.watch.gather import WatchInputs
from support.certificates import make_certificate
from support.household import secret, write_household
from support.long_history import write_history
from support.mail_server import PASSWORD, MailServer
from support.outside import outside

NOW = datetime(2031, 3, 6, 10, 0, tzinfo=UTC)


@outside("RFC 2046", "§5.1.4", "the plain part of the digest first, HTML last", value="from memory")
@outside("RFC 2045", "§6.7", "no quoted-printable line over 76 characters", value="from memory")
@outside("RFC 5322", "§2.1.1", "no line of a mail over 998 characters, of its head over 78", value="from memory")
@outside("RFC 3834", "§5", "Auto-Submitted: auto-generated", value="from memory")
def test_a_digest_arrives_as_the_standards_have_it(tmp_path: Path) -> None:
    chain, context = make_certificate(tmp_path)
    with MailServer(context, "starttls") as server:
        more = (
            f'[mail]\nserver = "localhost"\nport = {server.port}\nsender = "larch@example.net"\naccount = "larch"\n'
            f'password_file = "keys/mail"\nca_file = "{chain}"\nanswer_s = 10\n'
            '[channel.family]\nkind = "mail"\nto = ["kim@example.net", "robin@example.net"]\n'
        )
        settings = require_settings(write_household(tmp_path, more=more, jobs={"photos": "", "music": ""}))
        secret(tmp_path / "keys" / "mail", PASSWORD)
        with Ledger(str(tmp_path / "state" / "ledger.sqlite")) as ledger:
            write_history(ledger, ["photos", "music"], NOW, 60)
            made = digest.send(settings, ledger, SteppedClock(NOW), WatchInputs())
    assert [(one.channel, one.sent) for one in made] == [("family", True), ("journal", True)]
    (mail,) = server.box.mails
    assert server.box.envelopes[0].rcpt_tos == ["kim@example.net", "robin@example.net"]
    assert mail.get_content_type() == "multipart/alternative"
    assert [one.get_content_type() for one in mail.iter_parts()] == ["text/plain", "text/html"]
    assert mail.defects == []
    assert all(one.defects == [] for one in mail.iter_parts())
    plain = mail.get_body(("plain",))
    html = mail.get_body(("html",))
    assert plain is not None
    assert html is not None
    assert "WHAT NEEDS A HAND" in plain.get_content()
    assert "</html>" in html.get_content()
    assert "Two kinds of media" in html.get_content()
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Date"].datetime == NOW
    raw = server.box.envelopes[0].content
    assert isinstance(raw, bytes)
    head, _, body = raw.partition(b"\r\n\r\n")
    assert max(len(line) for line in head.split(b"\r\n")) <= 78
    boundary = mail.get_boundary()
    assert boundary is not None
    encoded = body.split(b"--" + boundary.encode())[1:3]
    for part in encoded:
        inner_head, _, content = part.strip(b"\r\n").partition(b"\r\n\r\n")
        assert b"Content-Transfer-Encoding: quoted-printable" in inner_head
        lines = content.split(b"\r\n")
        assert 60 < max(len(line) for line in lines) <= 76
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998
    raw.decode("ascii")
