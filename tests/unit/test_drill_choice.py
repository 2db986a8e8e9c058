"""The part that a drill draws: never more than its room, like the whole by count and by size, each file as likely."""

from __future__ import annotations

import random
import statistics
from collections import Counter

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from scipy import stats

from otherroof.far_copy.entry import Entry
from otherroof.restore.drilling.choice import (
    LARGEST_PART,
    MOST_FILES,
    choose,
    class_of,
    content_of,
    counts_for,
    room_of,
    sums_of,
)
from otherroof.restore.selection import Selection

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

MB = 1_000_000
SIZES = some.one_of(
    some.integers(0, 20_000),
    some.integers(20_000, 400_000),
    some.integers(400_000, 6 * MB),
    some.integers(6 * MB, 90 * MB),
)


def entry(number: int, size: int, **more: object) -> Entry:
    return Entry(b"%06d" % number, "file", size, 0, 0o644, 0, 0, digest=bytes(32), **more)  # type: ignore[arg-type]


def household(count: int = 6000) -> list[Entry]:
    """Many letters, fewer pictures, a few films."""
    chance = random.Random(3)
    return [
        entry(number, int(chance.choice((3e3, 3e3, 3e3, 6e4, 6e4, 2.5e6, 2e7)) * chance.uniform(0.5, 1.5)))
        for number in range(count)
    ]


@settings(max_examples=200, deadline=None)
@given(some.lists(SIZES, max_size=300), some.integers(0, 200 * MB), some.integers(0, 2**32))
def test_never_more_than_its_room_and_nothing_twice(sizes: list[int], room: int, seed: int) -> None:
    entries = [entry(number, size) for number, size in enumerate(sizes)]
    sums = sums_of(entries, room)
    drawn = choose(entries, sums, room, random.Random(seed))
    assert sum(map(room_of, drawn)) <= room
    assert len({one.path for one in drawn}) == len(drawn)
    assert [one.path for one in drawn] == sorted(one.path for one in drawn)
    assert all(room_of(one) <= room * LARGEST_PART for one in drawn)
    fits = [one for one in entries if room_of(one) <= room * LARGEST_PART]
    if sum(map(room_of, fits)) <= room:
        assert len(drawn) == len(fits), "if all fits, all comes"
    elif fits:
        assert drawn
    assert sums.files == len(entries)
    assert sums.size == sum(sizes)
    assert sums.too_large.count + sum(one.count for one in sums.classes) == len(entries)


def test_every_file_of_a_class_is_as_likely_as_any_other() -> None:
    """Pearson's chi-square over 600 draws, class by class, where files of a class are alike in size: those that do not
    fit at the edge of the room are then any. Each class is one that is drawn in part."""
    sizes = (3_000, 60_000, 2_500_000, 20_000_000)
    entries = [entry(number, sizes[number % 4]) for number in range(1600)]
    room, draws = 4_500 * MB, 600
    sums = sums_of(entries, room)
    times: Counter[bytes] = Counter()
    for seed in range(draws):
        times.update(one.path for one in choose(entries, sums, room, random.Random(seed)))
    for size in sizes:
        counts = [times[one.path] for one in entries if one.size == size]
        share = statistics.mean(counts) / draws
        assert 0.3 < share < 0.7, (size, share)
        # Each count is binomial: its variance is smaller than that of Poisson by the share that is not drawn.
        squares = sum((count - draws * share) ** 2 for count in counts) / (draws * share * (1 - share))
        assert 1e-4 < stats.chi2.sf(squares, len(counts) - 1) < 1 - 1e-4, (size, share)


def test_the_part_is_like_the_whole_by_count_and_by_size() -> None:
    """Over many draws the same share of each class comes, in files and in bytes."""
    entries = household()
    room = 4_000 * MB
    sums = sums_of(entries, room)
    files: Counter[int] = Counter()
    sizes: Counter[int] = Counter()
    draws = 40
    for seed in range(draws):
        for one in choose(entries, sums, room, random.Random(seed)):
            files[class_of(one.size)] += 1
            sizes[class_of(one.size)] += one.size
    whole = Counter(class_of(one.size) for one in entries)
    whole_sizes = Counter[int]()
    for one in entries:
        whole_sizes[class_of(one.size)] += one.size
    shares = {number: files[number] / draws / whole[number] for number in whole if whole[number] > 1000}
    assert max(shares.values()) / min(shares.values()) < 1.1, shares
    by_size = {number: sizes[number] / draws / whole_sizes[number] for number in shares}
    for number, share in shares.items():
        assert by_size[number] == pytest.approx(share, rel=0.05)


def test_some_of_each_size_come_however_rare_they_are() -> None:
    entries = [entry(number, 2_000) for number in range(5000)] + [entry(9_000 + n, 30 * MB) for n in range(40)]
    sums = sums_of(entries, 100 * MB)
    for seed in range(20):
        sizes = {one.size for one in choose(entries, sums, 100 * MB, random.Random(seed))}
        assert sizes == {2_000, 30 * MB}


def test_no_more_files_than_a_drill_can_hold_in_mind() -> None:
    entries = [entry(number, 10) for number in range(3 * MOST_FILES)]
    sums = sums_of(entries, 10**12)
    assert sum(counts_for(sums.classes, 10**12)) == pytest.approx(MOST_FILES, rel=1e-6)
    assert len(choose(entries, sums, 10**12, random.Random(1))) <= MOST_FILES + 5


def test_holes_and_further_names_cross_no_line() -> None:
    sparse = entry(1, 50 * MB, holes=((0, 49 * MB),))
    further = entry(2, 5 * MB, first=b"000001")
    assert (content_of(sparse), content_of(further)) == (MB, 0)
    sums = sums_of([sparse, further], 10 * MB)
    assert (sums.files, sums.size) == (2, MB)
    assert choose([sparse, further], sums, 10 * MB, random.Random(1)) == [sparse]


def test_what_is_always_wanted_comes_first_and_is_not_drawn_again() -> None:
    entries = household(500)
    always = Selection((entries[7].path, entries[8].path))
    room = 60 * MB
    sums = sums_of(entries, room, always)
    for seed in range(10):
        drawn = choose(entries, sums, room, random.Random(seed), always)
        assert {entries[7].path, entries[8].path} <= {one.path for one in drawn}
        assert sum(map(room_of, drawn)) <= room
