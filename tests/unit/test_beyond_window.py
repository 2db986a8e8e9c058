"""What a run by hand goes beyond is said to whoever begins it: the line is that of two households."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.cli.copy.beyond import beyond
from otherroof.ledger import Ledger
from support.main_job import one_job
from support.simulated import household, utc
from support.verbs import verb_of
from support.watching import Night, write_run

NOW = utc(2026, 6, 10, 12)
GB = 1_000_000_000
SETTINGS = household(
    {"photos": {"window": "22:00-06:30"}, "papers": {}}, zone="Europe/Berlin", far={"heron": {"month_gb": 1.0}}
)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(str(tmp_path / "ledger.db")) as made:
        yield made


def test_outside_its_window_it_says_so_and_how_it_is_ended(ledger: Ledger) -> None:
    assert beyond(SETTINGS, "photos", ledger, NOW) == [
        "outside its window (22:00-06:30, opens at 22:00); a run by hand begins all the same, `otherroof stop photos` "
        "ends it"
    ]
    assert beyond(SETTINGS, "papers", ledger, NOW) == []


def test_inside_its_window_it_says_that_it_does_not_end_with_it(ledger: Ledger) -> None:
    (line,) = beyond(SETTINGS, "photos", ledger, utc(2026, 6, 10, 21))
    assert line.startswith("its window closes at 06:30; a run by hand goes on after that")


def test_a_used_up_month_is_said(ledger: Ledger) -> None:
    write_run(ledger, utc(2026, 6, 9), Night(sent=2 * GB))
    assert beyond(SETTINGS, "papers", ledger, NOW) == [
        "this month's allowance of far box heron is used up; a run by hand goes beyond it"
    ]


def test_the_verb_says_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with one_job(tmp_path) as job:
        job.put("a", b"a")
        job.job_more = {"window": "01:00-01:01"}
        job.write_settings()
        told = verb_of(job, capsys)("run")
    assert "papers: outside its window (01:00-01:01" in told.err or "papers: its window closes at 01:01" in told.err
    assert told.code == 0
