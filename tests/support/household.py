"""An invented household's settings folder, for tests that need settings and no network."""

from __future__ import annotations

import base64
import os
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat

MAIN = """
[home]
name = "larch"
zone = "America/St_Johns"

[far.heron]
address = "10.77.0.2"
account = "copykeeper"
login_key = "keys/heron"
host_key = "{host_key}"
base = "/srv/otherroof"
"""

JOB = """
folder = "{folder}"
far = "{far}"
at = "30 1 * * *"
"""


def host_key(number: int = 0) -> str:
    """A well-formed public key that belongs to no machine; by each number another one."""
    kind = b"ssh-ed25519"
    blob = len(kind).to_bytes(4, "big") + kind + (32).to_bytes(4, "big") + bytes([number]) * 32
    return f"ssh-ed25519 {base64.b64encode(blob).decode()}"


def login_key() -> str:
    """A private key that lets nobody in anywhere."""
    made = Ed25519PrivateKey.generate()
    return made.private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, NoEncryption()).decode()


def write_household(where: Path, *, more: str = "", jobs: dict[str, str] | None = None) -> str:
    """Write settings into `where`: far box heron, and `jobs` (name → further lines), each with a folder of its own."""
    (where / "keys").mkdir(parents=True, exist_ok=True)
    (where / "jobs").mkdir(exist_ok=True)
    (where / "otherroof.toml").write_text(MAIN.format(host_key=host_key()) + more)
    secret(where / "keys" / "heron", login_key())
    for name, lines in ({"photos": ""} if jobs is None else jobs).items():
        folder = where / "family" / name
        folder.mkdir(parents=True, exist_ok=True)
        (where / "jobs" / f"{name}.toml").write_text(JOB.format(folder=folder, far="heron") + lines)
    return str(where)


def secret(path: Path, text: str) -> Path:
    """Write `text` into a file that only its owner can read."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    os.chmod(path, 0o600)
    return path
