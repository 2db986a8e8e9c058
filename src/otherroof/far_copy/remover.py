"""The port that versions are taken out of a far copy through, whatever the layout. Which ones go is decided elsewhere.

Content crosses no line here: what a remaining version needs is renamed, never sent.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, Protocol

from otherroof.far.place import Place
from otherroof.far.requests import Script

NoteKind = Literal["goes", "pinned"]


@dataclass(frozen=True, slots=True)
class VersionNote:
    """Noted at the far end of the version that `run` left: it is to go, or it is pinned and stays for good.

    `at` is since when by home's clock (whole seconds, UTC), `far_at` by the far clock (seconds since 1970).
    """

    kind: NoteKind
    run: str
    at: datetime
    far_at: int


class Remover(Protocol):
    """Takes a version out of a job's far copy, step by step; a crash after any step harms no remaining version.

    What a run replaced or removed is kept by that run for the versions before it: a version needs, of each of its
    paths, what the first later run that keeps something there keeps, else the newest copy. To take out the version
    that run D left, with N the next run after D that left any trace, cut runs included:

        1  `drop_listing` of D: from then on D is no version. Never while a remaining listing names it in `same_as`.
        2  `drop` of what N keeps whatever no remaining version needs: only D had it, and it may stand in the way below
        3  `drop_empty_folders` of N, as a folder may stand where a file is to be
        4  of what D keeps, `hand_on` to N whatever a remaining version needs, and `drop` the rest
        5  `drop_empty_folders` of D

    Before that, what is to go is noted, so that it can be taken back for some days. Its note stays until the version
    has gone wholly: it tells the next removal to look after what is left.

    The newest run that counts is never taken out: the newest copy is its. Each step may be repeated, on another day
    as well. Kept things go by names that only the layout understands. All raise PlaceError if the far box refuses.
    """

    place: Place

    def name_of(self, path: bytes) -> bytes:
        """The name by which a run keeps what stood at `path` in the job's folder."""

    def notes(self) -> Script[list[VersionNote]]:
        """All notes on versions; one that this home did not write is passed over."""

    def note(self, kind: NoteKind, run: str, at: datetime) -> Script[None]:
        """Note something of the version of `run`. It takes no room on the far disk but a name's."""

    def take_back(self, note: VersionNote) -> Script[None]:
        """Remove a note; one that is gone is no trouble."""

    def holds(self, run: str) -> Iterator[bytes]:
        """The names of all that `run` keeps, in no order; none if it left nothing.

        Read it to its end before the place is asked for anything else.
        """

    def drop_listing(self, run: str) -> Script[None]:
        """Remove a run's listing; one that is gone is no trouble."""

    def hand_on(self, name: bytes, run: str, to: str) -> Script[None]:
        """Let the run `to` keep what `run` kept under `name`; if that was done before, nothing happens.

        Raises Refused if `to` keeps something there already, NotThere if neither of them does.
        """

    def drop(self, name: bytes, run: str) -> Script[None]:
        """Remove for good what `run` keeps under `name`; what is gone is no trouble."""

    def drop_empty_folders(self, run: str) -> None:
        """Remove the folders in which `run` keeps nothing, its own among them. Does its work at once."""
