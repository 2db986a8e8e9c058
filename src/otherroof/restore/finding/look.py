"""What a version holds at a path, for a person who looks around in it. It must not know where versions come from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from otherroof.base.errors import WrongUse
from otherroof.far_copy.entry import path_text
from otherroof.restore.finding.index_file import IndexFile
from otherroof.restore.finding.like import Like
from otherroof.restore.finding.states import FileState, IndexedVersion


@dataclass(frozen=True, slots=True)
class FoundEntry:
    """One thing in a version. `files` and `size` count all that is below it if it is a folder; sizes in bytes."""

    state: FileState
    files: int
    size: int


class VersionLook:
    """One version of a job, to look around in."""

    def __init__(self, index: IndexFile, job: str, version: IndexedVersion) -> None:
        self.version = version
        self._index = index
        self._job = job

    def entries(self, path: bytes, like: Like | None = None) -> Iterator[FoundEntry]:
        """What lies in the folder at `path` (in the whole, if it is empty), or the file there itself; with a pattern,
        all below it that the pattern means. Raises WrongUse if the version holds no such path."""
        state = self._at(path) if path else None
        if state is not None and state.kind != "folder":
            states = iter([state] if like is None or like.matches(path) else [])
        elif like is None:
            states = self._index.children(path, self.version.holds)
        else:
            states = self._index.below(path, self.version.holds, like)
        return map(self._entry, states)

    def totals(self, path: bytes) -> tuple[int, int]:
        """Files, and bytes, at `path` and below."""
        state = self._at(path) if path else None
        if state is not None and state.kind != "folder":
            return 1, state.size
        return self._index.totals(path, self.version.holds)

    def _entry(self, state: FileState) -> FoundEntry:
        if state.kind != "folder":
            return FoundEntry(state, 1, state.size)
        return FoundEntry(state, *self._index.totals(state.path, self.version.holds))

    def _at(self, path: bytes) -> FileState:
        state = self._index.state_at(path, self.version.holds)
        if state is None:
            raise WrongUse(
                f"this version holds no {path_text(path)}",
                where=f"{self._job}/{self.version.run}",
                advice=f"paths are as they lie in the job's folder; `otherroof versions {self._job} PATH` "
                "tells when it was there",
            )
        return state
