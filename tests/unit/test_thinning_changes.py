"""What goes with versions, by home's record of their changes: exactly what a comparison of all listings tells."""

from __future__ import annotations

import random
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from otherroof.restore.thinning import changes as changes_of_versions
from otherroof.restore.thinning.changes import VersionChanges
from support.far_history import Contents, digest, entries_of
from support.quick import slow_but_for

NAMES = [b"a", b"a/b", b"a.b", b"a/b/c", b"z", b"\xff\n", "ä".encode(), b'","digest":"', b"n"]


def random_versions(seed: int, count: int = 14) -> dict[str, Contents]:
    """Versions in a row; contents are drawn from a few, so that one moves, is doubled, and comes back."""
    chance = random.Random(seed)
    few = [bytes([number]) * (number * 7 + 1) for number in range(6)]
    now: Contents = {name: chance.choice(few) for name in NAMES[:4]}
    found: dict[str, Contents] = {}
    for number in range(count):
        if chance.random() < 0.8:
            for name in chance.sample(NAMES, 3):
                if chance.random() < 0.4:
                    now.pop(name, None)
                else:
                    now[name] = chance.choice([*few, chance.randbytes(9)])
        found[f"2031-04-{number + 1:02d}T013000Z-0000"] = dict(now)
    return found


class Listings:
    """Gives lines as a keeper does; each version's are asked for once."""

    def __init__(self, versions: dict[str, Contents]) -> None:
        self.versions = versions
        self.asked: list[str] = []
        self.same_as: dict[str, str] = {}
        before = ""
        for run, contents in versions.items():
            if before and versions[before] == contents:
                self.same_as[run] = self.same_as.get(before, before)
            before = run

    def lines(self, run: str) -> Iterator[bytes]:
        self.asked.append(run)
        return iter([entry.line().encode() for entry in entries_of(self.versions[run])])


def lost(versions: dict[str, Contents], going: set[str]) -> dict[bytes, int]:
    """By comparing all with all: what only versions that go hold, by its digest."""
    kept = {digest(content) for run, held in versions.items() if run not in going for content in held.values()}
    gone = {digest(content): len(content) for run in going for content in versions[run].values()}
    return {key: size for key, size in gone.items() if key not in kept}


@pytest.mark.parametrize("seed", slow_but_for(range(6), range(60)))
def test_what_goes_is_what_a_comparison_of_all_listings_tells(tmp_path: Path, seed: int) -> None:
    versions = random_versions(seed)
    chance = random.Random(seed)
    path = str(tmp_path / "changes.sqlite")
    for _ in range(3):  # some go, the record follows; then some more
        listings = Listings(versions)
        with closing(VersionChanges(path)) as changes:
            changes.follow(versions, listings.same_as, listings.lines)
            going = {run for run in versions if chance.random() < 0.5} - {max(versions)}
            wanted = lost(versions, going)
            found = changes.loss(going, shared=True)
            assert (found.files, found.size) == (len(wanted), sum(wanted.values()))
            assert {(one.size) for one in found.biggest} == set(wanted.values())
            assert all(one.last in going for one in found.biggest)
            assert changes.loss(set(), shared=True).files == 0
        versions = {run: held for run, held in versions.items() if run not in going}


ONE, TWO, THREE = (f"2031-04-0{day}T013000Z-0000" for day in (1, 2, 3))


def loss(path: Path, versions: dict[str, Contents], going: set[str]) -> tuple[int, int]:
    listings = Listings(versions)
    with closing(VersionChanges(str(path))) as changes:
        changes.follow(versions, listings.same_as, listings.lines)
        found = changes.loss(going, shared=True)
    return found.files, found.size


def test_content_that_stands_under_another_name_since_ever_is_not_lost(tmp_path: Path) -> None:
    versions: dict[str, Contents] = {ONE: {b"a": b"same", b"b": b"same"}, TWO: {b"a": b"same"}, THREE: {b"a": b"same"}}
    assert loss(tmp_path / "changes.sqlite", versions, {ONE}) == (0, 0)


@pytest.mark.parametrize("at_once", [1, 100, 1000])
def test_lines_are_read_whole_however_much_is_read_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    """Each of these contents went from one place and stands in another since ever, which only the lines tell."""
    monkeypatch.setattr(changes_of_versions, "AT_ONCE", at_once)
    since_ever: Contents = {b"stands %d" % number: b"content %d" % number for number in range(20)}
    gone: Contents = {b"went %d" % number: b"content %d" % number for number in range(20)}
    versions: dict[str, Contents] = {ONE: {**since_ever, **gone, b"lost": b"?"}, TWO: since_ever}
    assert loss(tmp_path / "changes.sqlite", versions, {ONE}) == (1, 1)


def test_a_version_that_shows_up_between_two_others_is_counted_where_it_belongs(tmp_path: Path) -> None:
    path = tmp_path / "changes.sqlite"
    versions: dict[str, Contents] = {ONE: {b"a": b"old"}, TWO: {b"a": b"between"}, THREE: {b"a": b"old"}}
    assert loss(path, {ONE: versions[ONE], THREE: versions[THREE]}, {ONE}) == (0, 0)
    assert loss(path, versions, {TWO}) == (1, len(b"between"))


def test_each_listing_is_read_once_and_one_that_changed_nothing_never(tmp_path: Path) -> None:
    versions = random_versions(3)
    runs = sorted(versions)
    versions[runs[5]] = versions[runs[4]]
    versions[runs[9]] = versions[runs[10]] = versions[runs[8]]
    listings = Listings(versions)
    assert set(listings.same_as) >= {runs[5], runs[9], runs[10]}
    path = str(tmp_path / "changes.sqlite")
    some = dict(list(versions.items())[:9])
    for held in (some, versions, versions):
        with closing(VersionChanges(path)) as changes:
            changes.follow(held, listings.same_as, listings.lines)
    assert listings.asked == [run for run in versions if run not in listings.same_as]
    assert len(list(tmp_path.glob("*.lines.gz"))) == 1


def test_what_was_replaced_is_told_with_how_long_it_stood(tmp_path: Path) -> None:
    runs = [f"2031-04-{day:02d}T013000Z-0000" for day in range(1, 11)]
    versions: dict[str, Contents] = {
        run: {b"daily": bytes([day]) * 10, b"third": bytes([day // 3]) * 1000, b"never": b"x" * 5}
        for day, run in enumerate(runs)
    }
    listings = Listings(versions)
    with closing(VersionChanges(str(tmp_path / "changes.sqlite"))) as changes:
        assert changes.replaced() == ([], 0.0)
        changes.follow(versions, listings.same_as, listings.lines)
        found, days = changes.replaced()
        assert days == pytest.approx(9)
        daily = [one for one in found if one.size == 10]
        assert [one.days for one in daily if not one.at_least] == pytest.approx([1.0] * 8)
        (third,) = {round(one.days, 6) for one in found if one.size == 1000 and not one.at_least}
        assert third == 3
        # The fourth and fifth go: what stood for a day there can no longer be known, so only later days are counted.
        listings = Listings({run: held for run, held in versions.items() if run not in runs[3:6]})
        changes.follow(listings.versions, listings.same_as, listings.lines)
        found, days = changes.replaced()
        assert days == pytest.approx(3)
        assert sum(one.size for one in found) == 3 * 10 + 1000


@pytest.mark.parametrize("harm", ["gone", "rubbish", "lines gone"])
def test_record_that_is_lost_or_damaged_is_made_anew(tmp_path: Path, harm: str) -> None:
    """Invariant 4."""
    versions = random_versions(5)
    path = tmp_path / "changes.sqlite"
    going = set(list(versions)[2:9])
    for turn in range(2):
        if turn and harm == "rubbish":
            path.write_bytes(b"rubbish" * 1000)
        elif turn:
            for one in tmp_path.glob("*.lines.gz" if harm == "lines gone" else "*"):
                one.unlink()
        listings = Listings(versions)
        with closing(VersionChanges(str(path))) as changes:
            changes.follow(versions, listings.same_as, listings.lines)
            assert changes.loss(going, shared=True).size == sum(lost(versions, going).values())
        if turn and harm != "lines gone":
            assert listings.asked
