"""What a proof and a healing make of what they read, each decision by itself: over versions that are only values."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.base.errors import Damaged
from otherroof.copying.home.read import new_digest
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.reader import FarLocation
from otherroof.far_copy.view import FarCopyView
from otherroof.restore.proving import heal, prove
from otherroof.restore.proving.choice import Choice
from otherroof.restore.proving.heal import DamageMark, Healer, HealReport
from otherroof.restore.proving.prove import FarProof
from otherroof.restore.proving.read_back import ReadingContext, WireBudget
from otherroof.restore.proving.report import FarDamage, ProofProgress, ProofReport
from otherroof.restore.proving.request import ProofRequest

AT = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)


def digest_of(content: bytes) -> bytes:
    made = new_digest()
    made.update(content)
    return made.digest()


@dataclass
class Version:
    """A reader of a version: its files' contents, and which run keeps each of them, if one does."""

    run: str
    contents: dict[bytes, bytes]
    kept_by: dict[bytes, str] = field(default_factory=dict)
    unlisted: dict[str, str] = field(default_factory=dict)

    @property
    def header(self) -> SimpleNamespace:
        return SimpleNamespace(run=self.run, same_as="")

    def entries(self) -> Iterator[Entry]:
        for path, content in sorted(self.contents.items()):
            yield Entry(path, "file", len(content), 5, 0o644, 0, 0, digest=digest_of(content))

    def lies_at(self, path: bytes) -> FarLocation:
        kept_by = self.kept_by.get(path, "")
        return FarLocation((f"earlier/{kept_by}/".encode() if kept_by else b"latest/") + path, kept_by)

    def look(self, _view: FarCopyView) -> bool:
        return False

    def look_again(self) -> bool:
        return False

    def close(self) -> None:
        """Nothing is open."""


@dataclass
class FarCopy:
    """A keeper of these versions, some of whose far files are `bad`."""

    versions: list[Version]
    bad: set[bytes] = field(default_factory=set)
    others: list[bytes] = field(default_factory=list)
    settled_names: list[bytes] = field(default_factory=list)

    @property
    def place(self) -> None:
        """Nothing is at the other end."""

    def view(self) -> FarCopyView:
        return FarCopyView(runs=[version.run for version in self.versions])

    def reader(self, run: str) -> Version:
        found = next((version for version in self.versions if version.run == run), None)
        if found is None:
            raise Damaged("is not there", where=run)
        return found

    def headers(self, runs: list[str]) -> dict[str, Any]:
        return {run: self.reader(run).header for run in runs}

    def listing_name(self, run: str) -> bytes:
        return b"runs/" + run.encode()

    def far_names(self, view: FarCopyView) -> list[bytes]:
        held = {version.lies_at(path).name for version in self.versions for path in version.contents}
        return sorted(held | {self.listing_name(run) for run in view.runs} | set(self.others))

    def mender(self) -> FarCopy:
        return self

    def settled(self, name: bytes) -> None:
        self.settled_names.append(name)


@dataclass
class Memory:
    """What is remembered: the days it was given, and what it heard since."""

    days: dict[bytes, int] = field(default_factory=dict)
    whole: list[bytes] = field(default_factory=list)
    broken: list[FarDamage] = field(default_factory=list)

    def day(self, name: bytes) -> int:
        return self.days.get(name, 0)

    def proved(self, name: bytes) -> None:
        self.whole.append(name)

    def proved_by_word(self, _name: bytes, _at: datetime) -> None:
        """Of no matter here."""

    def damaged(self, damage: FarDamage) -> None:
        self.broken.append(damage)

    def forget(self, _name: bytes) -> None:
        """Of no matter here."""


class Far:
    """Proofs and healings of a far copy, whose files are read as they are there; stopped once so many were read."""

    def __init__(self, copy: FarCopy, monkeypatch: pytest.MonkeyPatch, stops_after: int = 10**9) -> None:
        self.copy = copy
        self.read: list[bytes] = []
        self._stops_after = stops_after
        far = self

        class Readings:
            def __init__(self, reader: Version, _context: object, whole: Any, broken: Any) -> None:
                self._reader, self._whole, self._broken = reader, whole, broken

            def read(self, files: Iterator[Entry]) -> None:
                for entry in files:
                    if far.asked():
                        return
                    name = self._reader.lies_at(entry.path).name
                    far.read.append(name)
                    if name in copy.bad:
                        self._broken(entry, "rot")
                    else:
                        self._whole(entry)

        for module in (prove, heal):
            monkeypatch.setattr(module, "ReadBack", Readings)
        monkeypatch.setattr(heal, "run_script", lambda _place, done: done)

    def asked(self) -> str:
        return "a person asked" if len(self.read) >= self._stops_after else ""

    @property
    def context(self) -> ReadingContext:
        budget = WireBudget(SimpleNamespace(wire_down=0), 10**9)  # type: ignore[arg-type]
        stop: Any = SimpleNamespace(asked=self.asked)
        return ReadingContext(stop, ProofProgress(), lambda: None, budget)

    def proof(self, request: ProofRequest, memory: Memory, words: Any = None) -> ProofReport:
        copy: Any = self.copy
        return FarProof(copy, request, memory, self.context, words).carry_out(self.copy.view())

    def healing(self, *marks: DamageMark, source: Any = None) -> HealReport:
        copy: Any = self.copy
        return Healer(copy, self.copy.view(), self.context, source).heal(marks)


def two_versions(bad: set[bytes]) -> FarCopy:
    """r2 replaced `a` and kept what it was; `b` and `c` are shared."""
    older = Version("r1", {b"a": b"old", b"b": b"b", b"c": b"c"}, {b"a": "r2"})
    return FarCopy([older, Version("r2", {b"a": b"new", b"b": b"b", b"c": b"c"})], bad)


# -- a night's proof --

SHARE = ProofRequest("papers", budget=10**8, every_nights=90.0, today=500, nightly=10**8)


def chosen(monkeypatch: pytest.MonkeyPatch, **numbers: Any) -> None:
    monkeypatch.setattr(prove, "choose", lambda *_, **__: Choice(**numbers))


def test_what_the_far_box_itself_doubts_is_read_back_even_if_it_was_not_chosen(monkeypatch: pytest.MonkeyPatch) -> None:
    chosen(monkeypatch)
    far = Far(FarCopy([Version("r1", {b"a": b"a", b"b": b"b"})]), monkeypatch)
    said = {b"latest/a": (digest_of(b"a"), AT), b"latest/b": (digest_of(b"rot"), AT)}
    words = SimpleNamespace(newest=AT, of=said.get)
    report = far.proof(SHARE, Memory(), words)
    assert far.read == [b"latest/b"]
    assert (report.word_files, report.files, report.damaged) == (1, 1, [])


@pytest.mark.parametrize(("stops_after", "drawn", "damaged"), [(2, 2, 1), (1, 0, 0)])
def test_of_a_sample_something_is_said_only_if_all_of_it_was_read(
    monkeypatch: pytest.MonkeyPatch, stops_after: int, drawn: int, damaged: int
) -> None:
    chosen(monkeypatch, drawn=[0, 2], population=3)
    far = Far(FarCopy([two_versions(set()).versions[1]], {b"latest/a"}), monkeypatch, stops_after)
    report = far.proof(SHARE, Memory())
    assert far.read == [b"latest/a", b"latest/c"][:stops_after]
    assert (report.drawn, report.drawn_damaged) == (drawn, damaged)


def test_a_damaged_file_is_remembered_as_damaged_and_not_as_proved(monkeypatch: pytest.MonkeyPatch) -> None:
    far, memory = Far(two_versions({b"latest/b", b"earlier/r2/a"}), monkeypatch), Memory()
    report = far.proof(ProofRequest("papers", whole=True), memory)
    assert {name for name in memory.whole if not name.startswith(b"runs/")} == {b"latest/a", b"latest/c"}
    assert [(one.name, one.run, one.in_newest) for one in memory.broken] == [
        (b"latest/b", "r2", True),
        (b"earlier/r2/a", "r1", False),
    ]
    assert report.damaged == memory.broken


def test_never_and_since_when_are_told_of_the_newest_versions_files(monkeypatch: pytest.MonkeyPatch) -> None:
    chosen(monkeypatch)
    far = Far(FarCopy([two_versions(set()).versions[1]]), monkeypatch)
    report = far.proof(SHARE, Memory({b"latest/a": 9, b"latest/b": 5}))
    assert (report.never, report.oldest_day) == (1, 5)


def test_the_older_version_that_was_not_opened_for_longest_has_its_turn(monkeypatch: pytest.MonkeyPatch) -> None:
    chosen(monkeypatch)
    versions = [Version(f"r{number}", {b"a": b"a"}) for number in range(1, 5)]
    far, memory = Far(FarCopy(versions), monkeypatch), Memory()
    memory.days = {b"runs/r1": 7, b"runs/r2": 5, b"runs/r3": 9}
    memory.days |= {prove.all_read_name(name): 10 for name in list(memory.days)}
    assert far.proof(SHARE, memory).listings == 2
    older = {b"runs/r1", b"runs/r2", b"runs/r3"}
    assert [name for name in memory.whole if name in older] == [b"runs/r2"]


def test_what_no_version_needs_is_told_once_all_was_read(monkeypatch: pytest.MonkeyPatch) -> None:
    copy = two_versions(set())
    copy.others = [b"latest/of nobody"]
    assert Far(copy, monkeypatch).proof(ProofRequest("papers", whole=True), Memory()).extra == [b"latest/of nobody"]


# -- a healing --


def test_damage_of_versions_that_are_all_gone_is_damage_no_longer(monkeypatch: pytest.MonkeyPatch) -> None:
    mark = DamageMark("r0", "a")
    assert Far(two_versions({b"latest/a"}), monkeypatch).healing(mark).whole == [mark]


def test_what_a_removed_version_shared_with_the_one_before_it_is_looked_at_there(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    far = Far(two_versions({b"earlier/r2/a"}), monkeypatch)
    found = far.healing(DamageMark("r1-5", "a"))
    assert found.whole == []
    assert [(one.name, one.run) for one in found.left] == [(b"earlier/r2/a", "r1")]


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        ({b"latest/a"}, "its newest whole state is in version r1 (UTC)"),
        ({b"latest/a", b"earlier/r2/a"}, "no version was found that has it whole"),
    ],
)
def test_of_what_is_left_the_newest_version_that_has_it_whole_is_named(
    monkeypatch: pytest.MonkeyPatch, bad: set[bytes], said: str
) -> None:
    (left,) = Far(two_versions(bad), monkeypatch).healing(DamageMark("r2", "a")).left
    assert left.left == said


def test_a_healing_that_is_stopped_calls_nothing_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    far = Far(two_versions(set()), monkeypatch, stops_after=1)
    found = far.healing(DamageMark("r2", "a"), DamageMark("r2", "b"))
    assert (found.whole, found.left, far.read) == ([], [], [b"latest/a"])


def test_what_an_earlier_healing_left_beside_a_whole_file_is_taken_away(monkeypatch: pytest.MonkeyPatch) -> None:
    far = Far(two_versions(set()), monkeypatch)
    marks = [DamageMark("r2", "a"), DamageMark("r2", "c")]
    assert far.healing(*marks, source=object()).whole == marks
    assert far.copy.settled_names == [b"latest/a", b"latest/c"]
