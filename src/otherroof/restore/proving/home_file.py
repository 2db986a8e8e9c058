"""Finds in the folder at home the very content that a damaged far file should have, and gives it out piece by piece."""

from __future__ import annotations

import os
from collections.abc import Iterable

from otherroof.base.errors import HomeTrouble
from otherroof.copying.home.read import ChangedWhileRead, SourceFolder, new_digest
from otherroof.far.requests import DataPiece, NotYet, Piece
from otherroof.far_copy.entry import Entry, path_text

READ_AT_ONCE = 1 << 20


def home_path(source: SourceFolder, entry: Entry, others: Iterable[bytes]) -> bytes | None:
    """Where this home has the content of `entry` now, at its own path or one of `others`; None if nowhere."""
    for path in dict.fromkeys([entry.path, *others]):
        try:
            # By size first: it tells most without reading.
            if source.describe_file(path)[0].size == entry.size and source.digest(path)[1].digest == entry.digest:
                return path
        except HomeTrouble:
            continue
    return None


class HomeFolder:
    """See HomeContent: the job's folder, file by file."""

    def __init__(self, source: SourceFolder) -> None:
        self._source = source

    def same(self, entry: Entry) -> bool:
        """See HomeContent."""
        try:
            found, _ = self._source.describe_file(entry.path)
        except HomeTrouble:
            return False
        return (found.size, found.mtime_ns) == (entry.size, entry.mtime_ns)

    def digest(self, entry: Entry, offset: int, length: int) -> bytes | None:
        """See HomeContent."""
        try:
            handle = self._source.open(entry.path)
        except HomeTrouble:
            return None
        digest = new_digest()
        try:
            while length:
                data = os.pread(handle, min(length, READ_AT_ONCE), offset)
                if not data:
                    return None
                digest.update(data)
                offset, length = offset + len(data), length - len(data)
        except OSError:
            return None
        finally:
            os.close(handle)
        return digest.digest() if self.same(entry) else None

    def is_whole(self, entry: Entry) -> bool:
        """See HomeContent."""
        return home_path(self._source, entry, ()) is not None


class HomeFile:
    """The pieces of the file at `path`, which must turn out to be the content of `entry`. One channel takes them."""

    def __init__(self, source: SourceFolder, path: bytes, entry: Entry, most: int) -> None:
        self._handle = source.open(path)
        self._path = path
        self._entry = entry
        self._most = most
        self._offset = 0
        self._digest = new_digest()

    def take(self, *, wait: bool) -> Piece | NotYet | None:
        """See PieceSource. Raises ChangedWhileRead with the last piece, so that nothing else takes a place."""
        try:
            data = os.pread(self._handle, self._most, self._offset)
        except OSError as problem:
            raise HomeTrouble(f"cannot be read: {problem.strerror}", where=path_text(self._path)) from problem
        if not data:
            if self._digest.digest() != self._entry.digest:
                raise ChangedWhileRead("changed while it was read", where=path_text(self._path))
            return None
        self._digest.update(data)
        piece = DataPiece(self._offset, data)
        self._offset += len(data)
        if self._offset > self._entry.size:
            raise ChangedWhileRead("changed while it was read", where=path_text(self._path))
        return piece

    def landed(self, piece: Piece) -> None:
        """See PieceSource; nobody asks."""

    def refused(self, piece: Piece) -> None:
        """See PieceSource; the stream's own failure tells it."""

    def close(self) -> None:
        """Let go of the file."""
        os.close(self._handle)
