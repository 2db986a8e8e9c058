"""Every state of one path that can still be had, from which version to which. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from otherroof.restore.finding.states import FileState, IndexedVersion


@dataclass(frozen=True, slots=True)
class HeldState:
    """What stood at a path from the version `first` to `last`, those between included; None if nothing did."""

    first: IndexedVersion
    last: IndexedVersion
    state: FileState | None


def held_states(versions: Sequence[IndexedVersion], states: Iterable[tuple[int, int, FileState]]) -> list[HeldState]:
    """The states of a path in these versions, which are in order; `states` have the numbers of their first and last.

    Times at which nothing stood there are told only between two states, and at the end.
    """
    spans = list(states)
    held: list[HeldState] = []
    for version in versions:
        found = next((state for first, last, state in spans if first <= version.holds <= last), None)
        if held and held[-1].state == found:
            held[-1] = HeldState(held[-1].first, version, found)
        elif held or found is not None:
            held.append(HeldState(version, version, found))
    return held
