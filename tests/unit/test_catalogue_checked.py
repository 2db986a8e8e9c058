"""What a run believes of its own catalogue when it begins: each doubt by itself, with a far copy made up for it.

Invariants 4 and 8: the catalogue is a cache, and what a cut run did is asked or read, not guessed.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.copying.compare import catalogue_repair
from otherroof.copying.compare.catalogue import Catalogue, replace_catalogue, write_catalogue
from otherroof.copying.compare.catalogue_repair import CheckedCatalogue, JobStateFiles, check_catalogue
from otherroof.copying.compare.compare import Difference
from otherroof.copying.compare.half_sent import SafePart
from otherroof.copying.compare.plan import RunPlan
from otherroof.far_copy.entry import parse_line
from otherroof.far_copy.keeper import Keeper, RunMark
from otherroof.far_copy.numbers import CTIME, INODE, Numbers, join_path
from otherroof.far_copy.state import CopyState
from otherroof.far_copy.view import FarCopyView
from support.run_context import run_context
from support.trees import Tree, blocks_of, line_of

NOW = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)
R1, R2, R3, R9 = (f"2031-04-0{day}T013000Z-0000" for day in (1, 2, 3, 9))
TREE: Tree = {b"a": (11, 1, 2, 3, 0o100644), b"f": (12, 0, 2, 3, 0o40755), b"f/b": (13, 2, 2, 3, 0o100644)}
LATER: Tree = {b"a": (11, 3, 2, 3, 0o100644), b"z": (14, 2, 2, 3, 0o100644)}


@dataclass
class FarCopy:
    """A keeper of a far copy whose newest listing holds `tree`."""

    tree: Tree
    home_id: str = "larch"
    server: str = "ours"
    moved: dict[str, list[bytes]] = field(default_factory=dict)
    held: dict[bytes, bytes | None] = field(default_factory=dict)
    under_way: list[RunMark] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def lines(self, run: str) -> Iterator[bytes]:
        self.asked.append(f"lines of {run}")
        return iter([line_of(path, self.tree[path]) for path in sorted(self.tree)])

    def writer(self, run: str) -> str:
        return f"writer of {run}"

    def marks(self) -> list[RunMark]:
        return self.under_way

    def moved_aside(self, run: str) -> list[bytes]:
        self.asked.append(f"moved by {run}")
        return self.moved.get(run, [])

    def held_now(self, path: bytes) -> bytes | None:
        return self.held[path]


@pytest.fixture
def files(tmp_path: Path) -> JobStateFiles:
    for name in ("catalogues", "notes"):
        (tmp_path / name).mkdir()
    return JobStateFiles(str(tmp_path), "photos")


@pytest.fixture
def settled(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Whose changes were settled."""
    told: list[str] = []
    monkeypatch.setattr(catalogue_repair, "settle_unfinished", lambda _plan, writer, _run: told.append(writer))
    return told


def hold(files: JobStateFiles, facts: CopyState, tree: Tree = TREE) -> None:
    replace_catalogue(write_catalogue(files.catalogue, blocks_of(tree), facts), files.catalogue)


def note(files: JobStateFiles, run: str, base: str, *, whole_run: str = "") -> None:
    """Notes of a run that replaced `a`, and has half sent a film."""
    plan = RunPlan(files.notes)
    plan.note_beginning(run, base, NOW)
    plan.note_fact("whole_run", whole_run)
    plan.add([Difference(b"a", (11, 7, 2, 3, 0o100644), TREE[b"a"], line_of(b"a", TREE[b"a"]))])
    change = plan.get(b"a")
    assert change is not None
    change.line, change.digest = line_of(b"a", (11, 7, 2, 3, 0o100644)), b"\7" * 32
    plan.begin(change)
    plan.done(change)
    plan.half_sent.note(b"film", (20, 9, 9, 9, 0), SafePart(500, b""))
    plan.commit()
    plan.close()


def check(files: JobStateFiles, far: FarCopy, view: FarCopyView) -> CheckedCatalogue:
    checked = check_catalogue(files, cast(Keeper, far), view, run_context(SteppedClock(NOW)))
    checked.catalogue.close()
    return checked


def held(files: JobStateFiles) -> dict[bytes, Numbers]:
    with closing(Catalogue(files.catalogue)) as catalogue:
        return {join_path(block.folder, name): five for block in catalogue.blocks() for name, five, _ in block.items()}


def facts_of(files: JobStateFiles) -> CopyState:
    with closing(Catalogue(files.catalogue)) as catalogue:
        return catalogue.facts


# -- whose it is, and whether it is the newest --


def test_a_catalogue_that_is_ours_and_of_the_newest_run_is_believed_as_it_is(files: JobStateFiles) -> None:
    hold(files, CopyState(R1, "larch"))
    far = FarCopy(LATER)
    checked = check(files, far, FarCopyView(runs=[R1]))
    assert (checked.remarks, checked.unsure, checked.lost, far.asked) == ([], False, False, [])
    assert held(files) == TREE


def test_another_homes_catalogue_is_not_believed(files: JobStateFiles) -> None:
    hold(files, CopyState(R1, "another home"))
    checked = check(files, FarCopy(LATER), FarCopyView(runs=[R1]))
    assert "another home's" in checked.remarks[0]
    assert set(held(files)) == set(LATER)


def test_the_very_first_catalogue_is_nobodys_yet(files: JobStateFiles) -> None:
    for _ in range(2):
        assert check(files, FarCopy({}), FarCopyView()).remarks == []


def test_a_far_copy_that_went_on_without_us_is_read_from_its_listing(files: JobStateFiles) -> None:
    """Inode and ctime are not known then, so that every file is looked at."""
    hold(files, CopyState(R1, "larch"))
    far = FarCopy(LATER)
    checked = check(files, far, FarCopyView(runs=[R1, R2]))
    assert (far.asked, checked.lost) == ([f"lines of {R2}"], False)
    assert {path: five[1:3] for path, five in held(files).items()} == {path: five[1:3] for path, five in LATER.items()}
    assert all(five[INODE] == five[CTIME] == 0 for five in held(files).values())


def test_a_damaged_catalogue_is_set_aside_and_told(files: JobStateFiles) -> None:
    hold(files, CopyState(R1, "larch"))
    with closing(Catalogue(files.catalogue)) as catalogue:
        catalogue._db.execute("UPDATE block SET size = size + 1")
    checked = check(files, FarCopy(LATER), FarCopyView(runs=[R1]))
    assert "set aside" in checked.remarks[0]
    assert set(held(files)) == set(LATER)


@pytest.mark.parametrize("looks", [1, 2, 3])
def test_a_loss_is_told_until_a_run_counts_again(files: JobStateFiles, looks: int) -> None:
    """Else the second held run would let it pass the guard."""
    hold(files, CopyState(R3, "larch"))
    for _ in range(looks):
        checked = check(files, FarCopy(LATER), FarCopyView(runs=[R1]))
    assert checked.lost
    assert R3 in checked.remarks[-1]
    assert (facts_of(files).run, facts_of(files).lost) == (R1, R3)


def test_a_loss_is_over_when_the_run_is_there_again(files: JobStateFiles) -> None:
    hold(files, CopyState(R1, "larch", lost=R3))
    checked = check(files, FarCopy(TREE), FarCopyView(runs=[R1, R3]))
    assert (checked.lost, facts_of(files).lost) == (False, "")


def test_nothing_that_sqlite_kept_beside_the_old_catalogue_is_left_for_the_new_one(files: JobStateFiles) -> None:
    hold(files, CopyState(R1, "larch"))
    beside = [Path(files.catalogue + end) for end in ("-wal", "-shm")]
    for leftover in beside:
        leftover.write_bytes(b"of the old file")
    hold(files, CopyState(R2, "larch"))
    assert [leftover.name for leftover in beside if leftover.exists()] == []
    assert facts_of(files).run == R2


# -- notes of a cut run --


def test_what_a_cut_run_did_is_settled_and_folded_in(files: JobStateFiles, settled: list[str]) -> None:
    hold(files, CopyState(R1, "larch"))
    note(files, R2, R1)
    checked = check(files, FarCopy(TREE), FarCopyView(runs=[R1], under_way=[R2]))
    assert settled == [f"writer of {R2}"]
    assert held(files)[b"a"][1] == 7
    assert (facts_of(files).run, facts_of(files).settled) == (R1, R2)
    assert not checked.unsure, "its notes tell all that it did"
    assert [(path, part.upto) for path, _, part in checked.parts] == [(b"film", 500)]


def test_half_sent_files_stay_noted_until_the_next_run_has_notes_of_its_own(
    files: JobStateFiles, settled: list[str]
) -> None:
    hold(files, CopyState(R1, "larch"))
    note(files, R2, R1)
    for _ in range(3):  # each of them killed before it has begun
        checked = check(files, FarCopy(TREE), FarCopyView(runs=[R1], under_way=[R2]))
        with closing(RunPlan(files.notes)) as kept:
            assert [path for path, _, _ in kept.half_sent.all()] == [b"film"]
    assert checked.remarks == []


def test_a_run_that_counted_before_it_was_killed_is_not_asked_for(files: JobStateFiles, settled: list[str]) -> None:
    hold(files, CopyState(R1, "larch"))
    note(files, R2, R1, whole_run=R2)
    far = FarCopy(TREE)
    check(files, far, FarCopyView(runs=[R1, R2]))
    assert (settled, far.asked) == ([], [])
    assert held(files)[b"a"][1] == 7
    assert (facts_of(files).run, facts_of(files).whole_run) == (R2, R2)


@pytest.mark.parametrize(
    ("known", "base", "runs"),
    [(R1, R3, [R1]), (R1, R3, [R1, R2]), (R1, R1, [R1, R3]), (R2, R2, [R2])],
    ids=["of another beginning", "of another beginning, and it counts", "the far copy went on", "they are in already"],
)
def test_notes_that_do_not_belong_to_the_catalogue_are_not_folded_in(
    files: JobStateFiles, settled: list[str], known: str, base: str, runs: list[str]
) -> None:
    hold(files, CopyState(known, "larch"))
    note(files, R2, base)
    check(files, FarCopy(TREE), FarCopyView(runs=runs))
    assert settled == []
    assert held(files)[b"a"][1] == 1


# -- traces of a cut run without notes --


def test_where_notes_are_lost_each_moved_path_is_read_back(files: JobStateFiles) -> None:
    hold(files, CopyState(R1, "larch"))
    far = FarCopy(TREE, moved={R2: [b"a"], R3: [b"a", b"f/b"]}, held={b"a": b"\5" * 32, b"f/b": None})
    checked = check(files, far, FarCopyView(runs=[R1], earlier=[R2, R3]))
    assert checked.unsure
    found = held(files)
    assert set(found) == {b"a", b"f"}, "what is gone over there is not there"
    assert found[b"a"] == (0, 1, 0, 0, 0o100644), "it is looked at again"
    with closing(Catalogue(files.catalogue)) as catalogue:
        lines = [line for block in catalogue.blocks() for _, _, line in block.items()]
        asides = {(content.path, content.run) for content in catalogue.asides()}
    assert parse_line(lines[0]).digest == b"\5" * 32
    assert asides == {(b"a", R2), (b"f/b", R3)}, "the first that moved it has what the catalogue knew"


def test_settled_runs_are_not_read_back_again(files: JobStateFiles) -> None:
    hold(files, CopyState(R1, "larch", settled=R2))
    far = FarCopy(TREE)
    checked = check(files, far, FarCopyView(runs=[R1], earlier=[R2]))
    assert (checked.unsure, far.asked) == (False, [])
    checked = check(files, far, FarCopyView(runs=[R1], earlier=[R2, R9]))
    assert (checked.unsure, far.asked) == (True, [f"moved by {R9}"])


def test_another_machines_cut_run_is_told(files: JobStateFiles) -> None:
    hold(files, CopyState(R1, "larch"))
    marks = [RunMark(R2, "theirs", 1), RunMark(R3, "ours", 1), RunMark(R9, "", 1)]
    checked = check(files, FarCopy(TREE, under_way=marks), FarCopyView(runs=[R1], under_way=[R2, R3, R9]))
    assert [R2 in remark for remark in checked.remarks] == [True]
