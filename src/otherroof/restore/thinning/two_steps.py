"""The two steps of thinning: what is to go is written down first, and goes some days later unless it is recalled.

Pure: the rule's word, the notes at the far end and two clocks in, what to do now out.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from otherroof.far_copy.remover import VersionNote

SLACK = timedelta(minutes=2)  # far disks tell whole seconds, of some file systems only every other one


@dataclass(frozen=True, slots=True)
class ThinStep:
    """What is to be done now. `write_down`: runs that the rule lets go and no note names yet. `waiting`: noted, but not
    for long enough. `ripe`: these go now. `take_back`: noted, and wanted again, or gone to the end."""

    write_down: tuple[str, ...]
    waiting: tuple[VersionNote, ...]
    ripe: tuple[VersionNote, ...]
    take_back: tuple[VersionNote, ...]


@dataclass(frozen=True, slots=True)
class TwoClocks:
    """What home's clock and the far box's show at one moment."""

    home: datetime
    far: float  # seconds since 1970


def next_step(
    going: Collection[str], runs: Collection[str], notes: Iterable[VersionNote], clocks: TwoClocks, wait: timedelta
) -> ThinStep:
    """What follows from `going`, the versions that the rule lets go, and from `runs`, all versions there are.

    A version goes once both clocks say that it has waited for so long: one that was set forward hurries nothing.
    """
    waiting, ripe, take_back = list[VersionNote](), list[VersionNote](), list[VersionNote]()
    noted = set()
    for note in notes:
        noted.add(note.run)
        if note.run in runs and note.run not in going:
            take_back.append(note)
        elif note.run not in runs or _has_waited(note, clocks, wait):
            ripe.append(note)  # without a listing: a removal of it was cut short, and is ended now
        else:
            waiting.append(note)
    new = tuple(sorted(set(going) - noted))
    return ThinStep(new, tuple(waiting), tuple(ripe), tuple(take_back))


def _has_waited(note: VersionNote, clocks: TwoClocks, wait: timedelta) -> bool:
    by_far = timedelta(seconds=clocks.far - note.far_at)
    return clocks.home - note.at >= wait and by_far + SLACK >= wait
