"""What is to go is written down, waits by two clocks, and goes only if the rule still says so."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from otherroof.far_copy.remover import VersionNote
from otherroof.restore.thinning.two_steps import ThinStep, TwoClocks, next_step

NOW = datetime(2031, 4, 20, 3, tzinfo=UTC)
WEEK = timedelta(days=7)


def note(run: str, days: float, far_days: float | None = None) -> VersionNote:
    """Written down so many days ago, by home's clock and by the far one."""
    far = NOW - timedelta(days=days if far_days is None else far_days)
    return VersionNote("goes", run, NOW - timedelta(days=days), int(far.timestamp()))


def step(going: str, notes: list[VersionNote], runs: str = "abcdef") -> ThinStep:
    return next_step(set(going), set(runs), notes, TwoClocks(NOW, NOW.timestamp()), WEEK)


def test_first_it_is_written_down_then_it_waits_then_it_goes() -> None:
    assert step("ab", []) == ThinStep(("a", "b"), (), (), ())
    young, old = note("a", 6.99), note("b", 7)
    assert step("abc", [young, old]) == ThinStep(("c",), (young,), (old,), ())


def test_what_is_wanted_again_is_taken_back_however_long_it_has_waited() -> None:
    pinned = note("a", 90)
    assert step("b", [pinned]) == ThinStep(("b",), (), (), (pinned,))


@pytest.mark.parametrize(("home_days", "far_days"), [(400, 1), (1, 400), (-3, 8), (8, -3)])
def test_clock_that_was_set_hurries_nothing(home_days: float, far_days: float) -> None:
    odd = note("a", home_days, far_days)
    assert step("a", [odd]) == ThinStep((), (odd,), (), ())


def test_removal_that_was_cut_short_is_ended() -> None:
    for days in (8, 1):  # what has no listing any more waits for nothing
        half = note("a", days)
        assert step("", [half], runs="bc") == ThinStep((), (), (half,), ())
