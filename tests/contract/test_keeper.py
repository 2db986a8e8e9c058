"""The contract of a Keeper, over every layout and kind of place: whose the far copy is, what counts, the commit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from otherroof.base.errors import Damaged, FarTrouble
from otherroof.far_copy.keeper import FarNow, Keeper
from otherroof.far_copy.state import CopyState
from support.far_history import digest
from support.far_layouts import NAMES, NEXT, OLD, RUN, Far
from support.trees import Tree, blocks_of, line_of

TREE: Tree = {b"a": (1, 1, 2, 3, 0o100644), b"b": (2, 0, 2, 3, 0o40755), b"b/\xff": (3, 2, 2, 3, 0o100644)}


def commit(keeper: Keeper, run: str, *, same_as: str = "") -> None:
    keeper.begin(run, keeper.view())
    facts = CopyState(run, keeper.home_id, files=2, size=3, whole_run=same_as or run)
    keeper.commit(facts, () if same_as else blocks_of(TREE), "2031-04-05T01:30:00Z", lambda _now: None)


def test_nobody_was_there_yet(far: Far) -> None:
    (far.here / "latest").rmdir()
    (far.here / "incoming").rmdir()
    far.here.rmdir()
    view = far.keeper().view()
    assert (view.mark, view.runs, view.earlier, view.under_way, view.newest, view.cut) == ("", [], [], [], "", [])


def test_run_counts_from_its_commit_on_and_not_before(far: Far) -> None:
    """Invariant 1."""
    keeper = far.keeper()
    keeper.begin(RUN, keeper.view())
    view = far.keeper().view()
    assert (view.mark, view.runs, view.cut) == (keeper.home_id, [], [RUN])
    commit(keeper, RUN)
    view = far.keeper().view()
    assert (view.runs, view.newest, view.cut) == ([RUN], RUN, [])
    assert list(keeper.lines(RUN)) == [line_of(path, TREE[path]) for path in sorted(TREE)]
    keeper.tidy(view, RUN)
    assert far.incoming == []


def test_to_hold_a_listing_once_more_changes_nothing(far: Far) -> None:
    keeper = far.keeper()
    commit(keeper, RUN)
    keeper.hold_listing(RUN)
    assert keeper.view().runs == [RUN]
    assert list(keeper.lines(RUN)) == [line_of(path, TREE[path]) for path in sorted(TREE)]


def test_run_does_not_count_if_something_speaks_against_it_at_the_last_moment(far: Far) -> None:
    """Invariant 1. What stands there is looked at just before, its own mark among it."""
    keeper = far.keeper()
    keeper.begin(RUN, keeper.view())
    seen: list[FarNow] = []

    def against(now: FarNow) -> None:
        seen.append(now)
        raise FarTrouble("another server is copying to it")

    with pytest.raises(FarTrouble, match="another server"):
        keeper.commit(CopyState(RUN, keeper.home_id, whole_run=RUN), (), "2031-04-05T01:30:00Z", against)
    assert keeper.view().runs == []
    assert ([mark.run for mark in seen[0].marks], seen[0].newest) == ([RUN], "")


def test_run_without_changes_points_to_the_lines_of_another(far: Far) -> None:
    keeper = far.keeper()
    commit(keeper, RUN)
    commit(keeper, NEXT, same_as=RUN)
    assert list(keeper.lines(NEXT)) == list(keeper.lines(RUN))
    far.listing(RUN).unlink()
    with pytest.raises(Damaged, match=RUN):
        list(keeper.lines(NEXT))


def test_begun_twice_and_committed_twice_is_no_trouble(far: Far) -> None:
    keeper = far.keeper()
    for _ in range(2):
        keeper.begin(RUN, keeper.view())
    commit(keeper, RUN)
    keeper.begin(NEXT, replace(keeper.view(), ready=False))
    assert keeper.view().cut == [NEXT]


def test_half_written_listing_of_a_cut_run_is_no_hindrance(far: Far) -> None:
    keeper = far.keeper()
    keeper.begin(RUN, keeper.view())
    far.has("incoming", f"{RUN}.jsonl.gz".encode(), b"half")
    commit(keeper, RUN)
    assert len(list(keeper.lines(RUN))) == 3


def test_note_for_people_names_home_and_job_and_how_to_get_files_back(far: Far) -> None:
    keeper = far.keeper()
    keeper.begin(RUN, keeper.view())
    note = (far.here / "READ-ME-FIRST.txt").read_text()
    for word in (far.name, "larch", "latest/", "earlier/", "zcat", "b2sum -l 256", f"otherroof restore {far.name}"):
        assert word in note


NOTES = {
    "home mark: 0123456789abcdef\n": "another home's folder",
    "no mark at all": "not say whose",
    "": "not say whose",
}


@pytest.mark.parametrize(("note", "why"), NOTES.items())
def test_folder_with_anothers_mark_or_none_is_refused(far: Far, note: str, why: str) -> None:
    """Invariant 5."""
    (far.here / "READ-ME-FIRST.txt").write_text(note)
    with pytest.raises(FarTrouble, match=why):
        far.keeper().view()


def test_what_a_run_moved_aside_is_walked_whole(far: Far) -> None:
    for name in NAMES:
        far.has(f"earlier/{RUN}", name)
    far.path(f"earlier/{RUN}", b"link").symlink_to("x")
    far.has(f"earlier/{RUN}", b"empty", None)
    assert sorted(far.keeper().moved_aside(RUN)) == sorted((*NAMES, b"link"))
    assert list(far.keeper().moved_aside(NEXT)) == []


def test_what_the_newest_copy_holds_is_read_back(far: Far) -> None:
    far.has("latest", b"a", b"big" * 700_000)
    far.has("latest", b"f", None)
    far.path("latest", b"link").symlink_to("a")
    keeper = far.keeper()
    assert keeper.held_now(b"a") == digest(b"big" * 700_000)
    assert [keeper.held_now(name) for name in (b"f", b"link", b"none")] == [None, None, None]


def test_tidying_takes_what_was_half_sent_and_nothing_else(far: Far) -> None:
    keeper = far.keeper()
    commit(keeper, RUN)
    far.has("incoming", b"0123456789abcdef.part")
    far.has("incoming", b"0123456789abcdef.made")
    far.has("latest", b"a")
    view = keeper.view()
    far.has("incoming", b"later.part")  # it came after this view, so it may be somebody's
    keeper.tidy(view, RUN)
    assert (far.incoming, far.latest(b"a")) == (["later.part"], OLD)
    assert keeper.view().runs == [RUN]
