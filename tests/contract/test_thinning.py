"""Versions go out of a far copy over every layout and kind of place, stopped again and again: none is harmed."""

from __future__ import annotations

import random
from collections.abc import Callable

import pytest

from otherroof.base.errors import RunCut
from otherroof.far_copy.listing import Header
from otherroof.restore.thinning.removal import Removal, RemovalCount
from otherroof.restore.thinning.stretches import going_stretches, lending_lines
from support.far_history import FarHistory, random_history
from support.far_layouts import Far
from support.quick import spread

pytestmark = pytest.mark.slow


def thin(history: FarHistory, going: set[str], stop: Callable[[], str]) -> None:
    keeper = history.far.keeper()
    removal = Removal(keeper, str(history.far.scratch / "thinning.notes"), RemovalCount(), stop)
    for stretch in going_stretches(keeper.view(), going):
        removal.take_out(stretch)


def some_going(history: FarHistory, seed: int) -> set[str]:
    """Some versions, but none whose listing has the lines of one that stays."""
    chance = random.Random(seed)
    headers = history.far.keeper().headers(history.versions)
    same_as = {run: header.same_as for run, header in headers.items() if isinstance(header, Header)}
    going = {run for run in history.versions if chance.random() < 0.6} - {max(history.versions)}
    return going - lending_lines(going, same_as)


def stops_at(number: int) -> Callable[[], str]:
    left = iter(range(number))

    return lambda: "enough for now" if next(left, None) is None else ""


@pytest.mark.parametrize("seed", spread(range(4), 2))
def test_removal_that_is_stopped_between_any_two_requests_harms_nothing_and_is_ended(far: Far, seed: int) -> None:
    """Invariants 2 and 8. What goes is stopped by the sign that a run is stopped by, with requests still in flight."""
    history = random_history(far, seed)
    far.scratch.mkdir(exist_ok=True)
    going = some_going(history, seed)
    for run in going:
        del history.versions[run]
    for number in range(0, 60, 3):
        try:
            thin(history, going, stops_at(number))
        except RunCut:
            for run, contents in history.versions.items():
                assert history.restorable(run) == contents
            continue
        break
    else:
        pytest.fail("it never came to its end")
    history.check()
    assert set(far.keeper().view().earlier) <= set(history.versions)
