"""What thinning asks of the ledger and the far box before anything goes, and which answers bar it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.base.machine import machine_mark
from otherroof.copying.other_server import FRESH_S
from otherroof.far.clock_offset import ClockOffset
from otherroof.far_copy.keeper import RunMark
from otherroof.jobs.thinning.thin import _Found

NOW = datetime(2031, 3, 9, 2, 30, tzinfo=UTC)
RUN = "2031-03-08T023000Z-0000"


def mark(server: str, age: float = 60) -> RunMark:
    return RunMark(RUN, server, int(NOW.timestamp() - age))


def objection(**changed: Any) -> str:
    """What is said if all is well but for what is `changed`."""
    well = {"damages": (), "hold": None, "marks": (), "lost": "", "hidden": "", "jumped_at": None, "rows": ()}
    has = SimpleNamespace(**well | {"let_go": set(), "flawed": ""} | changed)
    ledger = SimpleNamespace(
        damages=SimpleNamespace(of=lambda _: list(has.damages)),
        holds=SimpleNamespace(of=lambda _: has.hold),
        looks=SimpleNamespace(last=lambda: SimpleNamespace(jumped_at=has.jumped_at)),
        runs=SimpleNamespace(rows=lambda since: [ended for ended in has.rows if ended >= since]),
    )
    job = SimpleNamespace(
        name="papers", ledger=ledger, lost=has.lost, keeper=SimpleNamespace(marks=lambda: list(has.marks))
    )
    found: Any = SimpleNamespace(
        _job=job,
        now=NOW,
        offset=ClockOffset(0.0, 0.5),
        flawed=has.flawed,
        _hidden=lambda: has.hidden,
        _let_go=has.let_go,
    )
    return _Found.objection(found)


BARS: dict[str, dict[str, Any]] = {
    "a file is damaged": {"damages": [SimpleNamespace(run=RUN)]},
    "a run is held": {"hold": SimpleNamespace(released=None)},
    "the newest run is not shown": {"lost": RUN},
    "another run is not shown": {"hidden": RUN},
    "a listing cannot be read": {"flawed": RUN},
    "another server's run goes on": {"marks": [mark("another")]},
    "home's clock was set": {"jumped_at": NOW - timedelta(hours=3)},
    "there are runs from the future": {"rows": [NOW + timedelta(days=400)]},
}
BARS_NOT: dict[str, dict[str, Any]] = {
    "all is well": {},
    "damage is of a version that a person lets go": {"damages": [SimpleNamespace(run=RUN)], "let_go": {RUN}},
    "the run that was held was released": {"hold": SimpleNamespace(released=NOW)},
    "this server left a mark": {"marks": [mark(machine_mark())]},
    "a mark has no server": {"marks": [mark("")]},
    "another server's mark is old": {"marks": [mark("another", FRESH_S + 60)]},
    "runs are of the past": {"rows": [NOW - timedelta(days=1)]},
}


@pytest.mark.parametrize("changed", BARS.values(), ids=BARS.keys())
def test_nothing_goes_if(changed: dict[str, Any]) -> None:
    assert objection(**changed)


@pytest.mark.parametrize("changed", BARS_NOT.values(), ids=BARS_NOT.keys())
def test_versions_may_go_if(changed: dict[str, Any]) -> None:
    assert objection(**changed) == ""
