"""The guard's judgement, case by case: what it holds, what it lets pass, and how far a release reaches."""

from __future__ import annotations

import random

import pytest

from otherroof.copying.compare.change import PlanTotals
from otherroof.copying.compare.guard import GuardLimits, GuardView, Release, reason_to_hold
from otherroof.copying.home.looks_encrypted import ChangedHeads, looks_encrypted

LIMITS = GuardLimits(removed_percent=20, changed_percent=50, from_files=100)


def judged(
    held: int, found: int, *, removed: int = 0, changed: int = 0, was: bool = False, now: bool = False,
    release: Release | None = None, limits: GuardLimits = LIMITS,
) -> str:  # fmt: skip
    totals = PlanTotals(new=0, changed=changed, removed=removed, moved=0, fresh_bytes=0)
    return reason_to_hold(GuardView(held, found, totals, was, now), limits, release)


@pytest.mark.parametrize(
    ("held", "found", "removed", "changed", "held_for"),
    [
        (0, 0, 0, 0, ""),  # a first run of an empty folder
        (0, 1000, 0, 0, ""),  # a first run
        (100, 80, 20, 0, ""),  # exactly at the limit
        (100, 79, 21, 0, "would go"),
        (100, 100, 0, 50, ""),
        (100, 100, 0, 51, "would be replaced"),
        (100, 49, 51, 49, "would go"),
        (99, 1, 98, 0, ""),  # too small a folder to judge by shares
        (99, 99, 0, 99, ""),
        (99, 0, 99, 0, "empty"),
        (1, 0, 1, 0, "empty"),
        (1000, 799, 201, 0, "would go"),
        (1000, 800, 200, 0, ""),
    ],
)
def test_limits(held: int, found: int, removed: int, changed: int, held_for: str) -> None:
    """Invariant 6."""
    why = judged(held, found, removed=removed, changed=changed)
    assert bool(why) == bool(held_for)
    assert held_for in why


@pytest.mark.parametrize(("was", "now", "held_for"), [(1, 0, True), (1, 1, False), (0, 1, False), (0, 0, False)])
def test_folder_that_was_a_mount_point_and_is_none(was: int, now: int, held_for: bool) -> None:
    assert bool(judged(10, 10, was=bool(was), now=bool(now))) == held_for


def test_limits_of_nought_and_of_a_hundred() -> None:
    strict = GuardLimits(0, 0, 1)
    assert judged(100, 99, removed=1, limits=strict)
    assert judged(100, 100, changed=1, limits=strict)
    assert not judged(100, 100, limits=strict)
    assert not judged(100, 1, removed=99, changed=0, limits=GuardLimits(100, 100, 1))


@pytest.mark.parametrize(
    ("removed", "changed", "passes"),
    [(300, 0, True), (350, 0, True), (351, 0, False), (0, 50, True), (300, 51, False), (0, 0, True)],
)
def test_release_reaches_a_little_further_than_what_was_seen(removed: int, changed: int, passes: bool) -> None:
    """A released run may find a few more gone: five in a hundred of the folder, and no more."""
    release = Release(removed=300, changed=0, of_files=1000)
    told = judged(1000, 1000 - removed, removed=removed, changed=changed, release=release, limits=GuardLimits(1, 1, 1))
    assert (told == "") == passes


def test_release_of_an_empty_folder_and_of_a_missing_mount() -> None:
    assert judged(500, 0, removed=500, release=Release(500, 0, 0)) == ""
    assert judged(500, 0, removed=500, was=True, release=Release(500, 0, 0)) == ""
    assert judged(500, 0, removed=500, release=Release(400, 0, 0))


def test_reason_is_one_sentence_with_its_figures() -> None:
    assert judged(200, 100, removed=100) == "100 of 200 files would go (50 %, the limit is 20 %)"
    assert judged(200, 200, changed=150) == "150 of 200 files would be replaced (75 %, the limit is 50 %)"
    assert judged(200, 0, removed=200) == "the folder is empty; the far copy holds 200 files"


@pytest.mark.parametrize(
    ("files", "looked", "encrypted", "held_for"),
    [
        (101, 101, 101, True),
        (100, 100, 100, False),  # a fifth of 50 % of 1,000
        (126, 126, 101, True),
        (150, 150, 119, False),  # a mixture
        (400, 40, 40, True),  # a sample of them
        (400, 19, 19, False),  # too few to say anything
        (400, 0, 0, False),
    ],
)
def test_content_that_turned_into_noise(files: int, looked: int, encrypted: int, held_for: bool) -> None:
    totals = PlanTotals(new=0, changed=files, removed=0, moved=0, fresh_bytes=0)
    sight = GuardView(1000, 1000, totals, False, False, ChangedHeads(files, looked, encrypted))
    assert ("looks encrypted" in reason_to_hold(sight, LIMITS, None)) == held_for
    assert not reason_to_hold(sight, LIMITS, Release(0, files, 1000))


def test_what_looks_encrypted() -> None:
    noise = random.Random(3).randbytes(4096)
    assert looks_encrypted(noise)
    assert looks_encrypted(b"locked!" + noise)
    assert not looks_encrypted(noise[:500])  # too short to tell
    assert not looks_encrypted(b"a letter to the bank. " * 100)
    assert not looks_encrypted(b"\xff\xd8\xff" + noise)
    assert not looks_encrypted(b"\0\0\0\x20ftypheic" + noise)
