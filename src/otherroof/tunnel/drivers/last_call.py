"""Remembers where the far box last called from, so that home can call back there when its tunnel comes up.

The far box does not notice that home's interface was gone: it goes on with its old session, of which the new interface
knows nothing, and shakes hands again only after up to 145 s (WireGuard paper §6.1: 120, and 25 for its
keepalive). What is remembered may be out of date; then nobody answers there, and the far box's own call is waited for.
"""

from __future__ import annotations

import ipaddress

from otherroof.tunnel.marks import read_text, write_text


class LastCallAddress:
    """Address and port as `wg` writes them, in a small file that outlives a restart of the machine."""

    def __init__(self, path: str) -> None:
        self._path = path
        self._known: str | None = None

    def last(self) -> str:
        """Where it last called from; empty if nothing usable is remembered. Raises HomeTrouble."""
        if self._known is None:
            text = read_text(self._path).strip()
            self._known = text if _is_endpoint(text) else ""
        return self._known

    def remember(self, endpoint: str) -> None:
        """It called from `endpoint`. Writes only what is new. Raises HomeTrouble."""
        # This is asked with every look, several times a minute; an SD card wears with each write.
        if endpoint != self.last():
            write_text(self._path, f"{endpoint}\n")
            self._known = endpoint


def _is_endpoint(text: str) -> bool:
    address, colon, port = text.rpartition(":")
    try:
        # Checked, since it becomes a word for `wg`: a file that was cut in a crash must not break the tunnel.
        ipaddress.ip_address(address.strip("[]"))
    except ValueError:
        return False
    return bool(colon) and port.isdecimal() and 0 < int(port) < 65536
