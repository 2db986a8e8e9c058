"""Chooses the random part of a version that a drill brings back: like the whole by count and by size, within its room.

Files are parted into classes by their size. Of each class the same share comes, but of no class so few that nothing
could be measured on it. Pure: entries go in, entries come out; it knows neither far box nor disk.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from otherroof.far_copy.entry import Entry
from otherroof.restore.selection import Selection

# Each class ends at these bytes, the last one nowhere: letters and mails, documents, pictures, music, films.
CLASS_ENDS = (16_384, 262_144, 4_194_304, 67_108_864)
BLOCK = 4096  # bytes; what a file takes on a disk is a multiple of it, and one more for its name and numbers
MOST_FILES = 20_000
LEAST_OF_CLASS = 200
# Files are not all of their class's mean size: so the draw aims a little below its room, which it must never exceed.
AIM = 0.95
# One file may take up to this part of the room, so that there is always room for others beside it.
LARGEST_PART = 0.5


@dataclass(slots=True)
class ClassSums:
    """The files of one class of sizes: how many, and what they take on a disk together (bytes)."""

    count: int = 0
    room: int = 0


@dataclass(slots=True)
class VersionSums:
    """A whole version: files, bytes of content, and the `room` that all of it takes on a disk.

    Of these, what is `always` wanted, and what is too large for the room that there is; `classes` are all others, by
    size.
    """

    files: int = 0
    size: int = 0
    room: int = 0
    always: ClassSums = field(default_factory=ClassSums)
    too_large: ClassSums = field(default_factory=ClassSums)
    classes: tuple[ClassSums, ...] = ()


def room_of(entry: Entry) -> int:
    """The bytes that a restored file takes on a disk, at most."""
    blocks = -(-content_of(entry) // BLOCK) + 1
    return blocks * BLOCK


def content_of(entry: Entry) -> int:
    """The bytes of a file that cross the line: all but its holes; none for a further name of another file."""
    return 0 if entry.first else entry.size - sum(length for _, length in entry.holes)


def class_of(size: int) -> int:
    """The number of the class that a file of `size` bytes is in."""
    return sum(size > end for end in CLASS_ENDS)


def sums_of(entries: Iterable[Entry], room: int, always: Selection | None = None) -> VersionSums:
    """What a version holds, for a drill that has `room` bytes, and its `always` wanted paths."""
    sums = VersionSums(classes=tuple(ClassSums() for _ in range(len(CLASS_ENDS) + 1)))
    for entry in entries:
        sums.room += room_of(entry)
        if entry.kind == "folder":
            continue
        sums.files += 1
        sums.size += content_of(entry)
        if always is not None and always.has(entry.path):
            into = sums.always
        elif not _is_drawn(entry):
            continue
        elif room_of(entry) > room * LARGEST_PART:
            into = sums.too_large
        else:
            into = sums.classes[class_of(entry.size)]
        into.count += 1
        into.room += room_of(entry)
    return sums


def _is_drawn(entry: Entry) -> bool:
    # Links and further names cross the line in the listing alone: they cost next to nothing and tell nothing of speed.
    return entry.kind == "file" and not entry.first


def counts_for(classes: Sequence[ClassSums], room: int, most_files: int = MOST_FILES) -> list[float]:
    """How many files of each class fit in `room` bytes on average: the same share of each, with a least number."""
    held = [one for one in classes if one.count]
    if sum(one.room for one in held) <= room and sum(one.count for one in held) <= most_files:
        return [float(one.count) for one in classes]
    each = room / 2 / max(1, len(held))
    least = [min(one.count, LEAST_OF_CLASS, max(1.0, each / _mean(one))) if one.count else 0.0 for one in classes]

    def with_share(share: float) -> list[float]:
        return [max(share * one.count, few) for one, few in zip(classes, least, strict=True)]

    low, high = 0.0, 1.0
    for _ in range(60):
        middle = (low + high) / 2
        counts = with_share(middle)
        taken = sum(count * _mean(one) for count, one in zip(counts, classes, strict=True) if one.count)
        if taken <= AIM * room and sum(counts) <= most_files:
            low = middle
        else:
            high = middle
    return with_share(low)


def _mean(one: ClassSums) -> float:
    return one.room / one.count


def choose(
    entries: Iterable[Entry], sums: VersionSums, room: int, chance: random.Random, always: Selection | None = None
) -> list[Entry]:
    """The part of a version that comes back, in byte order of the path; never more than `room` bytes of disk.

    `sums` are of the same entries and the same room. What is `always` wanted comes first, if all of it fits.
    """
    fixed: list[Entry] = []
    takes_always = always is not None and sums.always.room <= room
    left = room - sums.always.room if takes_always else room
    wanted = [
        int(count) + (chance.random() < count - int(count))  # so that on average it is the exact count
        for count in counts_for(sums.classes, left)
    ]
    drawn: list[list[Entry]] = [[] for _ in wanted]
    seen = [0] * len(wanted)
    for entry in entries:
        if always is not None and always.has(entry.path):
            if takes_always and entry.kind != "folder":
                fixed.append(entry)
        elif _is_drawn(entry) and room_of(entry) <= room * LARGEST_PART:
            number = class_of(entry.size)
            _keep(entry, drawn[number], seen[number], wanted[number], chance)
            seen[number] += 1
    return sorted([*fixed, *_that_fit(drawn, left, chance)], key=lambda entry: entry.path)


def _keep(entry: Entry, kept: list[Entry], before: int, most: int, chance: random.Random) -> None:
    """Reservoir sampling (Vitter's algorithm R, from memory): each of all that come by stays with the same chance."""
    if len(kept) < most:
        kept.append(entry)
    elif (place := chance.randrange(before + 1)) < most:
        kept[place] = entry


def _that_fit(drawn: list[list[Entry]], room: int, chance: random.Random) -> list[Entry]:
    """Of what was drawn, as much as the room holds: one of each class first, then the others in any order."""
    for kept in drawn:
        chance.shuffle(kept)
    others = [entry for kept in drawn for entry in kept[1:]]
    chance.shuffle(others)
    taken = []
    for entry in [*(kept[0] for kept in drawn if kept), *others]:
        need = room_of(entry)
        if need <= room:
            room -= need
            taken.append(entry)
    return taken
