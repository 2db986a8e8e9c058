"""What is learnt of a large file while it is read once: its digest and its chunks, beside the blocks themselves.

Here it is done in the thread that reads. `reading_process` does the same in a process of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

from otherroof.copying.home.chunks import Chunker, ChunkList
from otherroof.copying.home.read import blocks_of, new_digest

# Each with its tag, as views into blocks.
TaggedChunks = list[tuple[memoryview, bytes]]


class Measured(Protocol):
    """One reading of an open file. `digest` and `chunks` are there, and whole, when `blocks` has ended."""

    digest: bytes
    chunks: ChunkList
    last_chunks: TaggedChunks

    def blocks(self) -> Iterator[tuple[int, bytes, TaggedChunks]]:
        """Offset, bytes, and the chunks that end in them if they are known yet. Raises OSError."""


class MeasuredHere:
    """See Measured. Of the first `size` bytes, in blocks of at most `most`, cut into chunks of `average` bytes."""

    def __init__(self, handle: int, size: int, most: int, average: int, key: bytes) -> None:
        self._handle, self._size, self._most = handle, size, most
        self._chunker = Chunker(average, key)
        self.digest = b""
        self.chunks = self._chunker.list
        self.last_chunks: TaggedChunks = []

    def blocks(self) -> Iterator[tuple[int, bytes, TaggedChunks]]:
        """See Measured."""
        digest = new_digest()
        for offset, data in blocks_of(self._handle, self._size, self._most):
            digest.update(data)
            yield offset, data, self._chunker.feed(data)
        self.last_chunks = self._chunker.finish()
        self.digest = digest.digest()
