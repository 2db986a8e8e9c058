"""Writes content that comes back into an open local file, in ranges side by side, and keeps its holes.

Knows nothing of the far copy or of the folder that is restored into; whether the content is right, its digest says.
"""

from __future__ import annotations

import os

from otherroof.base.errors import HomeTrouble
from otherroof.copying.home.read import blocks_of, new_digest

# Twice what a channel keeps under way (`streams.WINDOW`), so that it does not run dry between two ranges, and small
# enough that a file of 100 MB goes over all connections.
RANGE = 8 * 1024 * 1024  # bytes in one task
BLOCK = 1024 * 1024
FULL_ADVICE = "make room and go on with --if-there keep; what was restored so far is whole"


def ranges_of(size: int, holes: tuple[tuple[int, int], ...]) -> list[tuple[int, int]]:
    """(offset, length) of what must be fetched of a file: all but its holes, in handy ranges."""
    found = []
    at = 0
    # The end of the file counts as one more hole, so that what lies behind the last real one is not forgotten.
    for start, length in (*holes, (size, 0)):
        while at < start:
            step = min(RANGE, start - at)
            found.append((at, step))
            at += step
        at = max(at, start + length)
    return found


class RangeSink:
    """Writes a range of a file as it comes."""

    def __init__(self, handle: int, offset: int) -> None:
        self._handle = handle
        self._at = offset

    def take(self, data: bytes) -> None:
        """More bytes, in order. Raises HomeTrouble if this disk cannot take them."""
        try:
            _write_all(self._handle, memoryview(data), self._at)
        except OSError as problem:
            raise HomeTrouble(
                f"cannot be written: {problem.strerror}",
                where="the folder that is restored into",
                advice=FULL_ADVICE,
            ) from problem
        self._at += len(data)


def write_with_holes(handle: int, at: int, data: bytes, holes: tuple[tuple[int, int], ...]) -> None:
    """Write `data` at `at` except where `holes` say that nothing is allocated."""
    end = at + len(data)
    view = memoryview(data)
    next_byte = at
    # Holes are in ascending order and do not overlap, and may begin before `data` or end after it.
    for start, size in holes:
        if start + size <= next_byte:
            continue
        if start >= end:
            break
        if start > next_byte:
            _write_all(handle, view[next_byte - at : start - at], next_byte)
        next_byte = min(end, start + size)
    if next_byte < end:
        _write_all(handle, view[next_byte - at :], next_byte)


def _write_all(handle: int, data: memoryview, at: int) -> None:
    while data:
        # May write less than it was given, and leaves the file's offset alone: several threads write to one handle.
        count = os.pwrite(handle, data, at)
        data = data[count:]
        at += count


def digest_of_handle(handle: int) -> bytes:
    """The digest of an open local file, from its beginning to where it ends now."""
    digest = new_digest()
    os.lseek(handle, 0, os.SEEK_SET)
    for _, data in blocks_of(handle, os.fstat(handle).st_size, BLOCK):
        digest.update(data)
    return digest.digest()
