"""The port that a damaged far file is replaced through by the same content whole, whatever the layout.

No version changes by it: what is replaced is what no version that needs this file could have. Far files go by the names
that a reader's `lies_at` gives.
"""

from __future__ import annotations

from typing import Protocol

from otherroof.far.place import Place
from otherroof.far.requests import PieceSource, Script
from otherroof.far_copy.writer import FileProperties


class Mender(Protocol):
    """Puts whole files in the place of damaged or missing ones, with the guarantees of a run.

    A crash after any step leaves the damaged file under its name, the whole one, or for a moment neither, while both
    are still there. All raise PlaceError if the far box refuses.
    """

    place: Place

    def kept_name(self, path: bytes, run: str) -> bytes:
        """The name under which `run` keeps, or should keep, what stood at `path` in the job's folder."""

    def send(self, name: bytes, source: PieceSource, properties: FileProperties) -> Script[None]:
        """Send what is to stand at `name`, and have the far disk hold it. It takes no place yet."""

    def take_place(self, name: bytes) -> Script[None]:
        """Let what was sent stand at `name`, durably. What stood there goes only after that.

        Raises Refused if the way there leads through something that is no folder; nothing is changed then.
        """

    def drop(self, name: bytes) -> Script[None]:
        """Throw away what was sent for `name`."""

    def settled(self, name: bytes) -> Script[None]:
        """What stands at `name` was read back and is whole: throw away all that is left of an earlier try."""
