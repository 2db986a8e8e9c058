"""Recognises this home's own secrets by their content, whatever name or place a file has that holds one.

Pure. It must not know which files they come from: what they are called is only for telling people.
"""

from __future__ import annotations

from collections.abc import Iterable

LOOKED_INTO = 16 * 1024  # bytes; a key, a copy of one or a file that quotes one is not larger
LEAST = 20  # characters; a shorter secret may stand by chance in a file that has nothing to do with it


class OwnSecrets:
    """The secrets by the lines that make them what they are; `contents` are pairs of name and the file's content."""

    def __init__(self, contents: Iterable[tuple[str, bytes]] = ()) -> None:
        self._lines: list[tuple[bytes, str]] = []
        self._short: dict[bytes, str] = {}
        for name, content in contents:
            lines = _telling_lines(content)
            self._lines += [(line, name) for line in lines]
            if not lines and content.strip():
                self._short[content.strip()] = name

    def found_in(self, data: bytes) -> str:
        """The name of the secret that this content is or holds; empty if there is none."""
        if len(data) > LOOKED_INTO:
            return ""
        for line, name in self._lines:
            if line in data:
                return name
        return self._short.get(data.strip(), "") if self._short else ""


def _telling_lines(content: bytes) -> list[bytes]:
    """The lines by which a secret is recognised. Of a private key in PEM (RFC 7468) one near its end: the first ones
    are alike in all keys, or hold the public half."""
    lines = [line for raw in content.splitlines() if (line := raw.strip())]
    if lines and lines[0].startswith(b"-----BEGIN ") and b"PRIVATE KEY" in lines[0]:
        body = [line for line in lines[1:] if not line.startswith(b"-----")]
        return [max(body[-2:], key=len)] if body else []
    return [line for line in lines if len(line) >= LEAST and not line.startswith(b"#")]
