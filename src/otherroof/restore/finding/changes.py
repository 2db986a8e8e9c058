"""What differs between two versions: came, changed, moved, went, or was only touched.

Pure: streams of states in, changes out. It must not know where states are kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Literal

from otherroof.restore.finding.states import FileState

# `touched`: the same content, but another time, mode, owner or attribute.
ChangeKind = Literal["came", "changed", "moved", "went", "touched"]
CHANGE_KINDS: tuple[ChangeKind, ...] = ("came", "changed", "moved", "went", "touched")


@dataclass(frozen=True, slots=True)
class FoundChange:
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


def paired(old: Iterable[FileState], new: Iterable[FileState]) -> Iterator[tuple[FileState | None, FileState | None]]:
    """Both streams side by side, each path once, in byte order of the path."""
    olds, news = iter(old), iter(new)
    left, right = next(olds, None), next(news, None)
    while left is not None or right is not None:
        if right is None or (left is not None and left.path < right.path):
            yield left, None
            left = next(olds, None)
        elif left is None or right.path < left.path:
            yield None, right
            right = next(news, None)
        else:
            yield left, right
            left, right = next(olds, None), next(news, None)


def can_move(state: FileState) -> bool:
    """Whether content that went from here and came elsewhere is the same thing. Empty files are all alike."""
    return state.kind == "file" and state.size > 0


def found_changes(
    pairs: Iterable[tuple[FileState | None, FileState | None]],
    moved_from: Callable[[bytes], FileState | None],
    has_moved: Callable[[bytes], bool],
) -> Iterator[FoundChange]:
    """The changes in these pairs. `moved_from` has the old state of what came to a path by moving, `has_moved` whether
    what went from a path did."""
    for old, new in pairs:
        if old is not None and new is not None:
            if not new.has_content_of(old):
                yield FoundChange("changed", old, new)
            elif new.mark != old.mark:
                yield FoundChange("touched", old, new)
        elif new is not None:
            source = moved_from(new.path) if can_move(new) else None
            yield FoundChange("moved", source, new) if source is not None else FoundChange("came", None, new)
        elif old is not None and not (can_move(old) and has_moved(old.path)):
            yield FoundChange("went", old)
