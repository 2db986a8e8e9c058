"""The smaller parts of a proof, each by itself: what a version holds alone, what nobody needs, what home has whole."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import Damaged
from otherroof.copying.home.read import ChangedWhileRead, SourceFolder, new_digest
from otherroof.far.local.place import LocalPlace
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.reader import FarLocation
from otherroof.far_copy.view import FarCopyView
from otherroof.restore.proving.choice import _drawn, _SamplePlan
from otherroof.restore.proving.home_file import HomeFile, home_path
from otherroof.restore.proving.own_word import fetch_own_reading
from otherroof.restore.proving.shelves import Shelf, ShelfOpener, missing_since
from otherroof.restore.proving.strangers import NamesSeen


def file_entry(path: bytes, content: bytes = b"x") -> Entry:
    digest = new_digest()
    digest.update(content)
    return Entry(path, "file", len(content), 5, 0o644, 0, 0, digest=digest.digest())


@dataclass
class OneVersion:
    """A reader of a version: its files' contents, and which run keeps each of them, if one does."""

    run: str
    contents: dict[bytes, bytes]
    kept_by: dict[bytes, str] = field(default_factory=dict)
    same_as: str = ""
    looked_at: list[str] = field(default_factory=list)

    @property
    def header(self) -> SimpleNamespace:
        return SimpleNamespace(run=self.run, same_as=self.same_as)

    def entries(self) -> Iterator[Entry]:
        return (file_entry(path, content) for path, content in sorted(self.contents.items()))

    def lies_at(self, path: bytes) -> FarLocation:
        return FarLocation(path, self.kept_by.get(path, ""))

    def look(self, view: FarCopyView) -> bool:
        self.looked_at = list(view.earlier)
        return True

    def close(self) -> None:
        """Nothing is open."""


@dataclass
class Copies:
    """A keeper of these versions."""

    versions: dict[str, OneVersion]
    damaged: frozenset[str] = frozenset()

    def reader(self, run: str) -> OneVersion:
        return self.versions[run]

    def headers(self, runs: list[str]) -> dict[str, Any]:
        return {run: self.versions[run].header for run in runs}

    def prove_listing(self, run: str) -> Any:
        if run in self.damaged:
            raise Damaged("was changed", where=run)
        return self.versions[run].header


def shelf(version: OneVersion, newer: str = "") -> Shelf:
    return Shelf(version.run, newer, version.run, version)  # type: ignore[arg-type]


# -- what a version holds by itself --


def test_a_version_holds_what_the_runs_after_it_up_to_the_newer_one_moved_aside() -> None:
    kept = {b"a": "r2", b"b": "r3", b"c": "r4", b"d": "r5"}
    version = OneVersion("r2", dict.fromkeys([*kept, b"shared"], b"x"), kept)
    assert [entry.path for entry in shelf(version, "r4").entries()] == [b"b", b"c"]


def test_only_the_runs_between_two_versions_are_looked_at() -> None:
    keeper = Copies({"r2": OneVersion("r2", {})})
    opener = ShelfOpener(keeper)  # type: ignore[arg-type]
    opener.open("r2", Shelf("r4"), FarCopyView(runs=["r2", "r4", "r5"], earlier=["r2", "r3", "r4", "r5"]))
    assert keeper.versions["r2"].looked_at == ["r3", "r4"]


def test_a_listing_that_only_names_anothers_lines_is_proved_all_the_same() -> None:
    versions = {"r1": OneVersion("r1", {b"a": b"x"}), "r2": OneVersion("r2", {b"a": b"x"}, same_as="r1")}
    view = FarCopyView(runs=["r1", "r2"])
    newer = Shelf("r2", lines="r1")
    whole = ShelfOpener(Copies(versions)).open("r1", newer, view)  # type: ignore[arg-type]
    assert whole.lines_as_newer
    with pytest.raises(Damaged):
        ShelfOpener(Copies(versions, frozenset({"r1"}))).open("r1", newer, view)  # type: ignore[arg-type]


def test_what_is_other_in_the_newer_version_and_was_kept_by_nobody_is_missed() -> None:
    older = OneVersion(
        "r1",
        {b"changed": b"1", b"changed, kept": b"1", b"gone": b"1", b"gone, kept": b"1", b"same": b"1"},
        {b"changed, kept": "r2", b"gone, kept": "r2"},
    )
    newer = OneVersion("r2", {b"a": b"1", b"changed": b"2", b"changed, kept": b"2", b"same": b"1", b"z": b"1"})
    assert [entry.path for entry in missing_since(shelf(older, "r2"), shelf(newer))] == [b"changed", b"gone"]


# -- what nobody needs, what is drawn, what the far box says itself --


def test_every_name_that_is_needed_is_known_and_no_other() -> None:
    seen = NamesSeen()
    seen.add(b"%d" % number for number in range(100))
    assert seen.has(b"7")
    seen.add(b"%d" % number for number in range(100, 200))
    assert all(seen.has(b"%d" % number) for number in range(200))
    assert not any(seen.has(b"%d" % number) for number in range(200, 400))


def test_a_sample_that_turns_out_too_large_is_dropped_whole() -> None:
    """Without its large files it would be no sample of all any more."""

    class Always(SimpleNamespace):
        def randrange(self, left: int) -> int:
            return left - 1

    plan = _SamplePlan(count=2, population=3, most=60)
    assert _drawn([10, 50, 60], plan, 120, Always()) == [2, 1]  # type: ignore[arg-type]
    assert _drawn([10, 50, 60], plan, 100, Always()) == []  # type: ignore[arg-type]


def test_a_far_boxs_own_reading_larger_than_its_share_is_not_fetched(tmp_path: Path) -> None:
    (tmp_path / "box").mkdir()
    (tmp_path / "copies").mkdir()
    (tmp_path / "box" / "photos.read").write_bytes(b"x" * 100)
    place, into = LocalPlace(os.fsencode(tmp_path / "copies")), tmp_path / "fetched"
    assert not fetch_own_reading(place, "photos", str(into), 99)
    assert into.read_bytes() == b""
    assert fetch_own_reading(place, "photos", str(tmp_path / "again"), 100)
    assert not fetch_own_reading(place, "letters", str(tmp_path / "none"), 100)


# -- what this home has whole --


@pytest.fixture
def source(tmp_path: Path) -> Iterator[SourceFolder]:
    (tmp_path / "home").mkdir()
    made = SourceFolder(os.fsencode(tmp_path / "home"), SystemClock())
    yield made
    made.close()


def test_home_has_a_file_where_its_content_is_and_not_where_only_its_size_is(
    tmp_path: Path, source: SourceFolder
) -> None:
    entry = file_entry(b"a", b"good")
    (tmp_path / "home" / "a").write_bytes(b"evil")
    (tmp_path / "home" / "moved").write_bytes(b"good")
    assert home_path(source, entry, [b"gone", b"moved"]) == b"moved"
    assert home_path(source, entry, [b"gone"]) is None
    (tmp_path / "home" / "a").write_bytes(b"good")
    assert home_path(source, entry, []) == b"a"


@pytest.mark.parametrize("now", [b"evil", b"good and more", b"goo"])
def test_a_file_that_is_other_by_the_time_it_is_sent_is_no_healing(
    tmp_path: Path, source: SourceFolder, now: bytes
) -> None:
    (tmp_path / "home" / "a").write_bytes(now)
    file = HomeFile(source, b"a", file_entry(b"a", b"good"), 3)
    try:
        with pytest.raises(ChangedWhileRead):
            while file.take(wait=True) is not None:
                pass
    finally:
        file.close()
