"""Finds far files that no version needs, among a million: names are remembered by eight bytes each. Pure."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from collections.abc import Iterable
from hashlib import blake2b


class NamesSeen:
    """Names that some version needs. Two of a million share their eight bytes with a chance of one in 37 million."""

    def __init__(self) -> None:
        self._keys = array("Q")
        self._sorted = True

    def add(self, names: Iterable[bytes]) -> None:
        """These are needed."""
        for name in names:
            self._keys.append(_key(name))
        self._sorted = False

    def has(self, name: bytes) -> bool:
        """Whether this one is."""
        if not self._sorted:
            self._keys, self._sorted = array("Q", sorted(self._keys)), True
        key = _key(name)
        at = bisect_left(self._keys, key)
        return at < len(self._keys) and self._keys[at] == key


def _key(name: bytes) -> int:
    return int.from_bytes(blake2b(name, digest_size=8, person=b"otherroof-seen").digest(), "big")
