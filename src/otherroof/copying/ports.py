"""What a run needs of a layout, whichever it is. The layouts themselves live in their own room.

Every method that touches the far copy answers a script; the run decides when and how many at once. Nothing here
may assume that far files can be read by the names they have at home.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import Protocol

from otherroof.copying.catalogue import Numbers
from otherroof.copying.compare import MODE, MTIME, SIZE
from otherroof.copying.stream import FileStream, Held
from otherroof.far.ops import Place, Script


@dataclass(frozen=True, slots=True)
class Shape:
    """A file's outer properties at the far end: size in bytes, permission bits, time of change in whole seconds."""

    size: int
    permissions: int
    mtime: int

    @classmethod
    def of(cls, numbers: Numbers) -> Shape:
        """The shape that a file at home gets over there; its owner can always read and write it."""
        return cls(numbers[SIZE], (numbers[MODE] & 0o777) | 0o600, numbers[MTIME] // 1_000_000_000)


@dataclass(frozen=True, slots=True)
class Where:
    """Where content stands in the far copy: under its path, or moved aside by this run."""

    path: bytes
    aside: bool = False


class Standing(enum.Enum):
    """What an unfinished change to one path left behind."""

    AS_BEFORE = "as before"
    OLD_GONE = "the old one was moved aside, the new one is not there"
    IN_PLACE = "the new one stands"


class Layout(Protocol):
    """How copies lie in a place. One contract for every layout; the far copy is that of one job."""

    place: Place

    @property
    def name(self) -> str:
        """The far copy's name for messages."""

    @property
    def can_make_from_far(self) -> bool:
        """Whether content that is there can get a second name or copy without being sent."""

    def aside(self, path: bytes) -> Script[None]:
        """Take what stands at `path` out of the newest copy and keep it for earlier versions."""

    def drop_folder(self, path: bytes) -> Script[None]:
        """Take an empty folder out of the newest copy; one that is not empty stays."""

    def make_folders(self, paths: list[bytes]) -> Script[None]:
        """Make folders, in this order; those that exist are left."""

    def put(self, path: bytes, data: bytes, shape: Shape, had: bool) -> Script[None]:
        """Send a small file and let it take its place; what it replaces is moved aside."""

    def prepare(self, path: bytes, upto: int | None) -> Script[Held]:
        """Get ready to take a large file; where `upto` is given, say what of it is there already."""

    def upload(self, path: bytes, stream: FileStream, old_size: int | None) -> Script[None]:
        """Take pieces of a large file. Several may run side by side.

        `old_size`: its older version, of this size, is copied from. Raises Refused where it has another.
        """

    def finish(self, path: bytes, shape: Shape, had: bool) -> Script[None]:
        """Let a large file that was taken whole take its place. Raises Refused where its size is not right."""

    def forget_part(self, path: bytes) -> Script[None]:
        """Throw away what was taken of a large file."""

    def make_from(self, path: bytes, where: Where, shape: Shape, had: bool) -> Script[None]:
        """Let `path` hold content that stands elsewhere in the far copy, without sending it."""

    def adopt(self, path: bytes, shape: Shape, digest: bytes) -> Script[bool]:
        """Whether `path` holds this very content already, found by reading it back."""

    def symlink(self, path: bytes, target: bytes, had: bool) -> Script[None]:
        """Make a symbolic link, where the far box can; the listing holds it in any case."""

    def standing(self, path: bytes, shape: Shape | None, had: bool) -> Script[Standing]:
        """After a broken connection: what became of a change to `path`; `shape` is None where it was to go."""
