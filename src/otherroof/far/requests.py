"""What can be asked of a place, as values; a script is a generator that yields them and is sent the answers.

Scripts hold the knowledge of what to do in which order and import no network module; a place carries many of
them out at once, with as many requests in flight as the way allows. Paths are bytes, relative to the place.
"""

from __future__ import annotations

import enum
from collections.abc import Generator, Sequence
from dataclasses import dataclass
from typing import Any, Protocol, TypeVar

LEAST = 32_768  # bytes; the longest read or write that every server takes
# What is reckoned with and kept (SQLite, times) has 63 bits. Network file systems that cannot tell their size do say
# 2⁶⁴ bytes, so a number above it is no mistake: it is cut.
LARGEST = (1 << 63) - 1

T = TypeVar("T")

Handle = Any  # opaque: each place has its own


class Mode(enum.IntFlag):
    """How a file is opened; the values are those of SFTP version 3 (draft-ietf-secsh-filexfer-02 §6.3)."""

    READ = 0x01
    WRITE = 0x02
    CREATE = 0x08
    EMPTY = 0x10
    ONLY_NEW = 0x20


@dataclass(frozen=True, slots=True)
class Attrs:
    """What a place says of an entry. Times are whole seconds, as SFTP version 3 carries them."""

    size: int
    mode: int
    mtime: int


@dataclass(frozen=True, slots=True)
class Space:
    """Room in a place: bytes in all and free to this account, entries (inodes) in all and free; whether it is shut.

    No number is above LARGEST.
    """

    total: int
    free: int
    files: int
    files_free: int
    read_only: bool = False

    def __post_init__(self) -> None:
        for name in ("total", "free", "files", "files_free"):
            object.__setattr__(self, name, min(getattr(self, name), LARGEST))


# Not frozen: a million of them are made in a copy, and a frozen one costs three times as much to make.


@dataclass(slots=True)
class OpenFile:
    """Answers a handle."""

    path: bytes
    mode: Mode
    permissions: int = 0o600


@dataclass(slots=True)
class Write:
    """Writes all of `data` at `offset`; at most the place's `max_write` bytes."""

    handle: Handle
    offset: int
    data: bytes | memoryview


@dataclass(slots=True)
class Read:
    """Answers up to `size` bytes from `offset`; none at the end of the file."""

    handle: Handle
    offset: int
    size: int


@dataclass(slots=True)
class SetProperties:
    """Sets an open file's size, permissions and times, each if given."""

    handle: Handle
    size: int | None = None
    permissions: int | None = None
    mtime: int | None = None


@dataclass(slots=True)
class StatOpen:
    """Answers the Attrs of an open file."""

    handle: Handle


@dataclass(slots=True)
class Sync:
    """Makes an open file's content durable if the place can; answers whether it could."""

    handle: Handle


@dataclass(slots=True)
class CloseFile:
    """Closes a handle."""

    handle: Handle


@dataclass(slots=True)
class LetGo(CloseFile):
    """Closes a handle that was only read from, before whatever the script asks next. Nobody waits for it, and a refusal
    is not raised. Answers None."""


@dataclass(slots=True)
class CopyRange:
    """Copies bytes between two different open files inside the place.

    A range past the end of the source is not an error everywhere: check the size afterwards.
    """

    source: Handle
    source_offset: int
    length: int
    target: Handle
    target_offset: int


@dataclass(slots=True)
class Rename:
    """Gives an entry a new name; refused if the new name exists."""

    old: bytes
    new: bytes


@dataclass(slots=True)
class Link:
    """Makes a second name for a file; refused if the new name exists."""

    old: bytes
    new: bytes


@dataclass(slots=True)
class MakeSymlink:
    """Makes a symbolic link at `path` that holds `target`."""

    target: bytes
    path: bytes


@dataclass(slots=True)
class MakeFolder:
    """Makes a folder; refused if the name exists."""

    path: bytes
    permissions: int = 0o700


@dataclass(slots=True)
class RemoveFolder:
    """Removes an empty folder."""

    path: bytes


@dataclass(slots=True)
class Remove:
    """Removes a file or link."""

    path: bytes


@dataclass(slots=True)
class Stat:
    """Answers the Attrs of an entry itself, never of what a link points to."""

    path: bytes


@dataclass(slots=True)
class OpenFolder:
    """Answers a handle for ReadFolder."""

    path: bytes


@dataclass(slots=True)
class ReadFolder:
    """Answers some (name, Attrs) pairs in no order, to be gone through once, or None when all were given."""

    handle: Handle


@dataclass(slots=True)
class GetSpace:
    """Answers the Space of the file system that holds `path`."""

    path: bytes


@dataclass(slots=True)
class DataPiece:
    """Bytes to be written at an offset."""

    offset: int
    data: bytes | memoryview

    @property
    def weight(self) -> int:
        """Bytes that cross the link."""
        return len(self.data)


@dataclass(slots=True)
class CopyPiece:
    """A range of an older file that is copied inside the place to `offset` of the new one."""

    offset: int
    source_offset: int
    length: int

    @property
    def weight(self) -> int:
        """Bytes that cross the link: none of the content."""
        return 0


@dataclass(slots=True)
class SyncPiece:
    """Asks that what has landed, all below the offset `upto`, be made durable now."""

    upto: int

    @property
    def weight(self) -> int:
        """Bytes of content that cross the link: none."""
        return 0


ContentPiece = DataPiece | CopyPiece
Piece = ContentPiece | SyncPiece


class NotYet(enum.Enum):
    """A source's answer when the next piece is still being read."""

    NOT_YET = 0


NOT_YET = NotYet.NOT_YET


class PieceSource(Protocol):
    """What a WriteStream takes its pieces from. The threads of several connections may call it at once."""

    def take(self, *, wait: bool) -> Piece | NotYet | None:
        """The next piece, None after the last. Raises what went wrong on the way, of the root error's kinds."""

    def landed(self, piece: Piece) -> None:
        """The place has confirmed this piece."""

    def refused(self, piece: Piece) -> None:
        """The place has refused this piece. The stream ends, but others that are on their way may still land.

        Called at once, perhaps in several threads; it must not raise.
        """


@dataclass(slots=True)
class WriteStream:
    """Writes a stream of pieces into an open file, many in flight; answers when every one has landed."""

    target: Handle
    source: PieceSource
    old: Handle = None


class Sink(Protocol):
    """What a ReadStream hands its bytes to, in order of their offsets."""

    def take(self, data: bytes) -> None: ...


class BytesSink:
    """A Sink that keeps what came, for content that memory can hold."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []

    def take(self, data: bytes) -> None:
        """See Sink."""
        self._parts.append(data)

    @property
    def data(self) -> bytes:
        """All of it."""
        return b"".join(self._parts)


@dataclass(slots=True)
class ReadStream:
    """Reads `length` bytes of an open file from `offset` on into a sink, many requests in flight.

    Answers the number of bytes that came: fewer if the file is shorter.
    """

    handle: Handle
    offset: int
    length: int
    sink: Sink


Op = (
    OpenFile
    | Write
    | Read
    | SetProperties
    | StatOpen
    | Sync
    | CloseFile
    | LetGo
    | CopyRange
    | Rename
    | Link
    | MakeSymlink
    | MakeFolder
    | RemoveFolder
    | Remove
    | Stat
    | OpenFolder
    | ReadFolder
    | GetSpace
)


@dataclass(slots=True)
class Attempts:
    """Requests sent back to back and carried out in their order, of which some may be refused. Answers a tuple: of one
    that was refused its PlaceError. Nothing is raised but what ends all work, such as LinkLost.

    Others of them may have opened something: to close that is the script's affair.
    """

    ops: tuple[Op, ...]


Request = Op | WriteStream | ReadStream | tuple[Op, ...] | Attempts

# What a request does, for people who are told that it was refused: they know none of these classes.
IN_WORDS: dict[type[Op], str] = {
    OpenFile: "opening the file",
    Write: "writing to the file",
    Read: "reading the file",
    SetProperties: "setting the file's size, mode or time",
    StatOpen: "looking at the open file",
    Sync: "making the file durable",
    CloseFile: "closing the file",
    LetGo: "closing the file",
    CopyRange: "copying within the far disk",
    Rename: "renaming",
    Link: "making a hard link",
    MakeSymlink: "making a symbolic link",
    MakeFolder: "making the folder",
    RemoveFolder: "removing the folder",
    Remove: "removing the file",
    Stat: "looking at it",
    OpenFolder: "opening the folder",
    ReadFolder: "listing the folder",
    GetSpace: "asking for the free space",
}

# A script yields one request and is sent its answer, or a tuple of them, sent back to back, and is sent a tuple
# of answers. A refusal is raised at the yield; of a tuple, the first one, after all have been answered. Then the script
# never hears of the handles that others of that tuple opened, and the place closes them. Of `Attempts` it hears all.
Script = Generator[Request, Any, T]


def closing_all(ops: Sequence[Op], answers: Sequence[Any]) -> tuple[CloseFile, ...]:
    """What closes the handles that these requests opened; the answer to one that was refused is None."""
    return tuple(
        CloseFile(handle)
        for op, handle in zip(ops, answers, strict=True)
        if isinstance(op, OpenFile | OpenFolder) and handle is not None
    )
