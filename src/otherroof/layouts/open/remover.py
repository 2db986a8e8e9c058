"""The open layout as versions are taken out of it: listings and `earlier/` folders, by removing and renaming alone."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from otherroof.base.errors import NotThere, PlaceError
from otherroof.far import requests
from otherroof.far.place import Place, run_script
from otherroof.far.requests import Script
from otherroof.far_copy.listing_key import ListingKey
from otherroof.far_copy.remover import NoteKind, VersionNote
from otherroof.layouts.open import steps, version_notes
from otherroof.layouts.open.paths import EARLIER, JobPaths
from otherroof.layouts.open.walk import walk_aside

FOLDERS_AT_ONCE = 64


class OpenRemover:
    """See the port. A kept thing's name is its path in the job's folder."""

    def __init__(self, place: Place, paths: JobPaths, key: ListingKey) -> None:
        self.place = place
        self._paths = paths
        self._key = key

    def name_of(self, path: bytes) -> bytes:
        """See the port."""
        return path

    def notes(self) -> Script[list[VersionNote]]:
        """See the port."""
        return (yield from version_notes.read_notes(self._paths, self._key))

    def note(self, kind: NoteKind, run: str, at: datetime) -> Script[None]:
        """See the port."""
        yield from version_notes.make_note(
            self.place.offers, version_notes.path_of(self._paths, self._key, kind, run, at)
        )

    def take_back(self, note: VersionNote) -> Script[None]:
        """See the port."""
        yield from steps.remove(version_notes.path_of(self._paths, self._key, note.kind, note.run, note.at))

    def holds(self, run: str) -> Iterator[bytes]:
        """See the port."""
        for folder in walk_aside(self.place, self._paths, [run]):
            yield from folder.files

    def drop_listing(self, run: str) -> Script[None]:
        """See the port."""
        yield from steps.remove(self._paths.listing(run))

    def hand_on(self, name: bytes, run: str, to: str) -> Script[None]:
        """See the port. A rename: at no moment is the file under neither name."""
        old, new = self._paths.earlier(name, run), self._paths.earlier(name, to)
        # If `new` is taken, the refusal stands. If something is missing, it may be the folder above `new`, or the file
        # itself.
        try:
            yield requests.Rename(old, new)
        except NotThere:
            if (yield from steps.stat_path(old)) is None:
                if (yield from steps.stat_path(new)) is None:
                    raise
                return  # handed on before, and the answer was lost with the connection
            yield from steps.make_parents(new)
            yield requests.Rename(old, new)

    def drop(self, name: bytes, run: str) -> Script[None]:
        """See the port."""
        yield from steps.remove(self._paths.earlier(name, run))

    def drop_empty_folders(self, run: str) -> None:
        """See the port. All are asked to go, the deepest first: the far box keeps those in which something lies."""
        top = self._paths.at(EARLIER, run.encode())
        found = [path for folder in walk_aside(self.place, self._paths, [run]) for path in folder.folders]
        deepest_first = [*(self._paths.earlier(path, run) for path in sorted(found, reverse=True)), top]
        run_script(self.place, _remove_folders(deepest_first))


def _remove_folders(paths: list[bytes]) -> Script[None]:
    """Without a wait between them; in a script of one, since those sent side by side might overtake each other."""
    # Each folder is asked for only after all below it, in the order in which the far box carries them out.
    for start in range(0, len(paths), FOLDERS_AT_ONCE):
        try:
            yield tuple(requests.RemoveFolder(path) for path in paths[start : start + FOLDERS_AT_ONCE])
        except PlaceError:
            continue  # one of them is not empty or cannot go; the others were asked all the same
