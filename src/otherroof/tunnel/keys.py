"""What can be told of a tunnel key without showing it: whether its file holds one, and its public half."""

from __future__ import annotations

import base64
import binascii

from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey

from otherroof.base.errors import WrongSettings
from otherroof.base.handles import read_plain_file
from otherroof.settings.machine_checks import SHARED_KEY_ADVICE, TUNNEL_KEY_ADVICE, require_secret

KEY_BYTES = 32


def decode_key(text: str) -> bytes:
    """The 32 bytes of a key in base64, as `wg` writes keys. Raises ValueError, without the key in its text."""
    try:
        raw = base64.b64decode(text.strip(), validate=True)
    except (binascii.Error, ValueError):
        raise ValueError("not base64") from None
    # Any 32 bytes are a key: X25519 clamps a private one itself (RFC 7748 §5).
    if len(raw) != KEY_BYTES:
        raise ValueError(f"{len(raw)} bytes instead of {KEY_BYTES}")
    return raw


def tunnel_public(private: str) -> str:
    """The public half of a tunnel key, both in base64 (X25519, RFC 7748 §6.1). Raises ValueError."""
    public = X25519PrivateKey.from_private_bytes(decode_key(private)).public_key()
    return base64.b64encode(public.public_bytes_raw()).decode("ascii")


def read_public_key(path: str) -> str:
    """The public half of the private key in file `path`. Raises WrongSettings if others could read the file, or it
    holds no key."""
    try:
        return tunnel_public(_secret_text(path, TUNNEL_KEY_ADVICE))
    except ValueError as problem:
        raise _no_key(path, problem) from None


def require_shared(path: str) -> None:
    """Raises WrongSettings unless file `path` is readable by its owner alone and holds a key."""
    try:
        decode_key(_secret_text(path, SHARED_KEY_ADVICE))
    except ValueError as problem:
        raise _no_key(path, problem) from None


def _secret_text(path: str, make: str) -> str:
    require_secret(path, make)
    try:
        # More than any key has: a wrong path to a large file is not read whole.
        return read_plain_file(path, 200).decode("ascii")
    except UnicodeDecodeError:
        raise ValueError("not text") from None
    except OSError as problem:
        raise WrongSettings(f"cannot be read: {problem.strerror}", where=path) from problem


def _no_key(path: str, problem: ValueError) -> WrongSettings:
    return WrongSettings(
        f"does not hold a tunnel key ({problem})", where=path, advice="a key as `wg genkey` prints it is wanted"
    )
