"""Invented answers, plans and replies for tests of pairing. Keys are made anew for each call."""

from __future__ import annotations

import base64
from typing import Any

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from otherroof.pairing.answers import Answers, check_answers
from otherroof.pairing.keys import new_tunnel_key
from otherroof.pairing.plan import HomeKeys, InUse, PairingPlan, plan_pairing
from otherroof.pairing.reply import Reply, make_seal
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


def reply_text(reply: Reply, shared_key: str) -> str:
    """The five lines that `set-up.sh` prints."""
    return f"{reply.body()}seal {make_seal(reply.body(), shared_key)}\n"


def some_shared_key() -> str:
    """A shared key that everybody knows."""
    return base64.b64encode(bytes(range(32))).decode("ascii")
