"""A run under way as other processes see it, for tests that look at one without carrying it out."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

from otherroof.forecast.advance import Advance, ProgressReading
from otherroof.forecast.pace import TimeLeft
from otherroof.ledger import Ledger
from otherroof.ledger.live.live_run import LiveRun

HALF = Advance(
    ProgressReading("sending", 1_204, 5_000, 153_000_000, 300_000_000, b"norway/img_0123.jpg"),
    rate=1_000_000.0,
    left=TimeLeft(140.0, 150.0),
)


def live_run(job: str = "photos", **more: Any) -> LiveRun:
    """A run of the service, half done."""
    usual: dict[str, Any] = {
        "token": f"token-of-{job}",
        "job": job,
        "far": "heron",
        "by": "service",
        "pid": 4711,
        "since": datetime(2031, 3, 6, 11, 0, tzinfo=UTC),
        "at": datetime(2031, 3, 6, 12, 0, tzinfo=UTC),
        "advance": HALF,
        "wire_up": 160_000_000,
        "wire_down": 1_000_000,
    }
    return LiveRun(**usual | more)


@contextmanager
def under_way(ledger: Ledger, run: str, since: datetime, job: str = "photos", **more: Any) -> Iterator[LiveRun]:
    """While inside, the run stands in the ledger without an end, and its process lives: this one."""
    live = live_run(job, **{"run": run, "since": since, "at": since} | more)
    with ledger.live.held(live) as trouble:
        assert trouble == ""
        ledger.runs.begin(job, run, live.far, since)
        yield live
