"""Secrets that channels need, read from files that only this account can read, at the moment of use."""

from __future__ import annotations

import ssl

from otherroof.base.errors import WrongSettings
from otherroof.base.handles import read_plain_file
from otherroof.settings.machine_checks import MAKE_SECRET, require_secret


def read_secret(path: str) -> str:
    """The secret in `path`: its first line. Raises WrongSettings if others can read it, or it is empty."""
    require_secret(path, MAKE_SECRET)
    try:
        # One line, and not the whole of whatever file was named by mistake.
        found = read_plain_file(path, 4096).partition(b"\n")[0].decode().strip()
    except (OSError, UnicodeDecodeError) as problem:
        raise WrongSettings("cannot be read as text", where=path, advice=MAKE_SECRET) from problem
    if not found:
        raise WrongSettings("is empty", where=path, advice=MAKE_SECRET)
    return found


def tls_context(ca_path: str) -> ssl.SSLContext:
    """TLS as this machine trusts it, or only the certificates in `ca_path` if that is not empty."""
    try:
        return ssl.create_default_context(cafile=ca_path or None)
    except (OSError, ssl.SSLError) as problem:
        raise WrongSettings(
            f"holds no certificate that can be read: {problem}", where=ca_path, advice="correct ca_file"
        ) from problem
