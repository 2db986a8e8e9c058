"""Where the content of a version's files is fetched from: its own far copy, or a version of another copy of the folder
that holds the same content.

Digests decide what is the same, whatever it is called there. It must not know which copies there are.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Sequence
from typing import Protocol

from otherroof.base.errors import Damaged, FarTrouble, OtherroofError, Unreached
from otherroof.far.place import Place
from otherroof.far.requests import Script, Sink
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.reader import Reader

# What bars one copy, and perhaps no other.
BARS_A_SOURCE = (Unreached, Damaged, FarTrouble)


class ContentSource(Protocol):
    """What a restore asks for content; see Reader, which is one."""

    place: Place

    def look_again(self) -> bool: ...

    def read_whole(self, entry: Entry) -> Script[bytes]: ...

    def read_range(self, entry: Entry, offset: int, length: int, sink: Sink) -> Script[None]: ...


class OtherVersion:
    """A version of another `copy`, as a source of content for entries of the version that is restored. See Reader."""

    def __init__(self, reader: Reader, copy: str, lost: Iterable[Entry]) -> None:
        self.place = reader.place
        self.copy = copy
        self._reader = reader
        wanted = {(entry.digest, entry.size) for entry in lost}
        # A further name of a file has no content of its own.
        self._there = {
            (entry.digest, entry.size): entry
            for entry in reader.entries()
            if entry.kind == "file" and not entry.first and (entry.digest, entry.size) in wanted
        }

    def has(self, entry: Entry) -> bool:
        """Whether it says that it holds this entry's content."""
        return (entry.digest, entry.size) in self._there

    def look_again(self) -> bool:
        """See Reader."""
        return self._reader.look_again()

    def read_whole(self, entry: Entry) -> Script[bytes]:
        """See Reader."""
        return self._reader.read_whole(self._there[entry.digest, entry.size])

    def read_range(self, entry: Entry, offset: int, length: int, sink: Sink) -> Script[None]:
        """See Reader."""
        return self._reader.read_range(self._there[entry.digest, entry.size], offset, length, sink)


# For entries that were lost: sources that may have some of them, one after the other. Each is good until the next. What
# ended the work with one of them is thrown in, so that nothing more is asked of that copy.
OtherSources = Callable[[Sequence[Entry]], Generator[OtherVersion, None, None]]


def source_after(
    sources: Generator[OtherVersion, None, None], trouble: OtherroofError | None = None
) -> OtherVersion | None:
    """The next of these sources, after `trouble` with the one before it if there was any; None if there is no more.
    Raises what bars more than one copy."""
    try:
        return next(sources) if trouble is None else sources.throw(trouble)
    except StopIteration:
        return None


def no_others(_: Sequence[Entry]) -> Generator[OtherVersion, None, None]:
    """There is no other copy."""
    yield from ()
