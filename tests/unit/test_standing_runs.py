"""Which listings are missed if they do not stand at the far end."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

from otherroof.far_copy.remover import VersionNote
from otherroof.jobs.thinning.standing_runs import runs_that_should_stand


def test_what_was_thinned_or_is_to_go_is_not_missed_and_what_is_pinned_is() -> None:
    runs = [f"2031-03-0{day}T023000Z-0000" for day in range(1, 5)]
    thinned = SimpleNamespace(rows=lambda job: [SimpleNamespace(runs=(runs[0],))] if job == "papers" else [])
    job: Any = SimpleNamespace(name="papers", counted=dict.fromkeys(runs), ledger=SimpleNamespace(thinned=thinned))
    at = datetime(2031, 3, 9, tzinfo=UTC)
    notes = [VersionNote("goes", runs[1], at, 0), VersionNote("pinned", runs[2], at, 0)]
    assert runs_that_should_stand(job, notes) == {runs[2], runs[3]}
