"""Invented answers, plans and replies for tests of pairing. Keys are made anew for each call."""

from __future__ import annotations

import base64
import hashlib
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from otherroof.pairing.answers import Answers, check_answers
from otherroof.pairing.keys import new_tunnel_key
from otherroof.pairing.plan import HomeKeys, InUse, PairingPlan, plan_pairing
from otherroof.pairing.reply import Reply
from otherroof.tunnel.keys import tunnel_public

HOME, FAR = "larch", "heron"
ANSWERS: dict[str, Any] = {
    "home": HOME,
    "zone": "America/St_Johns",
    "own_name": "larch.example.net",
    "home_lan": ["192.168.71.0/24"],
    "far_lan": ["192.168.88.0/24"],
    "contact": "Ruth O'Dell, 555 0134",
}


def some_answers(**other: Any) -> Answers:
    """Sound answers, with `other` in place of what stands there."""
    return check_answers({**ANSWERS, **other}, where="answers", first_box=False)


def some_host_key() -> str:
    """A public host key line."""
    key = Ed25519PrivateKey.generate().public_key()
    return key.public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH).decode("ascii")


def some_tunnel_key() -> str:
    """A public tunnel key."""
    return tunnel_public(new_tunnel_key())


def some_plan(taken: InUse | None = None, **other: Any) -> PairingPlan:
    """A plan between the two invented houses."""
    keys = HomeKeys(some_tunnel_key(), some_host_key())
    return plan_pairing(FAR, HOME, some_answers(**other), keys, taken or InUse())


def some_reply(kit: str) -> Reply:
    """What a far box set up from `kit` would answer."""
    return Reply(kit, some_host_key(), some_tunnel_key())


def seal_of(body: str, shared_key: str) -> str:
    """The seal as its description has it, written apart from the one that home makes."""
    inner = hashlib.sha256(f"{shared_key}\n{body}".encode()).hexdigest()
    outer = hashlib.sha256(f"{shared_key}\n{inner}\n".encode()).hexdigest()
    return f"{outer[:4]}-{outer[4:8]}-{outer[8:12]}-{outer[12:16]}-{outer[16:20]}"


def reply_text(reply: Reply, shared_key: str) -> str:
    """The five lines that `set-up.sh` prints."""
    body = f"otherroof reply 1\nkit {reply.kit}\nhost-key {reply.host_key}\ntunnel-key {reply.tunnel_key}\n"
    return f"{body}seal {seal_of(body, shared_key)}\n"


def some_shared_key() -> str:
    """A shared key that everybody knows."""
    return base64.b64encode(bytes(range(32))).decode("ascii")
