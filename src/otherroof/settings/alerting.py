"""How the household is told: mail server, channels, when alerts repeat, digest, page and metrics file.

Values only. Whether a server answers, or a password file is safe, is asked when a message is handed over.
"""

from __future__ import annotations

import ipaddress
import re
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, Field, model_validator

from otherroof.settings.fields import AbsolutePath, Address, Argv, CrontabText, Name, Port, Strict, Texts

# Enough to catch a slip of the pen; only the mail server can know whether the mailbox exists.
_MAILBOX = re.compile(r"[^\s@<>,;:\"()\[\]\\]+@[A-Za-z0-9.-]+\Z")
# RFC 6762 (.local), RFC 8375 (.home.arpa); ICANN set .internal aside for this; .lan is custom.
_HOME_NAMES = (".local", ".lan", ".home.arpa", ".internal")


def _mailbox(text: str) -> str:
    if not text.isascii() or not _MAILBOX.match(text):
        raise ValueError(f"{text!r} is not a mail address; one such as kim@example.net is wanted")
    return text


def _mailboxes(texts: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(_mailbox(text) for text in texts)


def is_this_machine(host: str) -> bool:
    """Whether `host` is the loopback interface, by name or address."""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def is_at_home(host: str) -> bool:
    """Whether `host` is on this machine or in the household's own network, as far as its name can tell."""
    try:
        return ipaddress.ip_address(host).is_private
    except ValueError:
        return "." not in host or host.endswith(_HOME_NAMES)


def web_address(text: str) -> str:
    """`text`, if a message may be posted there; raises ValueError otherwise, without repeating the address.

    The path of such an address is often its only secret.
    """
    parts = urlsplit(text.strip())
    if parts.scheme not in {"http", "https"} or not parts.hostname:
        raise ValueError("a web address that begins with https:// is wanted")
    if parts.scheme == "http" and not is_at_home(parts.hostname):
        raise ValueError(
            f"http:// to {parts.hostname} would send the household's messages readable to all in between; "
            "https:// is wanted for anything outside the house"
        )
    if parts.username or parts.password:
        raise ValueError("a name and password do not belong in the address; put a token in a file: token_file")
    return text.strip()


Mailbox = Annotated[str, AfterValidator(_mailbox)]
Mailboxes = Annotated[tuple[str, ...], Field(min_length=1, strict=False), AfterValidator(_mailboxes)]
Carries = Annotated[tuple[Literal["alerts", "digest"], ...], Field(min_length=1, strict=False)]
WebAddress = Annotated[str, AfterValidator(web_address)]


class MailSettings(Strict):
    """The server that takes the household's mail, and how to log in there."""

    server: Address
    secure: Literal["starttls", "tls", "none"] = "starttls"
    port: Port | None = None
    sender: Mailbox
    account: str = ""
    password_file: str = ""
    ca_file: str = ""
    answer_s: float = Field(default=30, gt=0, le=600)

    @model_validator(mode="after")
    def _safe(self) -> Self:
        if self.secure == "none" and not is_this_machine(self.server):
            raise ValueError('secure = "none" is for a mail server on this machine only; "starttls" or "tls" is wanted')
        if bool(self.account) != bool(self.password_file):
            raise ValueError("account and password_file belong together; write both or neither")
        if self.secure == "none" and self.account:
            raise ValueError('a login without encryption is refused; "starttls" or "tls" is wanted')
        return self

    @property
    def port_used(self) -> int:
        """The port asked for, else the usual one: 587 submission (RFC 6409), 465 with TLS (RFC 8314), 25."""
        return self.port or {"starttls": 587, "tls": 465, "none": 25}[self.secure]


class MailChannelSettings(Strict):
    """Mail to some people, through the server under [mail]."""

    kind: Literal["mail"]
    to: Mailboxes
    carries: Carries = ("alerts", "digest")


class WebhookChannelSettings(Strict):
    """An HTTP POST with a JSON body."""

    kind: Literal["webhook"]
    url: WebAddress | None = None
    url_file: str = ""
    token_file: str = ""
    ca_file: str = ""
    answer_s: float = Field(default=30, gt=0, le=600)
    carries: Carries = ("alerts",)

    @model_validator(mode="after")
    def _one_address(self) -> Self:
        if (self.url is None) == (not self.url_file):
            raise ValueError("write either url, or url_file if the address itself is a secret")
        return self


class CommandChannelSettings(Strict):
    """A program of the household's own; the message comes as JSON on its standard input."""

    kind: Literal["command"]
    command: Argv
    answer_s: float = Field(default=30, gt=0, le=600)
    carries: Carries = ("alerts",)


class JournalChannelSettings(Strict):
    """This machine's own log. Always there; written down only to change what it carries."""

    kind: Literal["journal"]
    carries: Carries = ("alerts", "digest")


ChannelSettings = Annotated[
    MailChannelSettings | WebhookChannelSettings | CommandChannelSettings | JournalChannelSettings,
    Field(discriminator="kind"),
]


class AlertSettings(Strict):
    """When the household is told, and how often again."""

    repeat_days: float = Field(default=7, gt=0)
    clock_jump_s: float = Field(default=120, ge=5)
    unusual_files: int = Field(default=50, ge=1)


class DigestSettings(Strict):
    """The weekly summary. `at` is five crontab fields in the household's zone."""

    at: CrontabText = "0 7 * * 1"
    no_copy_wanted: Texts = ()


class MetricsSettings(Strict):
    """A text file in the Prometheus exposition format, for those who watch their servers."""

    file: AbsolutePath

    @model_validator(mode="after")
    def _suffix(self) -> Self:
        if not self.file.endswith(".prom"):
            raise ValueError("a file name that ends in .prom is wanted; collectors read no other")
        return self


class PageSettings(Strict):
    """The page that the service writes into a folder of the household's own web server."""

    folder: AbsolutePath


class SheetSettings(Strict):
    """What only a person knows for the recovery sheet: whom to `ask`, where the program comes from (`tool`), and where
    each far box `stands`."""

    ask: Texts = ()
    tool: str = ""
    stands: dict[Name, str] = Field(default_factory=dict)


class AlertingSettings(Strict):
    """Everything about how the household is told."""

    mail: MailSettings | None = None
    alerts: AlertSettings = AlertSettings()
    digest: DigestSettings = DigestSettings()
    metrics: MetricsSettings | None = None
    page: PageSettings | None = None
    sheet: SheetSettings = SheetSettings()
    channel: dict[Name, ChannelSettings] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _mail_has_a_server(self) -> Self:
        lost = sorted(name for name, channel in self.channel.items() if channel.kind == "mail")
        if lost and self.mail is None:
            raise ValueError(f"channel {lost[0]!r} sends mail, but no server is named; write a table [mail]")
        return self

    @property
    def channels(self) -> dict[str, ChannelSettings]:
        """The channels by name; this machine's journal is always among them."""
        if any(channel.kind == "journal" for channel in self.channel.values()):
            return dict(self.channel)
        return {**self.channel, "journal": JournalChannelSettings(kind="journal")}

    @property
    def heard_by(self) -> list[str]:
        """The channels that carry alerts to somebody; the journal alone is read by nobody."""
        return [
            name for name, channel in self.channels.items() if channel.kind != "journal" and "alerts" in channel.carries
        ]
