"""The port that a version is read back through, whatever the layout: what it holds, and each file's content.

Where a file lies by now, under which name and of which size, is the layout's affair and never shows here: whoever reads
knows entries of a listing and their content, nothing of the far box's folders.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

from otherroof.far.place import Place
from otherroof.far.requests import Script, Sink
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.listing import Header
from otherroof.far_copy.view import FarCopyView


@dataclass(frozen=True, slots=True)
class FarLocation:
    """Where a version's content lies now: the far file's `name` in the job's folder there, by which two paths or
    versions are seen to share it, and the run that moved it aside, empty if it is in the newest copy."""

    name: bytes
    kept_by: str = ""


class Reader(Protocol):
    """One version of a job's far copy, as one run left it. Its listing was proved before the reader was given out.

    `look` comes before the first content. The reads are scripts, so that `place` carries out many at once; they may be
    made in the caller's thread only. Whether content is right, the digest in the entry says; the reader does not ask.

    `unlisted`: far folders that a look could not list, as text, and why. It went on without them: a file that lies
    there may not be found.
    """

    place: Place
    header: Header
    unlisted: dict[str, str]

    def entries(self) -> Iterator[Entry]:
        """Every entry in byte order of the path; can be asked for again. Raises Damaged at one that cannot be."""

    def look(self, view: FarCopyView) -> bool:
        """Find out where later runs put what this version holds; whether anything has changed since the last look.

        Does its work at once. `view` must be of now. Raises HomeTrouble if this machine cannot note what was found;
        what was known before is known as before then.
        """

    def look_again(self) -> bool:
        """Look anew at the far copy: whether anything was moved since the last look, or a run is doing so.

        If a file did not come as its entry says, it is no damage before this answers False. Raises as `look` does.
        """

    def lies_at(self, path: bytes) -> FarLocation:
        """Where this version's content at `path` lies, as of the last look. For who counts far files; to read one, ask
        for its entry."""

    def read_whole(self, entry: Entry) -> Script[bytes]:
        """A file's content in one piece, for what memory can hold.

        Raises PlaceError if the far box does not have it, or not `entry.size` bytes of it.
        """

    def read_range(self, entry: Entry, offset: int, length: int, sink: Sink) -> Script[None]:
        """Bring `length` bytes of a file's content from `offset` on into `sink`, in order.

        Raises PlaceError if the far box does not have the file, or not `entry.size` bytes of it, before anything comes.
        """

    def close(self) -> None:
        """Remove what was noted here at home. The place stays open."""
