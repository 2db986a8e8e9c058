"""Makes the keys that live at home: the tunnel's, the one both tunnel ends share, and the SSH login.

Each is made on this machine, kept in a file that only its owner can read, and never made again while that file
stands, because the far box knows the other half. No key is ever printed or handed to a program as an argument.
"""

from __future__ import annotations

import base64
import os
import secrets
from collections.abc import Callable

from cryptography.exceptions import UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_ssh_private_key,
)

from otherroof.base.atomic_file import create_file, make_folder
from otherroof.base.errors import WrongSettings
from otherroof.base.handles import read_plain_file
from otherroof.settings.machine_checks import require_secret
from otherroof.settings.models import MOST_KEY
from otherroof.tunnel.keys import KEY_BYTES, decode_key, read_public_key


def new_tunnel_key() -> str:
    """A private X25519 key in base64, as `wg genkey` prints one: clamped (RFC 7748 §5), so that what the file
    holds is what the tunnel uses."""
    raw = bytearray(secrets.token_bytes(KEY_BYTES))
    # Clamping sets three bits of the first byte and one of the last to 0, and one of the last to 1.
    raw[0] &= 248
    raw[31] = (raw[31] & 127) | 64
    return base64.b64encode(bytes(raw)).decode("ascii")


def new_shared_key() -> str:
    """A key that both tunnel ends hold besides their own pairs, as `wg genpsk` prints one."""
    return base64.b64encode(secrets.token_bytes(KEY_BYTES)).decode("ascii")


def new_login_key() -> str:
    """A private Ed25519 key in OpenSSH's own format, without a passphrase: the service logs in with nobody there."""
    key = Ed25519PrivateKey.generate()
    return key.private_bytes(Encoding.PEM, PrivateFormat.OpenSSH, NoEncryption()).decode("ascii")


def login_public(private: str) -> str:
    """The public line (`ssh-ed25519 …`) of a private key in OpenSSH's format. Raises ValueError."""
    try:
        key = load_ssh_private_key(private.encode("ascii"), password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm) as problem:
        raise ValueError("not a private SSH key without a passphrase") from problem
    return key.public_key().public_bytes(Encoding.OpenSSH, PublicFormat.OpenSSH).decode("ascii")


class KeyFiles:
    """The three key files of one far box, in a folder that only its owner can look into."""

    def __init__(self, tunnel: str, shared: str, login: str) -> None:
        self.tunnel = tunnel
        self.shared = shared
        self.login = login

    def make_missing(self) -> list[str]:
        """Make the files that are not there yet; says which. Raises HomeTrouble."""
        makers = ((self.tunnel, new_tunnel_key), (self.shared, new_shared_key), (self.login, new_login_key))
        made = []
        for path, maker in makers:
            make_folder(os.path.dirname(path))
            # Made for nothing if the file stands, which costs less than asking first and being overtaken.
            if create_file(path, maker().rstrip("\n") + "\n", own=True):
                made.append(path)
        return made

    def tunnel_public(self) -> str:
        """The home's public tunnel key. Raises WrongSettings if others can read the file, or it holds no key."""
        return read_public_key(self.tunnel)

    def login_public(self) -> str:
        """The public line of the login key. Raises WrongSettings as `tunnel_public` does."""
        return _from_file(self.login, login_public)

    def shared_secret(self) -> str:
        """The shared key itself, for the kit's secret file and for checking a reply's seal. Raises WrongSettings
        as `tunnel_public` does."""
        return _from_file(self.shared, lambda text: base64.b64encode(decode_key(text)).decode("ascii"))


def _from_file(path: str, derive: Callable[[str], str]) -> str:
    try:
        return derive(read_plain_file(require_secret(path), MOST_KEY).decode("ascii").strip())
    except OSError as problem:
        raise WrongSettings(f"cannot be read: {problem.strerror}", where=path) from problem
    except ValueError as problem:
        raise WrongSettings(
            "holds no usable key",
            where=path,
            advice="put the right key back; or move the file away and pair again, which makes a new one",
        ) from problem
