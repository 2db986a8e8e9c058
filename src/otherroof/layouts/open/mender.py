"""The open layout as damaged files in it are replaced: sent aside, synced, then renamed into their place.

A finished far file is never written into: another name may share its content, and that one has its own proof.
"""

from __future__ import annotations

from otherroof.base.errors import PlaceError, Refused
from otherroof.far import requests
from otherroof.far.place import Place
from otherroof.far.requests import PieceSource, Script
from otherroof.far_copy.entry import is_safe
from otherroof.far_copy.writer import FileProperties
from otherroof.layouts.open import steps
from otherroof.layouts.open.paths import DAMAGED_END, EARLIER, LATEST, MEND_END, JobPaths


class OpenMender:
    """See the port."""

    def __init__(self, place: Place, paths: JobPaths) -> None:
        self.place = place
        self._paths = paths

    def kept_name(self, path: bytes, run: str) -> bytes:
        """See the port."""
        return self._paths.below(self._paths.earlier(path, run))

    def send(self, name: bytes, source: PieceSource, properties: FileProperties) -> Script[None]:
        """See the port."""
        part = self._paths.mend(name, MEND_END)
        handle = yield from steps.open_new(part)
        yield from steps.ask_or_close(requests.WriteStream(handle, source), requests.CloseFile(handle))
        answers = yield (
            requests.StatOpen(handle),
            requests.SetProperties(handle, mtime=properties.mtime),
            requests.Sync(handle),
            requests.CloseFile(handle),
        )
        if answers[0].size != properties.size:
            raise Refused(f"arrived with {answers[0].size} bytes instead of {properties.size}")

    def take_place(self, name: bytes) -> Script[None]:
        """See the port."""
        path, part = self._paths.at(name), self._paths.mend(name, MEND_END)
        old = self._paths.mend(name, DAMAGED_END)
        yield from self._require_way(name)
        standing = yield from steps.stat_path(path)
        if standing is not None and steps.is_folder(standing):
            raise Refused("a folder stands in its place")
        if standing is None:
            yield from steps.with_parents(requests.Rename(part, path), path)
        else:
            yield from steps.remove(old)
            try:
                # Without a wait between, so that for hardly a moment nothing stands there.
                yield (requests.Rename(path, old), requests.Rename(part, path))
            except PlaceError:
                if (yield from steps.stat_path(path)) is None:
                    yield requests.Rename(old, path)  # a refusal leaves all as it was
                raise
        yield from steps.make_durable(self.place.offers, path)
        yield from steps.remove(old)

    def _require_way(self, name: bytes) -> Script[None]:
        """Only below the newest copy or what a run moved aside, and through no link: it might lead out of the copy."""
        parts = name.split(b"/")
        if not is_safe(name) or parts[0] not in (LATEST, EARLIER) or len(parts) < 2:
            raise Refused("is no file of a version")
        above = [b"/".join(parts[:count]) for count in range(1, len(parts))]
        for folder in above:
            attrs = yield from steps.stat_path(self._paths.at(folder))
            if attrs is None:
                return
            if not steps.is_folder(attrs):
                raise Refused("a link or a file stands in place of the folder above it")

    def drop(self, name: bytes) -> Script[None]:
        """See the port."""
        yield from steps.remove(self._paths.mend(name, MEND_END))

    def settled(self, name: bytes) -> Script[None]:
        """See the port."""
        for end in (MEND_END, DAMAGED_END):
            yield from steps.remove(self._paths.mend(name, end))
