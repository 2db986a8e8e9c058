"""Cuts content where content says so, so that a large file that changed is recognised piece by piece.

A chunk is known by a tag: Poly1305 (RFC 8439 §2.5) under a random key that never leaves home. With a secret key it
is a universal hash: two different chunks share a tag with a chance of about length / 2^103, and nobody who cannot
see tags can aim for it. It is a quarter of the cost of a digest, and the whole file's digest is taken anyway.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from itertools import pairwise

from cryptography.hazmat.primitives.poly1305 import Poly1305
from pyfastcdc import FastCDC

TAG = 16  # bytes
SMALL_AVERAGE = 64 * 1024  # for files below FINE_FROM: a photo is rarely changed in parts, and lists cost room
FINE_AVERAGE = 8 * 1024  # for large files: of scattered changes of 4 kB each, little more than they are crosses
FINE_FROM = 64 * 1024 * 1024
MOST_CHUNKS = 131_072  # about; a larger file gets larger chunks, so that its list stays in memory

_record = struct.Struct(f"<I{TAG}s")


def average_for(size: int) -> int:
    """The nominal chunk size in bytes for a file of `size` bytes: a power of two."""
    average = SMALL_AVERAGE if size < FINE_FROM else FINE_AVERAGE
    while average < 16 * 1024 * 1024 and size // average > MOST_CHUNKS:
        average *= 2
    return average


class ChunkList:
    """The chunks of one file in order: lengths and tags."""

    def __init__(self, average: int, records: bytes = b"") -> None:
        self.average = average
        self._records = bytearray(records)

    def add(self, length: int, tag: bytes) -> None:
        """One more chunk at the end."""
        self._records += _record.pack(length, tag)

    def __len__(self) -> int:
        return len(self._records) // _record.size

    def __iter__(self) -> Iterator[tuple[int, bytes]]:
        return _record.iter_unpack(self._records)

    def places(self) -> dict[bytes, tuple[int, int]]:
        """Tag → offset and length of its first chunk."""
        found: dict[bytes, tuple[int, int]] = {}
        at = 0
        for length, tag in self:
            found.setdefault(tag, (at, length))
            at += length
        return found

    def packed(self) -> bytes:
        """The list as bytes: average as 32 bits, then 20 bytes a chunk."""
        return struct.pack("<I", self.average) + bytes(self._records)

    @classmethod
    def unpack(cls, data: bytes) -> ChunkList:
        """The list that `packed` put into bytes. Raises ValueError if it is none."""
        if len(data) < 4 or (len(data) - 4) % _record.size:
            raise ValueError("not a chunk list")
        return cls(struct.unpack_from("<I", data)[0], data[4:])


class Chunker:
    """Takes a file's content in order and gives back whole chunks, as views into what it was fed."""

    def __init__(self, average: int, key: bytes) -> None:
        self._longest = average * 4
        self._cut = FastCDC(avg_size=average, min_size=average // 4, max_size=self._longest).cut_buf
        self._key = key
        self._held = b""  # the beginning of a chunk that has not come whole
        self.list = ChunkList(average)

    def feed(self, data: bytes) -> list[tuple[memoryview, bytes]]:
        """The chunks that `data` completes, each with its tag."""
        found = []
        view = memoryview(data)
        held = len(self._held)
        if held and len(data) > 2 * self._longest:
            # What was held is joined with only so much that the first end of a chunk behind it is sure to be there. A
            # chunk's end depends on nothing before its beginning, so the rest of the block is cut where it lies.
            joint = self._held + data[: 2 * self._longest]
            cuts = [chunk.offset for chunk in self._cut(joint)]
            upto = next(number for number, cut in enumerate(cuts) if cut >= held)
            found = self._tagged(memoryview(joint), cuts[: upto + 1])
            view = view[cuts[upto] - held :]
        elif held:
            view = memoryview(self._held + data)
        cuts = [chunk.offset for chunk in self._cut(view)]
        # The last cut is only the end of the buffer, not of a chunk.
        self._held = bytes(view[cuts[-1] :])
        return found + self._tagged(view, cuts)

    def finish(self) -> list[tuple[memoryview, bytes]]:
        """What is left at the end of the file."""
        held, self._held = self._held, b""
        if not held:
            return []
        cuts = [chunk.offset for chunk in self._cut(held)]
        return self._tagged(memoryview(held), [*cuts, len(held)])

    def _tagged(self, view: memoryview, cuts: list[int]) -> list[tuple[memoryview, bytes]]:
        found = []
        tag_of, key, add = Poly1305.generate_tag, self._key, self.list.add
        for start, end in pairwise(cuts):
            part = view[start:end]
            tag = tag_of(key, part)
            add(end - start, tag)
            found.append((part, tag))
        return found
