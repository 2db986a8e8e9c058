"""Mail by SMTP, with STARTTLS (RFC 3207) or TLS from the start (RFC 8314), with or without a login.

The plain text comes first and the HTML last in a multipart/alternative (RFC 2046 §5.1.4: the last is the best).
"""

from __future__ import annotations

import contextlib
import smtplib
import ssl
import textwrap
from dataclasses import dataclass
from email.charset import QP, Charset
from email.header import Header
from email.message import Message as Mime
from email.mime.multipart import MIMEMultipart
from email.mime.nonmultipart import MIMENonMultipart
from email.utils import format_datetime, formataddr

from otherroof.base.errors import Undelivered
from otherroof.settings.alerting import MailSettings
from otherroof.watch.channels.port import Message
from otherroof.watch.channels.secrets import read_secret, tls_context

# More than this no mail program shows in a list; the text has it whole.
MOST_SUBJECT = 180


@dataclass(frozen=True, slots=True)
class MailChannel:
    """Mail to `to` through `mail`. `password_path` and `ca_path` are absolute, or empty if there is none."""

    home: str
    mail: MailSettings
    to: tuple[str, ...]
    password_path: str = ""
    ca_path: str = ""

    def deliver(self, message: Message) -> str:
        """Hand the mail to the server; returns the addresses it refused while it took others."""
        password = read_secret(self.password_path) if self.password_path else ""
        context = tls_context(self.ca_path)
        where = f"{self.mail.server}:{self.mail.port_used}"
        try:
            server = self._connected(context)
            try:
                if password:
                    server.login(self.mail.account, password)
                # Only a server that refuses every address makes this raise; some of them come back as the answer.
                refused = server.send_message(compose(message, self.home, self.mail.sender, self.to))
            finally:
                _leave(server)
        except (OSError, smtplib.SMTPException, UnicodeEncodeError) as problem:
            raise Undelivered(_said(problem), where=where, advice=_advice(problem)) from problem
        return "; ".join(f"{who} was refused: {_reply(*why)}" for who, why in sorted(refused.items()))

    def _connected(self, context: ssl.SSLContext) -> smtplib.SMTP:
        # Home's name is given, because the library would else ask the name service for it, without a time-out.
        host, port, answer_s = self.mail.server, self.mail.port_used, self.mail.answer_s
        if self.mail.secure == "tls":
            return smtplib.SMTP_SSL(host, port, local_hostname=self.home, timeout=answer_s, context=context)
        server = smtplib.SMTP(host, port, local_hostname=self.home, timeout=answer_s)
        if self.mail.secure == "starttls":
            try:
                # Encrypted before anything else is said; a server that does not offer it raises here. There is no going
                # on in clear, since whoever sits in between could take the offer out (RFC 3207 §6).
                server.starttls(context=context)
            except BaseException:
                server.close()
                raise
        return server


def compose(message: Message, home: str, sender: str, to: tuple[str, ...]) -> Mime:
    """The mail as it goes out. The same message always has the same Message-ID, so that a mail that was handed
    over twice can be told for what it is."""
    # The library's newer EmailMessage loses blanks when it folds a long subject with letters beyond ASCII
    # (seen with Python 3.11); its older classes do not.
    plain = _part(message.text, "plain")
    mail = plain
    if message.html:
        mail = MIMEMultipart("alternative", _subparts=[plain, _part(message.html, "html")])
    mail["From"] = formataddr((f"Otherroof on {home}", sender))
    mail["To"] = ", ".join(to)
    subject = textwrap.shorten(message.line, MOST_SUBJECT, placeholder=" …")
    # A header in plain ASCII stays readable as it is; anything else is encoded (RFC 2047).
    charset = "us-ascii" if subject.isascii() else "utf-8"
    mail["Subject"] = Header(subject, charset, header_name="Subject").encode()
    mail["Date"] = format_datetime(message.at)
    mail["Message-ID"] = f"<{message.id}@{sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834 §5: no holiday notices in answer
    return mail


def _part(text: str, subtype: str) -> Mime:
    """Text in UTF-8 as quoted-printable: short lines, still readable as it stands."""
    charset = Charset("utf-8")
    charset.body_encoding = QP
    part = MIMENonMultipart("text", subtype)
    part.set_payload(text, charset)
    return part


def _leave(server: smtplib.SMTP) -> None:
    # What the server says to a goodbye changes nothing: the mail was taken, or it was refused, before.
    with contextlib.suppress(OSError, smtplib.SMTPException):
        server.quit()
    server.close()


def _said(problem: Exception) -> str:
    if isinstance(problem, UnicodeEncodeError):
        return "account or password has letters beyond ASCII, which this login cannot carry"
    if isinstance(problem, smtplib.SMTPAuthenticationError):
        return f"the mail server refused the login: {_reply(problem.smtp_code, problem.smtp_error)}"
    if isinstance(problem, smtplib.SMTPRecipientsRefused):
        return "the mail server refused " + "; ".join(
            f"{who}: {_reply(*why)}" for who, why in sorted(problem.recipients.items())
        )
    if isinstance(problem, smtplib.SMTPResponseException):
        return f"the mail server refused: {_reply(problem.smtp_code, problem.smtp_error)}"
    if isinstance(problem, ssl.SSLCertVerificationError):
        return f"the mail server's certificate is not good: {problem.verify_message}"
    if isinstance(problem, TimeoutError) or isinstance(problem.__context__, TimeoutError):
        return "the mail server did not answer in time"
    # Some of the library's errors have no strerror, others have nothing but that.
    return f"the mail server cannot be used: {getattr(problem, 'strerror', None) or problem}"


def _advice(problem: Exception) -> str:
    if isinstance(problem, smtplib.SMTPAuthenticationError | UnicodeEncodeError):
        return "check account and password_file under [mail]; many providers want a password made for this one program"
    if isinstance(problem, smtplib.SMTPNotSupportedError):
        return 'the server does not offer what [mail] asks for; perhaps secure = "tls" with port 465 is right'
    if isinstance(problem, ssl.SSLCertVerificationError):
        return "check server under [mail]; for a certificate of your own, name it in ca_file"
    if isinstance(problem, smtplib.SMTPRecipientsRefused | smtplib.SMTPSenderRefused):
        return "check sender under [mail] and the addresses of the channel"
    return "check server, port and secure under [mail]"


def _reply(code: int, text: bytes | str) -> str:
    shown = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    return f"{code} {' '.join(shown.split())[:200]}"
