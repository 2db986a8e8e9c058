"""What differs between two versions: came, changed, moved, went, or was only touched.

Pure: streams of states in, changes out. It must not know where states are kept.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

from otherroof.restore.finding.states import FileState

# `touched`: the same content, but another time, mode, owner or attribute.
ChangeKind = Literal["came", "changed", "moved", "went", "touched"]
CHANGE_KINDS: tuple[ChangeKind, ...] = ("came", "changed", "moved", "went", "touched")


class FoundChange(NamedTuple):
    """One path's change; what moved is told at its new path."""

    kind: ChangeKind
    old: FileState | None = None
    new: FileState | None = None

    @property
    def path(self) -> bytes:
        """Where it is now, or was if it is gone."""
        state = self.new or self.old
        assert state is not None
        return state.path


@dataclass(slots=True)
class ChangeTotals:
    """How many of each kind, and the bytes of what came or changed."""

    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(CHANGE_KINDS, 0))
    size: int = 0

    def add(self, change: FoundChange) -> None:
        """Count this one too."""
        self.counts[change.kind] += 1
        if change.kind in ("came", "changed") and change.new is not None:
            self.size += change.new.size


def found_changes(
    went: Iterable[tuple[FileState, bool]], came: Iterable[tuple[FileState, FileState | None]]
) -> Iterator[FoundChange]:
    """The changes between two versions, by path. `went` are the states that only the old one holds, each with whether
    its content moved elsewhere; `came` those that only the new one holds, each with the old state it moved here from.
    Both in byte order of the path."""
    olds, news = iter(went), iter(came)
    left, right = next(olds, None), next(news, None)
    while left is not None or right is not None:
        if right is None or (left is not None and left[0].path < right[0].path):
            assert left is not None
            old, moved = left
            left = next(olds, None)
            if not moved:
                yield FoundChange("went", old)
        elif left is None or right[0].path < left[0].path:
            new, source = right
            right = next(news, None)
            yield FoundChange("came", None, new) if source is None else FoundChange("moved", source, new)
        else:
            old, new = left[0], right[0]
            left, right = next(olds, None), next(news, None)
            if not new.has_content_of(old):
                yield FoundChange("changed", old, new)
            elif new.mark != old.mark:
                yield FoundChange("touched", old, new)
