"""Which runs go together, and where what they kept goes to."""

from __future__ import annotations

from otherroof.far_copy.view import FarCopyView
from otherroof.restore.thinning.stretches import GoingStretch, going_stretches, lending_lines


def view(runs: str, earlier: str = "") -> FarCopyView:
    return FarCopyView(runs=sorted(runs), earlier=sorted(earlier))


def test_runs_that_go_one_after_the_other_go_together() -> None:
    assert going_stretches(view("abcdef"), set("bce")) == [
        GoingStretch("a", ("b", "c"), "d"),
        GoingStretch("d", ("e",), "f"),
    ]


def test_before_the_oldest_that_stays_nothing_is_needed() -> None:
    assert going_stretches(view("abcd"), set("ab")) == [GoingStretch("", ("a", "b"), "c")]


def test_cut_run_and_one_half_removed_go_along() -> None:
    assert going_stretches(view("acef", "bcdf"), set("c")) == [
        GoingStretch("a", ("b", "c", "d"), "e"),
    ]
    assert going_stretches(view("ace", "bd"), set()) == [GoingStretch("a", ("b",), "c"), GoingStretch("c", ("d",), "e")]


def test_newest_version_stays_whatever_is_asked_and_so_does_what_came_after_it() -> None:
    assert going_stretches(view("abc", "cd"), set("abcd")) == [GoingStretch("", ("a", "b"), "c")]
    assert going_stretches(view("c", "d"), set("c")) == []
    assert going_stretches(view("", "d"), set()) == []


def test_listing_whose_lines_a_version_that_stays_needs_is_lent() -> None:
    same_as = {"b": "a", "c": "a", "e": "d"}
    assert lending_lines(set("abcd"), same_as) == {"d"}
    assert lending_lines(set("ab"), same_as) == {"a"}
    assert lending_lines(set("abcde"), same_as) == set()


def test_run_that_left_no_trace_is_looked_after_as_long_as_it_is_named() -> None:
    assert going_stretches(view("bd", "b"), set("ac")) == [
        GoingStretch("", ("a",), "b"),
        GoingStretch("b", ("c",), "d"),
    ]
    assert going_stretches(view("bd"), set("e")) == []
