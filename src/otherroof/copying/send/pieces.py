"""Turns a large file's content into pieces to be written: as it is, or chunk by chunk against an older version.

Pure: bytes and chunks in, pieces out, in the order of the file. It knows neither disk nor far box.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

from otherroof.copying.home.chunks import ChunkList
from otherroof.far.requests import ContentPiece, CopyPiece, DataPiece

LONGEST_COPY = 16 * 1024 * 1024  # bytes copied by one request, so that its answer comes in time


def length_of(piece: ContentPiece) -> int:
    return len(piece.data) if isinstance(piece, DataPiece) else piece.length


class PieceMaker:
    """Pieces of at most `most` bytes, against the chunks of an `old` version; what lies in `holes` is not written."""

    def __init__(self, most: int, old: ChunkList | None, holes: tuple[tuple[int, int], ...]) -> None:
        self._most = most
        self._places = old.places() if old is not None else None
        self._holes = deque(holes)
        self._last_hole = sum(holes[-1]) if holes else 0
        self._offset = 0  # of what is gathered
        self._gathered: list[memoryview] = []
        self._size = 0
        self._copy: CopyPiece | None = None
        self._at = 0  # of the next chunk
        self._end_of_file = 0

    def take(self, offset: int, data: bytes, chunks: list[tuple[memoryview, bytes]]) -> Iterator[ContentPiece]:
        """Pieces out of a block of content and the chunks that it completed."""
        self._end_of_file = offset + len(data)
        if self._places is not None:
            yield from self._by_chunks(chunks, self._places)
            return
        view = memoryview(data)
        for start in range(0, len(data), self._most):
            part = view[start : start + self._most]
            if not self._in_hole(offset + start, len(part)):
                yield DataPiece(offset + start, part)

    def end(self, chunks: list[tuple[memoryview, bytes]]) -> Iterator[ContentPiece]:
        """The last pieces. A hole at the end becomes one byte there, so that the size is right."""
        # Holes are not written: an offset that is skipped reads as zeros over there too (POSIX write). Only the last
        # byte of a hole at the end must be there.
        last_hole = self._last_hole
        if self._places is not None:
            yield from self._by_chunks(chunks, self._places)
            yield from self._give_data()
            yield from self._give_copy()
        if last_hole and last_hole == self._end_of_file:
            yield DataPiece(self._end_of_file - 1, b"\0")

    def _by_chunks(
        self, chunks: list[tuple[memoryview, bytes]], places: dict[bytes, tuple[int, int]]
    ) -> Iterator[ContentPiece]:
        for view, tag in chunks:
            at, length = self._at, len(view)
            self._at += length
            known = places.get(tag)
            if self._in_hole(at, length):
                continue
            # The tag is as good as the bytes (see `chunks`), the length is one more check that costs nothing. Data
            # before a copy goes out first, so that pieces stay in the order of the file.
            if known is not None and known[1] == length:
                yield from self._give_data()
                yield from self._grow_copy(at, known[0], length)
            else:
                yield from self._give_copy()
                yield from self._gather(at, view)

    def _grow_copy(self, at: int, source: int, length: int) -> Iterator[ContentPiece]:
        # Neighbours that were neighbours in the old version too become one copy: an unchanged gigabyte is 64 requests,
        # not a hundred thousand.
        copy = self._copy
        if copy is not None:
            follows = copy.offset + copy.length == at and copy.source_offset + copy.length == source
            if follows and copy.length + length <= LONGEST_COPY:
                self._copy = CopyPiece(copy.offset, copy.source_offset, copy.length + length)
                return
            yield copy
        self._copy = CopyPiece(at, source, length)

    def _gather(self, at: int, view: memoryview) -> Iterator[ContentPiece]:
        if self._gathered and self._offset + self._size != at:
            yield from self._give_data()
        if not self._gathered:
            self._offset = at
        self._gathered.append(view)
        self._size += len(view)
        while self._size >= self._most:
            # What is left over begins the next piece, as a view on the same bytes.
            whole = b"".join(self._gathered)
            yield DataPiece(self._offset, whole[: self._most])
            self._offset += self._most
            self._gathered = [memoryview(whole)[self._most :]]
            self._size -= self._most

    def _give_data(self) -> Iterator[ContentPiece]:
        if self._size:
            yield DataPiece(self._offset, b"".join(self._gathered))
        self._gathered = []
        self._size = 0

    def _give_copy(self) -> Iterator[ContentPiece]:
        if self._copy is not None:
            yield self._copy
            self._copy = None

    def _in_hole(self, at: int, length: int) -> bool:
        """Whether this range lies inside a hole; asked in ascending order."""
        # A range that a hole covers in part is written whole: zeros are right there too.
        while self._holes and sum(self._holes[0]) <= at:
            self._holes.popleft()
        if not self._holes:
            return False
        start, size = self._holes[0]
        return start <= at and at + length <= start + size
