"""Looks at what a run would change before anything is sent, and says whether a person should look first.

Pure: numbers in, a verdict out. A folder that lost its files, its mount or most of its content may be a slip of
the hand, a dead disk or malicious encryption; the far copy must not follow it by itself.
"""

from __future__ import annotations

from dataclasses import dataclass

from otherroof.copying.compare.change import PlanTotals

SLACK_PERCENT = 5.0  # a released run may change this many percentage points more than the held run did


@dataclass(frozen=True, slots=True)
class GuardLimits:
    """The job's `[guard]` table: percents of the files that the far copy holds."""

    removed_percent: float
    changed_percent: float
    from_files: int


@dataclass(frozen=True, slots=True)
class GuardView:
    """What the guard sees: the far copy's number of files, the folder's, and the changes between."""

    held_files: int
    found_files: int
    tally: PlanTotals
    was_mounted: bool
    is_mounted: bool


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
        return f"the folder is empty; the far copy holds {sight.held_files} files"
    if sight.held_files < limits.from_files:
        return ""
    removed = 100 * sight.tally.removed / sight.held_files
    if removed > limits.removed_percent:
        return (
            f"{sight.tally.removed} of {sight.held_files} files would go ({removed:.0f} %, "
            f"the limit is {limits.removed_percent:g} %)"
        )
    changed = 100 * sight.tally.changed / sight.held_files
    if changed > limits.changed_percent:
        return (
            f"{sight.tally.changed} of {sight.held_files} files would be replaced ({changed:.0f} %, "
            f"the limit is {limits.changed_percent:g} %)"
        )
    return ""


def _within(sight: GuardView, release: Release) -> bool:
    slack = SLACK_PERCENT / 100 * max(release.of_files, 1)
    return sight.tally.removed <= release.removed + slack and sight.tally.changed <= release.changed + slack
