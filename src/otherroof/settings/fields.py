"""Field types that several models share, with messages that say what would be right.

Pure checks on text and numbers; whether a file exists or a zone is installed is asked elsewhere.
"""

from __future__ import annotations

import base64
import ipaddress
import re
from typing import Annotated

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from otherroof.settings.copies.names import BETWEEN
from otherroof.settings.crontab import Crontab
from otherroof.settings.windows import DayStretch, checked_limits

NAME_RULE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}\Z")
# A last part of digits alone is a mistyped IP address, never a name (RFC 1123 §2.1).
HOST_RULE = re.compile(
    r"(?!(?:.*\.)?[0-9]+\.?\Z)(?!-)[A-Za-z0-9_-]{1,63}(?<!-)(\.(?!-)[A-Za-z0-9_-]{1,63}(?<!-))*\.?\Z"
)

# RFC 5737, RFC 3849, RFC 9637: for examples only, never routed.
DOCUMENTATION_BLOCKS = tuple(
    ipaddress.ip_network(block)
    for block in ("192.0.2.0/24", "198.51.100.0/24", "203.0.113.0/24", "2001:db8::/32", "3fff::/20")
)


class Strict(BaseModel):
    """A frozen model that refuses keys it does not know."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


def is_documentation(address: str) -> bool:
    """Whether `address` is an IP address out of a documentation block (RFC 5737, 3849, 9637)."""
    try:
        parsed = ipaddress.ip_address(address)
    except ValueError:
        return False
    return any(parsed in block for block in DOCUMENTATION_BLOCKS if block.version == parsed.version)


def _name(text: str) -> str:
    if not NAME_RULE.match(text):
        raise ValueError("a name of letters, digits, - and _, at most 40, is wanted")
    return text


def _job_name(text: str) -> str:
    for part in text.split(BETWEEN, 1):
        _name(part)
    return text


def _address(text: str) -> str:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        if not HOST_RULE.match(text):
            raise ValueError(f"{text!r} is neither an IP address nor a host name") from None
    return text


def _absolute(text: str) -> str:
    if not text.startswith("/"):
        raise ValueError(f"{text!r} is not an absolute path; it must begin with /")
    if ".." in text.split("/"):
        raise ValueError("a path without .. is wanted")
    return text.rstrip("/") or "/"


def _host_key(text: str) -> str:
    words = text.split()
    try:
        blob = base64.b64decode(words[1], validate=True)
        # RFC 4253 §6.6: the key begins with its own kind, as a string after its length in four bytes. A line that was
        # cut or pasted together is noticed by this.
        size = int.from_bytes(blob[:4], "big")
        inner = blob[4 : 4 + size].decode("ascii")
    except (IndexError, ValueError):
        raise ValueError(
            "the far box's public host key is wanted, as `cat /etc/ssh/ssh_host_ed25519_key.pub` prints it there"
        ) from None
    if inner != words[0]:
        raise ValueError(f"it says {words[0]} but holds a key of kind {inner!r}; copy the whole line again")
    return f"{words[0]} {words[1]}"


def _program(argv: tuple[str, ...]) -> tuple[str, ...]:
    # Nor is a shell asked: these are words for exec, and nothing in them is expanded.
    if not argv[0].startswith("/"):
        raise ValueError(f"{argv[0]!r}: the program must be an absolute path, so that nothing else can stand in")
    return argv


def _crontab(text: str) -> str:
    return Crontab.parse(text).text


def _stretch(text: str) -> str:
    DayStretch.parse(text)
    return text


Name = Annotated[str, AfterValidator(_name)]
JobName = Annotated[str, AfterValidator(_job_name)]
Address = Annotated[str, AfterValidator(_address)]
AbsolutePath = Annotated[str, AfterValidator(_absolute)]
HostKey = Annotated[str, AfterValidator(_host_key)]
Port = Annotated[int, Field(ge=1, le=65535)]
Percent = Annotated[float, Field(ge=0, le=100)]
CrontabText = Annotated[str, AfterValidator(_crontab)]
StretchText = Annotated[str, AfterValidator(_stretch)]
LimitMbit = Annotated[float, Field(ge=0)]
HourlyLimits = Annotated[dict[StretchText, LimitMbit], AfterValidator(checked_limits)]
Texts = Annotated[tuple[str, ...], Field(strict=False)]
Argv = Annotated[tuple[str, ...], Field(min_length=1, strict=False), AfterValidator(_program)]
