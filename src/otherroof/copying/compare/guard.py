"""Looks at what a run would change before anything is sent, and says whether a person should look first.

Pure: numbers in, a verdict out. A folder that lost its files, its mount or most of its content may be a slip of
the hand, a dead disk or malicious encryption; the far copy must not follow it by itself. Of changed files that now
look encrypted, a fifth of the limit for changes is too many.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from otherroof.base.units import count_text, percent_text
from otherroof.copying.compare.change import PlanTotals
from otherroof.copying.home.looks_encrypted import ChangedHeads

SLACK_PERCENT = 5.0  # a released run may change this many percentage points more than the held run did
ENCRYPTED_PART = 5  # of files that look encrypted, this part of the limit for changed files may change
LEAST_HEADS = 20  # fewer changed files than this say nothing
MOSTLY = 0.8  # the share of changed files that must look encrypted; else they are part of a household's mixture


@dataclass(frozen=True, slots=True)
class GuardLimits:
    """The job's `[guard]` table: percents of the files that the far copy holds."""

    removed_percent: float
    changed_percent: float
    from_files: int


@dataclass(frozen=True, slots=True)
class GuardView:
    """What the guard sees: the far copy's number of files, the folder's, and the changes between.

    `heads` tells how the changed content looks, if it was looked at.
    """

    held_files: int
    found_files: int
    totals: PlanTotals
    was_mounted: bool
    is_mounted: bool
    heads: ChangedHeads = field(default_factory=ChangedHeads)


@dataclass(frozen=True, slots=True)
class Release:
    """The numbers of a held run that a person has looked at and released."""

    removed: int
    changed: int
    of_files: int


def reason_to_hold(sight: GuardView, limits: GuardLimits, release: Release | None) -> str:
    """Why the run must be held, in one sentence; empty if it may go on."""
    if release is not None and _within(sight, release):
        return ""
    if sight.was_mounted and not sight.is_mounted:
        return "the folder is no longer a mount point, as it was: its disk is not there"
    if sight.held_files > 0 and sight.found_files == 0:
        return f"the folder is empty; the far copy holds {count_text(sight.held_files, 'file')}"
    if sight.held_files < limits.from_files:
        return ""
    files = count_text(sight.held_files, "file")
    removed = 100 * sight.totals.removed / sight.held_files
    if removed > limits.removed_percent:
        return (
            f"{sight.totals.removed:,} of {files} would go ({_over(removed, limits.removed_percent)}, "
            f"the limit is {limits.removed_percent:g} %)"
        )
    changed = 100 * sight.totals.changed / sight.held_files
    if changed > limits.changed_percent:
        return (
            f"{sight.totals.changed:,} of {files} would be replaced ({_over(changed, limits.changed_percent)}, "
            f"the limit is {limits.changed_percent:g} %)"
        )
    return _why_encrypted(sight, limits)


def _over(percent: float, limit: float) -> str:
    """So fine that it is seen to be over the limit."""
    return percent_text(percent / 100, 1 if round(percent) <= limit else 0)


def _why_encrypted(sight: GuardView, limits: GuardLimits) -> str:
    heads = sight.heads
    if heads.looked < LEAST_HEADS or heads.encrypted < MOSTLY * heads.looked:
        return ""
    limit = limits.changed_percent / ENCRYPTED_PART
    encrypted = heads.files * heads.encrypted // heads.looked
    if 100 * encrypted / sight.held_files <= limit:
        return ""
    return (
        f"{encrypted:,} of {count_text(sight.held_files, 'file')} would be replaced by what looks encrypted "
        f"({heads.encrypted:,} of {heads.looked:,} looked into, the limit is {limit:g} % of the files)"
    )


def may_look_encrypted(changed: int, held_files: int, limits: GuardLimits) -> bool:
    """Whether so many changed files could be over the limit for what looks encrypted, so that a look is worth it."""
    enough = held_files >= max(limits.from_files, 1) and changed >= LEAST_HEADS
    return enough and 100 * changed / held_files > limits.changed_percent / ENCRYPTED_PART


def _within(sight: GuardView, release: Release) -> bool:
    slack = SLACK_PERCENT / 100 * max(release.of_files, 1)
    return sight.totals.removed <= release.removed + slack and sight.totals.changed <= release.changed + slack
