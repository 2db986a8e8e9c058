"""From what the guard's shares are reckoned, and how far a release reaches: each case with its own sum beside it."""

from __future__ import annotations

import random

import pytest

from otherroof.copying.compare.change import PlanTotals
from otherroof.copying.compare.compare import Difference, UnchangedBlock, compare
from otherroof.copying.compare.guard import GuardLimits, GuardView, Release, may_look_encrypted, reason_to_hold
from otherroof.copying.compare.hard_links import unchanged_names_of
from otherroof.copying.home.looks_encrypted import ChangedHeads, has_new_ending, looks_encrypted
from otherroof.far_copy.numbers import HARD, Numbers, probably_same_content
from support.trees import Tree, batches_of, blocks_of

LIMITS = GuardLimits(removed_percent=20, changed_percent=50, from_files=100)
NO_HEADS = ChangedHeads()


def why(
    held: int, found: int, *, removed: int = 0, changed: int = 0, heads: ChangedHeads = NO_HEADS,
    release: Release | None = None,
) -> str:  # fmt: skip
    totals = PlanTotals(new=0, changed=changed, removed=removed, moved=0, fresh_bytes=0)
    return reason_to_hold(GuardView(held, found, totals, False, False, heads), LIMITS, release)


# -- of what the far copy held, not of what was found --


def test_encryption_that_adds_files_does_not_slip_under_the_limit() -> None:
    """Invariant 6: 600 of 1,000 were replaced, and 1000 new ones came beside them: 60 %, not 30 %."""
    assert "600 of 1,000 files would be replaced (60 %" in why(1000, 2000, changed=600)


def test_files_that_are_added_hide_none_that_go() -> None:
    assert "300 of 1,000 files would go (30 %" in why(1000, 1700, removed=300)


def test_what_looks_encrypted_is_reckoned_from_what_was_held() -> None:
    """A fifth of 50 % is 10 %: 150 of 1,000 are over it, however many were added."""
    heads = ChangedHeads(files=150, looked=50, encrypted=50)
    assert "150 of 1,000 files would be replaced by what looks encrypted" in why(1000, 3000, changed=150, heads=heads)


def test_the_sample_stands_for_all_changed_files() -> None:
    """Half of the 400 looked like noise, so that 200 of 1000 count: 20 %. Four in five must, or it is a mixture."""
    assert why(1000, 1000, changed=400, heads=ChangedHeads(400, 20, 16)), "16 of 20 are four in five"
    assert not why(1000, 1000, changed=400, heads=ChangedHeads(400, 20, 15))
    assert not why(1000, 1000, changed=100, heads=ChangedHeads(100, 20, 20)), "just at the limit of 10 %"
    assert why(1000, 1000, changed=101, heads=ChangedHeads(101, 20, 20))
    assert not why(1000, 1000, changed=400, heads=ChangedHeads(400, 19, 19)), "too few were looked into"


def test_a_look_is_taken_as_soon_as_it_might_matter() -> None:
    assert may_look_encrypted(101, 1000, LIMITS)
    assert not may_look_encrypted(100, 1000, LIMITS)
    assert not may_look_encrypted(19, 100, LIMITS)
    assert not may_look_encrypted(99, 99, LIMITS), "too small a folder"


def test_the_limit_of_small_folders_is_what_was_held() -> None:
    assert why(100, 10, removed=90)
    assert not why(99, 9, removed=90)


# -- a release --

SEEN = Release(removed=300, changed=0, of_files=1000)


def test_a_release_has_five_in_a_hundred_of_the_folder_that_was_looked_at() -> None:
    """Of 1000 files: 50. Ten thousand that came since do not make it 500."""
    assert not why(1000, 700, removed=350, release=SEEN)
    assert why(1000, 700, removed=351, release=SEEN)
    assert why(11_000, 10_600, removed=3500, release=SEEN)


def test_a_release_of_removals_lets_nothing_be_replaced_and_the_other_way_round() -> None:
    assert why(1000, 700, removed=300, changed=600, release=SEEN)
    assert why(1000, 400, removed=600, changed=600, release=Release(removed=0, changed=600, of_files=1000))


# -- what counts as a change --

BEFORE: Numbers = (7, 10, 1000, 2000, 0o100644)
CHANGED: dict[str, Numbers] = {
    "inode": (8, 10, 1000, 2000, 0o100644),
    "size": (7, 11, 1000, 2000, 0o100644),
    "time": (7, 10, 1001, 2000, 0o100644),
    "ctime alone": (7, 10, 1000, 2001, 0o100644),
    "rights alone": (7, 10, 1000, 2000, 0o100600),
    "a second name": (7, 10, 1000, 2000, 0o100644 | HARD),
}


@pytest.mark.parametrize("quiet", [True, False], ids=["in a quiet folder", "beside another change"])
@pytest.mark.parametrize("what", CHANGED)
def test_a_change_of_one_number_alone_is_seen(what: str, quiet: bool) -> None:
    ours: Tree = {b"a": CHANGED[what]}
    theirs: Tree = {b"a": BEFORE}
    if not quiet:
        ours |= {b"b": (1, 1, 1, 1, 0o100644)}
    told = [one for one in compare(batches_of(ours), blocks_of(theirs), lambda _: False) if isinstance(one, Difference)]
    assert [one.path for one in told] == sorted(ours)
    assert (told[0].found, told[0].known) == (CHANGED[what], BEFORE)


def test_the_device_of_a_file_with_several_names_goes_along() -> None:
    """Names of one file are found by device and inode together; the catalogue knows no device."""
    batches = list(batches_of({b"a": CHANGED["a second name"]}))
    batches[0].hard = {b"a": 42}
    (told,) = compare(batches, blocks_of({b"a": BEFORE}), lambda _: False)
    assert isinstance(told, Difference)
    assert told.device == 42


def test_a_folder_that_could_not_be_read_is_not_gone() -> None:
    """Invariant 6."""
    theirs: Tree = {b"f": (1, 0, 1, 1, 0o40755), b"f/a": BEFORE}
    told = list(compare(batches_of({b"f": (1, 0, 1, 1, 0o40755)}), blocks_of(theirs), lambda path: path == b"f/a"))
    assert all(isinstance(one, UnchangedBlock) for one in told)
    assert sum(one.files for one in told if isinstance(one, UnchangedBlock)) == 1


def test_a_run_that_reads_all_anew_passes_no_file() -> None:
    tree: Tree = {b"a": BEFORE, b"f": (1, 0, 1, 1, 0o40755), b"l": (2, 1, 1, 1, 0o120777)}
    told = compare(batches_of(tree), blocks_of(tree), lambda _: False, reread=True)
    assert [one.path for one in told if isinstance(one, Difference)] == [b"a"]


@pytest.mark.parametrize(("what", "same"), [("size", False), ("time", False), ("inode", True), ("rights alone", True)])
def test_the_same_content_is_likely_only_at_the_same_size_and_time(what: str, same: bool) -> None:
    assert probably_same_content(CHANGED[what], BEFORE) is same


# -- names and content that look encrypted --


@pytest.mark.parametrize(
    ("went", "came", "new"),
    [
        (b"a/b.txt", b"a/b.txt.locked", True),  # one ending more
        (b"a/b.txt", b"a/b.locked", True),  # another in its place
        (b"a/b.txt", b"a/c.txt", False),
        (b"a/b.txt", b"a/b", False),
        (b"a/b.txt", b"c/b.locked", False),
        (b"a/.b", b"a/.b.locked", True),
    ],
)
def test_a_new_ending_is_one_more_or_another_in_its_place(went: bytes, came: bytes, new: bool) -> None:
    assert has_new_ending(went, came) is new


def test_photos_are_no_noise_and_noise_is() -> None:
    noise = random.Random(1).randbytes(4096)
    assert looks_encrypted(noise)
    assert not looks_encrypted(b"\xff\xd8\xff" + noise)
    assert not looks_encrypted(b"words and words " * 300)


def test_an_unchanged_name_is_linked_again_only_if_it_is_not_planned_already() -> None:
    """Else what changed of it would be forgotten."""
    hard = (5, 1, 2, 3, 0o100644 | HARD)
    tree: Tree = {b"a": hard, b"b": hard, b"other": (6, 1, 2, 3, 0o100644 | HARD), b"single": (5, 1, 2, 3, 0o100644)}
    found = unchanged_names_of(blocks_of(tree), {5}, {b"a"}.__contains__, lambda _path: 9)
    assert [(one.path, one.found, one.known, one.device) for one in found] == [(b"b", hard, hard, 9)]
