"""How changes are found: moves, doubts and the guard's figures, with a plan of its own and a folder made up for it."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.base.clock import SteppedClock, in_ns
from otherroof.base.errors import Held, HomeTrouble, RunCut
from otherroof.copying.compare import find_changes
from otherroof.copying.compare.compare import Difference
from otherroof.copying.compare.doubts import DoubtSettler
from otherroof.copying.compare.find_changes import ChangeFinder, CopyRules
from otherroof.copying.compare.guard import GuardLimits, Release
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.context import RunContext
from otherroof.copying.home.scan import Batch, ScanNotes
from otherroof.copying.progress import Progress
from otherroof.copying.report import Problem, RunReport
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.numbers import HARD, Numbers

NOW_NS = in_ns(datetime(2031, 4, 5, 1, 30, tzinfo=UTC))
ONE, OTHER = b"\1" * 32, b"\2" * 32
LIMITS = GuardLimits(removed_percent=20, changed_percent=50, from_files=100)


def numbers(size: int = 10, *, ino: int = 1, mtime: int = 5, mode: int = 0o100644) -> Numbers:
    return (ino, size, mtime, 7, mode)


def line(path: bytes, digest: bytes = ONE) -> bytes:
    return Entry(path, "file", 10, NOW_NS, 0o644, 0, 0, digest=digest).line().encode()


@pytest.fixture
def plan(tmp_path: Path) -> Iterator[RunPlan]:
    made = RunPlan(str(tmp_path / "notes.db"))
    yield made
    made.close()


class Folder:
    """What each path's content and numbers turn out to be when it is read."""

    root = b"/srv/photos"

    def __init__(self, **content: tuple[bytes, Numbers]) -> None:
        self.content = {name.encode(): found for name, found in content.items()}
        self.read: list[bytes] = []

    def digest(self, path: bytes, _key: object = None) -> tuple[None, Entry, Numbers]:
        self.read.append(path)
        if path not in self.content:
            raise HomeTrouble("is gone")
        digest, found = self.content[path]
        return None, Entry(path, "file", found[1], NOW_NS, 0o644, 0, 0, digest=digest), found

    def head(self, path: bytes, _size: int) -> bytes:
        return self.content[path][0] * 200


def finder(folder: Folder, *, files: int = 1000, lost: bool = False, release: Release | None = None) -> ChangeFinder:
    facts = SimpleNamespace(files=files, size=5, mounted=False)
    checked: Any = SimpleNamespace(
        catalogue=SimpleNamespace(facts=facts), lost=lost, remarks=["the far copy no longer holds run r5"]
    )
    rules = CopyRules("photos", b"/srv/photos", LIMITS, release=release)
    context: Any = SimpleNamespace(check_stop=lambda _job: None, progress=SimpleNamespace(path=b""))
    made = ChangeFinder(rules, checked, folder, context)  # type: ignore[arg-type]
    made.totals.files = files
    return made


def sources(plan: RunPlan, *paths: bytes) -> list[bytes | None]:
    return [change.source for path in paths if (change := plan.get(path)) is not None]


# -- what cannot be read --


def test_a_folder_that_the_scan_could_not_read_is_told_although_sending_never_meets_it(
    plan: RunPlan, monkeypatch: pytest.MonkeyPatch
) -> None:
    made, report = finder(Folder()), RunReport("photos", "")
    notes = ScanNotes()
    notes.problems.append(Problem("album", "cannot be read: Permission denied"))
    monkeypatch.setattr(made, "_compare", lambda _: setattr(made, "notes", notes))
    made.find(plan, report)
    assert report.problems == notes.problems
    assert report.files.problems == 1


# -- the stop sign, while the folder is looked through --


@dataclass
class Scanning:
    """A folder of so many batches, each of which takes so long; a stop is asked for from `stop_at_s` on."""

    batches: int
    names: int
    each_s: float
    stop_at_s: float = float("inf")
    clock: SteppedClock = field(default_factory=lambda: SteppedClock(datetime(2031, 4, 5, tzinfo=UTC)))
    ticks: int = 0

    def __iter__(self) -> Iterator[Batch]:
        for _ in range(self.batches):
            self.clock.step(self.each_s)
            yield Batch(b"", [b"name"] * self.names, [])

    def asked(self) -> str:
        return "the service ends" if self.clock.monotonic() >= self.stop_at_s else ""

    def _tick(self) -> None:
        self.ticks += 1

    def gone_through(self) -> int:
        """How many entries are passed on in all."""
        made = finder(Folder())
        made._context = RunContext(self.clock, self, Progress(), self._tick)
        return sum(len(batch.names) for batch in made._ticking(self))  # type: ignore[arg-type]


def test_a_stop_is_heard_within_two_seconds_though_the_disk_gives_few_entries() -> None:
    slow = Scanning(batches=1000, names=3, each_s=0.4, stop_at_s=100)
    with pytest.raises(RunCut, match="the service ends"):
        slow.gone_through()
    assert slow.clock.monotonic() < 102


def test_a_quick_disk_is_not_held_up_by_looks_at_the_stop_sign() -> None:
    quick = Scanning(batches=2000, names=100, each_s=0.0)
    assert quick.gone_through() == 200_000
    assert 0 < quick.ticks <= 10


# -- moves --


def test_a_file_moved_only_if_it_is_still_as_the_scan_saw_it(plan: RunPlan) -> None:
    plan.add([Difference(b"old", None, numbers(), line(b"old")), Difference(b"new", numbers(), None, None)])
    finder(Folder(new=(ONE, numbers(mtime=6))))._find_moves(plan)
    assert sources(plan, b"new") == [None]
    finder(Folder(new=(ONE, numbers())))._find_moves(plan)
    assert sources(plan, b"new") == [b"old"]


def test_one_file_that_went_is_the_source_of_one_that_came(plan: RunPlan) -> None:
    """Else more would count as moved than went, and the guard's figures would be too small."""
    plan.add([Difference(b"old", None, numbers(), line(b"old"))])
    plan.add([Difference(name, numbers(), None, None) for name in (b"a", b"b")])
    finder(Folder(a=(ONE, numbers()), b=(ONE, numbers())))._find_moves(plan)
    assert sources(plan, b"a", b"b") == [b"old", None]
    totals = plan.totals()
    assert (totals.new, totals.removed, totals.moved) == (1, 0, 1)


# -- doubts --


def doubtful(plan: RunPlan, count: int) -> Folder:
    """Files with another inode, of which nobody knows yet whether they changed; those at even places have not."""
    plan.add(Difference(b"%02d" % at, numbers(ino=2), numbers(), line(b"%02d" % at)) for at in range(count))
    return Folder(**{f"{at:02d}": (OTHER if at % 2 else ONE, numbers(ino=2)) for at in range(count)})


def test_what_may_have_changed_counts_until_it_was_read(plan: RunPlan) -> None:
    folder = doubtful(plan, 10)
    settler = DoubtSettler(plan, folder, lambda: None)  # type: ignore[arg-type]
    assert (plan.totals().changed, plan.totals().doubtful) == (0, 10)
    asked: list[int] = []

    def still_matters(changed: int) -> bool:
        asked.append(changed)
        return len(folder.read) < 4

    settler.settle(still_matters)
    assert (len(folder.read), asked[0]) == (4, 10), "no more is read than matters"
    settler.settle(lambda _: True)
    assert (plan.totals().changed, plan.totals().doubtful) == (5, 0)


def test_a_file_that_changed_since_the_scan_gets_no_digest_that_is_not_its_own(plan: RunPlan) -> None:
    plan.add([Difference(b"a", numbers(ino=2), numbers(), line(b"a"))])
    folder = Folder(a=(ONE, numbers(ino=2, mtime=99)))
    DoubtSettler(plan, folder, lambda: None).settle(lambda _: True)  # type: ignore[arg-type]
    change = plan.get(b"a")
    assert change is not None
    assert (change.doubt, change.digest) == (False, None)


def test_a_further_name_is_not_read_again_if_it_is_the_very_file(plan: RunPlan) -> None:
    hard = numbers(ino=2, mode=0o100644 | HARD)
    other = numbers(ino=2, mtime=6, mode=0o100644 | HARD)
    plan.add([Difference(name, hard, numbers(), line(name), 3) for name in (b"a", b"b")])
    plan.add([Difference(b"c", other, numbers(), line(b"c", OTHER), 3)])
    plan.hard_links.find_first_names()
    folder = Folder(a=(ONE, hard), b=(ONE, hard), c=(OTHER, other))
    DoubtSettler(plan, folder, lambda: None).settle(lambda _: True)  # type: ignore[arg-type]
    assert folder.read == [b"a", b"c"]


# -- the guard --


def removals(plan: RunPlan, count: int) -> None:
    plan.add(Difference(b"%04d" % at, None, numbers(), line(b"%04d" % at)) for at in range(count))


def test_a_run_over_the_limits_is_held_by_what_the_catalogue_holds(plan: RunPlan) -> None:
    """Invariant 6."""
    removals(plan, 201)
    with pytest.raises(Held, match="201 of 1,000"):
        finder(Folder()).guard(plan)
    finder(Folder(), files=2000).guard(plan)


def test_doubtful_files_are_read_before_the_guard_lets_them_pass(plan: RunPlan) -> None:
    folder = doubtful(plan, 90)
    limits = GuardLimits(removed_percent=100, changed_percent=40, from_files=1)
    made = finder(folder, files=100)
    made._rules = CopyRules("photos", b"/srv/photos", limits)  # type: ignore[misc]
    with pytest.raises(Held, match="45 of 100 files would be replaced"):
        made.guard(plan)


def test_a_far_copy_that_was_lost_is_held_until_somebody_says_otherwise(plan: RunPlan) -> None:
    with pytest.raises(Held, match="no longer holds"):
        finder(Folder(), lost=True).guard(plan)
    finder(Folder(), lost=True, release=Release(0, 0, 1000)).guard(plan)


def test_a_folder_whose_disk_is_not_there_is_held(plan: RunPlan, monkeypatch: pytest.MonkeyPatch) -> None:
    made = finder(Folder())
    made._checked.catalogue.facts.mounted = True  # type: ignore[misc]
    monkeypatch.setattr(find_changes, "is_mount_point", lambda _folder: False)
    with pytest.raises(Held, match="no longer a mount point"):
        made.guard(plan)
    monkeypatch.setattr(find_changes, "is_mount_point", lambda _folder: True)
    made.guard(plan)


def test_noise_below_the_limit_for_changes_is_held(plan: RunPlan) -> None:
    changed = {f"{at:04d}": (random.Random(at).randbytes(32), numbers(4096, ino=2, mtime=6)) for at in range(150)}
    plan.add(
        Difference(name.encode(), found, numbers(4000), line(name.encode())) for name, (_, found) in changed.items()
    )
    noise, words = Folder(**changed), Folder(**changed)
    noise.head = lambda path, size: random.Random(path).randbytes(size)  # type: ignore[method-assign]
    words.head = lambda _path, size: (b"words " * size)[:size]  # type: ignore[method-assign]
    finder(words).guard(plan)
    with pytest.raises(Held, match="looks encrypted"):
        finder(noise).guard(plan)
