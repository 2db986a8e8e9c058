"""What bars every version from going, each by itself, and that nothing else does."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from otherroof.far.clock_offset import ClockOffset
from otherroof.restore.thinning.objections import ThinState, objection

NOW = datetime(2031, 4, 20, 3, tzinfo=UTC)
WELL = ThinState(NOW, offset=ClockOffset(0.4, 0.5))
DAY = timedelta(days=1)


def test_nothing_bars_a_copy_that_is_well() -> None:
    assert objection("photos", WELL) == ""
    assert objection("photos", replace(WELL, offset=ClockOffset(-5.4, 0.5), jumped_at=NOW - DAY)) == ""


@pytest.mark.parametrize(
    ("odd", "said"),
    [
        ({"damaged": 3}, "3 files are damaged at the far end"),
        ({"flawed": "2031-04-02"}, "the listing of 2031-04-02 cannot be read"),
        ({"lost": "2031-04-19"}, "does not show run 2031-04-19"),
        ({"held": True}, "a run is held"),
        ({"other": "2031-04-18"}, "another server is copying to it (run 2031-04-18)"),
        ({"offset": None}, "clock cannot be told"),
        ({"offset": ClockOffset(400.0, 0.5)}, "clock is 400 s ahead of this machine's"),
        ({"offset": ClockOffset(-400.0, 0.5)}, "clock is 400 s behind this machine's"),
        ({"ahead": 1}, "holds runs from the future"),
        ({"jumped_at": NOW - timedelta(hours=23)}, "set by a lot within the last day"),
        ({"jumped_at": NOW + timedelta(hours=23)}, "set by a lot within the last day"),
    ],
)
def test_each_of_these_bars_it_alone(odd: dict[str, object], said: str) -> None:
    assert said in objection("photos", replace(WELL, **odd))  # type: ignore[arg-type]


def test_the_gravest_is_told_first() -> None:
    all_at_once = ThinState(
        NOW, damaged=1, held=True, flawed="r1", lost="r2", offset=None, jumped_at=NOW, ahead=1, other="r3"
    )
    assert "the listing of r1 cannot be read" in objection("photos", all_at_once)
    assert "does not show run r2" in objection("photos", replace(all_at_once, damaged=0, flawed=""))
