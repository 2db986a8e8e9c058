"""The key that listings are authenticated with: made once, held at home, kept with the settings.

From it comes the home's id, so that a new machine with the old keys is the same home to the far box.
"""

from __future__ import annotations

import hashlib
import os
import secrets
from dataclasses import dataclass

from otherroof.base.atomic_file import create_file, make_folder
from otherroof.base.errors import WrongSettings
from otherroof.base.handles import read_plain_file
from otherroof.settings.machine_checks import require_secret

KEY_SIZE = 32  # bytes
MOST_KEY = 200  # more than its text has: a wrong path to a large file is not read whole
KEPT_ADVICE = (
    "put back the file you kept: without it no copy can be proved; only before the first copy there is none yet, and "
    "`otherroof run` makes it"
)


@dataclass(frozen=True, slots=True, repr=False)
class ListingKey:
    """32 secret bytes. Never shown."""

    secret: bytes

    def mac(self) -> hashlib.blake2b:
        """A fresh keyed BLAKE2b (RFC 7693 §2.9) for one listing."""
        # `person` sets the uses of the key apart: the home's id, which anybody over there can read, tells nothing about
        # a digest.
        return hashlib.blake2b(key=self.secret, digest_size=32, person=b"otherroof-list")

    def proof_of_note(self, text: bytes) -> str:
        """Proves a short note of this home's at the far end: BLAKE2b of 16 bytes in hexadecimal, keyed."""
        return hashlib.blake2b(text, key=self.secret, digest_size=16, person=b"otherroof-note").hexdigest()

    def index_mac(self) -> hashlib.blake2b:
        """A fresh keyed BLAKE2b for what home keeps of listings that it has proved."""
        return hashlib.blake2b(key=self.secret, digest_size=32, person=b"otherroof-index")

    @property
    def home_id(self) -> str:
        """The home's id: it says nothing about the key."""
        return hashlib.blake2b(b"home", key=self.secret, digest_size=8, person=b"otherroof-home").hexdigest()


def read_key(path: str) -> ListingKey:
    """The key in the file at `path`. Raises WrongSettings if it is no key or others can read it."""
    require_secret(path, KEPT_ADVICE)
    try:
        secret = bytes.fromhex(read_plain_file(path, MOST_KEY).decode("ascii").strip())
    except (OSError, ValueError, UnicodeDecodeError) as problem:
        raise WrongSettings("cannot be read as a listing key", where=path, advice=KEPT_ADVICE) from problem
    if len(secret) != KEY_SIZE:
        raise WrongSettings("is not a listing key of 32 bytes", where=path, advice=KEPT_ADVICE)
    return ListingKey(secret)


def read_or_make_key(path: str) -> tuple[ListingKey, bool]:
    """The key at `path`, made if there is none; and whether it was made now."""
    if os.path.exists(path):
        return read_key(path), False
    advice = "let this account write there once, or name another file as listing_key under [home]"
    make_folder(os.path.dirname(path), advice=advice)
    made = create_file(path, secrets.token_hex(KEY_SIZE) + "\n", what="the listing key", advice=advice, own=True)
    return read_key(path), made  # if another process was quicker, its key counts
