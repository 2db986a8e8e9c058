"""Files too large for one night, proved in parts: each part is compared with the same part of the file here.

What a listing says of a file is one digest of all of it, which a part cannot be held against; but as long as this home
has the file as it was, by size and time, it has every part of it. A part that differs makes damage only if the file
here has the digest that is listed. It decides nothing about which parts are read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from typing import Protocol

from otherroof.base.errors import PlaceError, RunCut
from otherroof.far.place import Task
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.reader import Reader
from otherroof.restore.proving.read_back import MOST_UNDER_WAY, ContentDigest, ReadingContext

# Of a fixed length, so that a part is the same one whatever a night allows, and fits one of 20 MB.
PART = 16 * 1024 * 1024


class HomeContent(Protocol):
    """The job's folder as it is now."""

    def same(self, entry: Entry) -> bool:
        """Whether its file at that path has the size and time that are listed."""

    def digest(self, entry: Entry, offset: int, length: int) -> bytes | None:
        """The digest of a part of that file; None if it cannot be read, or is no more the same."""

    def is_whole(self, entry: Entry) -> bool:
        """Whether that file has the very content that is listed; reads all of it."""


@dataclass(frozen=True, slots=True)
class FilePart:
    """`length` bytes from `offset` on of the far file `name`."""

    entry: Entry
    name: bytes
    offset: int
    length: int

    @property
    def memory_name(self) -> bytes:
        """As what it is remembered: a part of this content."""
        return b"%s\0%s\0%d" % (self.name, self.entry.digest or b"", self.offset)


def parts_of(entry: Entry, name: bytes) -> list[FilePart]:
    """All parts of a file, in order."""
    return [FilePart(entry, name, at, min(PART, entry.size - at)) for at in range(0, entry.size, PART)]


def last_day(day: Callable[[bytes], int], entry: Entry, name: bytes) -> int:
    """When a file was proved last, as a whole or in all its parts: the day of the oldest part. 0: never."""
    whole = day(name)
    if entry.size <= PART:
        return whole
    return max(whole, min(day(part.memory_name) for part in parts_of(entry, name)))


def read_parts(
    reader: Reader,
    context: ReadingContext,
    home: HomeContent,
    parts: list[FilePart],
    whole: Callable[[FilePart], None],
) -> list[tuple[FilePart, str]]:
    """Read these; `whole` hears of each that is as it is here. Answers the others with what is wrong.

    Nothing is said of one that this home lost meanwhile, or that was not read. Raises LinkLost if the way broke.
    """

    def tasks() -> Iterator[Task[tuple[FilePart, ContentDigest], None]]:
        for part in parts:
            if context.stop.asked() or context.budget.is_over():
                return
            context.progress.path = part.entry.path
            sink = ContentDigest(context.stop)
            script = reader.read_range(part.entry, part.offset, part.length, sink)
            yield Task((part, sink), script, min(part.length, MOST_UNDER_WAY))

    others = []
    with closing(reader.place.carry_out(tasks(), context.tick)) as results:
        for result in results:
            part, sink = result.key
            if isinstance(result.error, RunCut):
                continue
            if isinstance(result.error, PlaceError):
                others.append((part, f"cannot be had from the far box: {result.error.what}"))
            elif result.error is not None:
                raise result.error
            elif (wanted := home.digest(part.entry, part.offset, part.length)) == sink.digest():
                whole(part)
            elif wanted is not None:
                others.append((part, _other(part)))
    return others


def _other(part: FilePart) -> str:
    return f"its content from byte {part.offset} to {part.offset + part.length} is not that of the file here"
