"""The port that a run writes through, whatever the layout: each change to the newest copy as a script.

The run decides when and how many scripts go at once, the layout where each byte lies. Nothing here may assume that far
files can be read by the names they have at home.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from otherroof.base.errors import PlaceError
from otherroof.far.place import Place
from otherroof.far.requests import DataPiece, Piece, PieceSource, Script, SyncPiece
from otherroof.far_copy.numbers import MODE, MTIME, SIZE, Numbers


@dataclass(frozen=True, slots=True)
class FileProperties:
    """A file's outer properties at the far end: size in bytes, permission bits, time of change in whole seconds."""

    size: int
    permissions: int
    mtime: int

    @classmethod
    def of(cls, numbers: Numbers) -> FileProperties:
        """What a file at home becomes over there; its owner can always read and write it."""
        return cls(numbers[SIZE], (numbers[MODE] & 0o777) | 0o600, numbers[MTIME] // 1_000_000_000)


@dataclass(frozen=True, slots=True)
class ContentLocation:
    """Where content lies: in the newest copy, or moved aside by this run (`aside`) or by the cut run `run`."""

    path: bytes
    aside: bool = False
    run: str = ""


class ChangeState(enum.Enum):
    """What an unfinished change to one path left behind."""

    AS_BEFORE = "as before"
    OLD_GONE = "the old one was moved aside, the new one is not there"
    IN_PLACE = "the new one stands"


class NotDurable(PlaceError):
    """A file stands in its place, but the far disk could not be made to hold it. To ask once more proves nothing: a
    kernel tells only once that it could not write."""


@dataclass(slots=True)
class ArrivedPart:
    """What a cut run left of a large file: all bytes below `upto` are durable; `tail` are the bytes after that."""

    upto: int = 0
    tail: bytes = b""

    def has(self, piece: Piece) -> bool:
        """Whether the far end holds this piece already."""
        if isinstance(piece, SyncPiece):
            return False
        end = piece.offset + (len(piece.data) if isinstance(piece, DataPiece) else piece.length)
        if end <= self.upto:
            return True
        # The tail is what lay there, perhaps of an older state of the file: a piece is there only if it is equal.
        start = piece.offset - self.upto
        if not isinstance(piece, DataPiece) or start < 0:
            return False
        return self.tail[start : start + len(piece.data)] == piece.data


class ContentStream(PieceSource, Protocol):
    """The pieces of one large file on their way out. Several channels may take from it side by side."""

    @property
    def landed_upto(self) -> int:
        """All below this offset has landed."""

    def synced(self, upto: int) -> None:
        """All below this offset was made durable."""


class Writer(Protocol):
    """One run's changes to the newest copy of one job. One contract for every layout.

    `path` is always a path in the job's folder, `had` whether the newest copy is known to hold something there. What
    has to give way is kept for earlier versions, known or not, and durably so before the new one takes its place; a
    script that was broken off can be run again. Each raises PlaceError if the far box lacks or refuses something; what
    stood at the path is then still kept.
    """

    place: Place

    @property
    def name(self) -> str:
        """The far copy's name for messages."""

    @property
    def waits_for_commit(self) -> bool:
        """Whether the far disk makes all changes durable together, some thirty seconds after they were made (btrfs).

        Then they are kept in their order only if nobody asks for one of them before: `make_durable` waits for so long,
        and so does `take_place` after `finish_part`, which syncs.
        """

    @property
    def can_make_from_far(self) -> bool:
        """Whether content that is there can get a second name or copy without being sent."""

    def aside(self, path: bytes) -> Script[None]:
        """Move what lies at `path` out of the newest copy; earlier versions need it."""

    def stands_in_the_way(self, path: bytes) -> Script[bool]:
        """Whether something that is no folder stands where the newest copy is to have one."""

    def drop_folder(self, path: bytes) -> Script[None]:
        """Take an empty folder out of the newest copy; one that is not empty stays."""

    def make_folders(self, paths: list[bytes]) -> Script[dict[bytes, PlaceError]]:
        """Make folders, in this order; those that exist are left. Answers those that were refused, and how."""

    def put(self, path: bytes, data: bytes, properties: FileProperties) -> Script[None]:
        """Send a small file to where nothing is known to stand, and let it take its place at once.

        What stands there all the same is moved aside.
        """

    def put_durable(self, path: bytes, data: bytes, properties: FileProperties, had: bool) -> Script[None]:
        """Send a small file, let it take its place at once, and have the far disk hold it: for disks that do so in no
        time.

        It is durable when the script ends, and needs no `make_durable`. What it replaces is moved aside. Raises
        NotDurable if only the last was refused: then the new file stands at `path`. Not if this `waits_for_commit`.
        """

    def put_part(self, path: bytes, data: bytes, properties: FileProperties) -> Script[None]:
        """Send a small file that takes no place yet."""

    def take_place(self, path: bytes, had: bool) -> Script[None]:
        """Let a file that was sent whole take its place; what it replaces is moved aside."""

    def make_durable(self, paths: Sequence[bytes]) -> Script[None]:
        """Have the far disk hold what stands at these paths; no run may count before. Only `put_durable` does so by
        itself."""

    def keep_mark_fresh(self) -> Script[None]:
        """Say at the far end that this run goes on."""

    def prepare(self, path: bytes, upto: int | None) -> Script[ArrivedPart]:
        """Get ready to take a large file; if `upto` is given, say what of it is there already."""

    def upload(self, path: bytes, stream: ContentStream, old_size: int | None) -> Script[None]:
        """Take pieces of a large file. Several may run side by side.

        `old_size`: its older version, of this size, is copied from. Raises Refused if it has another.
        """

    def finish_part(self, path: bytes, properties: FileProperties) -> Script[None]:
        """A large file was taken whole: make it durable. Raises Refused if its size is not right."""

    def forget_part(self, path: bytes) -> Script[None]:
        """Throw away what was taken of a large file."""

    def make_from(self, path: bytes, source: ContentLocation, properties: FileProperties, had: bool) -> Script[None]:
        """Let `path` hold content that stands elsewhere in the far copy, without sending it.

        Raises Refused if what stands there has another size, NotOffered if this place cannot do it.
        """

    def adopt(self, path: bytes, properties: FileProperties, digest: bytes) -> Script[bool]:
        """Whether `path` holds this very content already, found by reading it back."""

    def symlink(self, path: bytes, target: bytes, had: bool) -> Script[None]:
        """Make a symbolic link, if the far box can; the listing holds it in any case."""

    def standing(self, path: bytes, properties: FileProperties | None, had: bool) -> Script[ChangeState]:
        """After a broken connection: what became of a change to `path`; `properties` is None if it was to go."""
