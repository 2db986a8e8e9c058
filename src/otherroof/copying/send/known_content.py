"""Finds content that the far copy already holds, so that it need not be sent.

Where content stands can change while a run goes on: its file may be moved aside or replaced. This module answers
where it is now, or that it cannot be told until what is under way has ended.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable

from otherroof.copying.compare.catalogue import AsideContent, Block
from otherroof.copying.compare.change import BEGUN, DONE, PLANNED, PlannedChange, digest_in
from otherroof.copying.compare.plan import RunPlan
from otherroof.far_copy.numbers import FILE, SIZE, join_path, kind_of
from otherroof.far_copy.writer import ContentLocation


class NotYetThere(enum.Enum):
    """The content is being sent just now; ask again when more files are done."""

    LATER = 0


def note_known_content(plan: RunPlan, blocks: Iterable[Block], asides: Iterable[AsideContent]) -> None:
    """Note which files of the far copy have the size of a file that is to be sent. Streams the catalogue once."""
    # By size first: of a million files in the catalogue only those whose size is wanted are worth a row each.
    wanted = plan.held_content.wanted_sizes()
    if not wanted:
        return
    plan.held_content.note(content for content in asides if content.size in wanted)
    for block in blocks:
        found = [
            AsideContent(digest, join_path(block.folder, name), numbers[SIZE], "")
            for name, numbers, line in _of_sizes(block, wanted)
            if (digest := digest_in(line)) is not None and kind_of(numbers) == FILE
        ]
        plan.held_content.note(found)


def _of_sizes(block: Block, wanted: set[int]) -> list[tuple[bytes, tuple[int, int, int, int, int], bytes]]:
    if wanted.isdisjoint(block.sizes()):
        return []
    return [item for item in block.items() if item[1][SIZE] in wanted]


def find_content(
    plan: RunPlan, change: PlannedChange, digest: bytes, *, stuck: bool = False
) -> ContentLocation | NotYetThere | None:
    """Find content with this digest in the far copy, at any path but the file's own.

    `stuck` says that all files that are left wait for each other: then content may be taken from a file that is still
    to be replaced, and the caller must not begin with that one before this one has ended.
    """
    later = False
    for path, run in plan.held_content.paths_with(digest):
        # Aside of a cut run, which nothing in this run moves: the surest place, and `paths_with` gives it first.
        if run:
            return ContentLocation(path, run=run)
        if path == change.path:
            continue
        other = plan.get(path)
        # Not in the plan: this run leaves that file alone.
        if other is None:
            return ContentLocation(path)
        location = _location_of(other, digest, change.path, stuck=stuck)
        if isinstance(location, ContentLocation):
            return location
        later = later or location is NotYetThere.LATER
    return NotYetThere.LATER if later else None


def _location_of(
    other: PlannedChange, digest: bytes, wanted_at: bytes, *, stuck: bool
) -> ContentLocation | NotYetThere | None:
    holds_new = other.digest == digest and other.want == FILE
    held_old = other.old_digest == digest
    if other.state == DONE and holds_new:
        return ContentLocation(other.path)
    if held_old:
        if other.state == DONE or other.had != FILE:  # had != FILE: a folder or link takes its place
            return ContentLocation(other.path, aside=True)
        if other.state == PLANNED:
            # It will be replaced in this very run. Waiting is safe, and it then stands aside for good. Further names
            # of a file are made when all files are there, so nothing happens to them meanwhile.
            return ContentLocation(other.path) if stuck or other.first is not None else NotYetThere.LATER
    if other.state == BEGUN and (holds_new or held_old) and not other.why:  # refused: waiting is no use
        return NotYetThere.LATER
    if other.state == PLANNED and holds_new and other.path < wanted_at:
        return NotYetThere.LATER  # a large file that is on its way, or waits itself
    return None
