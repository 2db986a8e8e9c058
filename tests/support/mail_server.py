"""A real SMTP server on loopback (aiosmtpd) with STARTTLS or TLS and a login, whose mailbox tests can read."""

from __future__ import annotations

import email
import email.policy
import socket
import ssl
import warnings
from email.message import EmailMessage
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

ACCOUNT, PASSWORD = "larch", "correct horse"


class Mailbox:
    """Keeps what it is given; refuses `refused` addresses, and everything while `full`."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.envelopes: list[Envelope] = []
        self.refused: set[str] = set()
        self.full = False

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        """Take the address, or not."""
        if address in self.refused:
            return "550 no such person here"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        """Keep the mail."""
        if self.full:
            return "452 mailbox full"
        content = envelope.content
        assert isinstance(content, bytes)
        self.envelopes.append(envelope)
        self.mails.append(email.message_from_bytes(content, policy=email.policy.default))
        return "250 taken"


class _Server(Controller):
    def factory(self) -> SMTP:
        # Where the whole connection is TLS, the library does not know it and warns that logins are in the clear.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)
            return super().factory()


def _check(server: SMTP, session: Session, envelope: Envelope, mechanism: str, given: object) -> AuthResult:
    assert isinstance(given, LoginPassword)
    return AuthResult(success=given.login == ACCOUNT.encode() and given.password == PASSWORD.encode(), handled=False)


class MailServer:
    """Start and stop a server on one port of `address`; `secure` is `starttls`, `tls` or `none`."""

    def __init__(
        self, context: ssl.SSLContext, secure: str, login: bool = True, *, address: str = "127.0.0.1", port: int = 0
    ) -> None:
        self.box = Mailbox()
        self.address = address
        self.port = port
        self._context, self._secure, self._login = context, secure, login
        self._controller: Controller | None = None

    def __enter__(self) -> MailServer:
        self.start()
        return self

    def __exit__(self, *ignored: object) -> None:
        self.stop()

    def start(self) -> None:
        """Listen: on a free port at first, on the same one afterwards."""
        how: dict[str, Any] = {"auth_required": self._login, "authenticator": _check if self._login else None}
        if self._secure == "starttls":
            how |= {"tls_context": self._context, "require_starttls": True}
        else:
            how |= {"auth_require_tls": False}
        wrapped = self._context if self._secure == "tls" else None
        port = self.port or free_port()
        self._controller = _Server(self.box, hostname=self.address, port=port, ssl_context=wrapped, **how)
        self._controller.start()
        self.port = port

    def stop(self) -> None:
        """Go away, as a server does that is down."""
        if self._controller is not None:
            self._controller.stop()
            self._controller = None


def free_port() -> int:
    """A port on loopback that nobody listened on just now."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])
