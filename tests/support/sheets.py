"""A household whose recovery sheet can be made: with a tunnel, all keys, and what its sheet says taken apart."""

from __future__ import annotations

import base64
import re
import secrets
from pathlib import Path

from support.household import secret, write_household

TUNNEL = """
[far.heron.tunnel]
kind = "wireguard"
role = "answer"
own_address = "10.77.0.1/24"
own_name = "larch.example.net"
key_file = "keys/heron-tunnel.key"
shared_key_file = "keys/heron-shared.key"
far_key = "{far_key}"
reach = ["10.77.0.0/24"]
"""
KEYS = ("keys/listing.key", "keys/heron", "keys/heron-tunnel.key", "keys/heron-shared.key")
LETTERS = re.compile(r" *\d+\. [A-Z2-7]{5}-[A-Z2-7]{5}\b.*")


def wg_key() -> str:
    """A key as `wg genkey` prints one."""
    return base64.b64encode(secrets.token_bytes(32)).decode()


def write_tunnelled_household(where: Path, *, more: str = "", jobs: dict[str, str] | None = None) -> str:
    """Settings with a tunnel and every key a new machine needs; far box heron, as `write_household` has it."""
    config = write_household(where, more=TUNNEL.format(far_key=wg_key()) + more, jobs=jobs)
    secret(where / "keys" / "listing.key", secrets.token_hex(32) + "\n")
    secret(where / "keys" / "heron-tunnel.key", wg_key() + "\n")
    secret(where / "keys" / "heron-shared.key", wg_key() + "\n")
    return config


def letters_of(sheet: str) -> str:
    """The lines of letters of a sheet, as somebody would type them."""
    return "".join(f"{line.strip()}\n" for line in sheet.splitlines() if LETTERS.match(line))


def commands_of(sheet: str) -> list[str]:
    """The commands of a sheet, in its order."""
    return [line.strip() for line in sheet.splitlines() if line.startswith("        sudo ")]
