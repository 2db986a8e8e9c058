"""What a run leaves in the ledger of itself, of the one before it, and of damage that was known."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from otherroof.copying.run import Run
from otherroof.far.clock_offset import ClockOffset
from otherroof.ledger import Ledger, RunRow
from otherroof.ledger.far_findings import DamagedFile
from support.main_job import FAR, JOB, OneJob, one_job

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

LATE = "2099-01-01T000000Z-0001"
THEN = datetime(2031, 3, 4, 2, 30, tzinfo=UTC)


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path, far_more={"tries": 1}) as made:
        made.put("a", b"content")
        yield made


def rows(job: OneJob) -> list[RunRow]:
    with Ledger(job.settings.ledger) as ledger:
        return ledger.runs.rows(job=JOB)


def test_a_run_comes_after_one_with_a_later_id_and_ends_what_was_killed(job: OneJob) -> None:
    """This machine's clock was put back, and the run before was killed before the far box heard of it."""
    with Ledger(job.settings.ledger) as ledger:
        ledger.runs.begin(JOB, LATE, FAR, THEN)
    assert job.done().run > LATE
    with Ledger(job.settings.ledger) as ledger:
        assert ledger.runs.mark_cut(JOB) == [], "none is left without an end"


def test_a_run_that_breaks_off_or_only_looks_leaves_known_damage_for_the_next_one_to_mend(job: OneJob) -> None:
    run = job.done().run
    with Ledger(job.settings.ledger) as ledger:
        ledger.damages.note([DamagedFile(JOB, "a", run, THEN, "has another digest", b"a", in_newest=True)])
    job.run(dry=True)
    door: Any = job.door
    door.misbehave(cut_after=3, cut_times=1000)
    assert job.run().error is not None
    with Ledger(job.settings.ledger) as ledger:
        assert [mark.in_newest for mark in ledger.damages.of(JOB)] == [True]
    door.misbehave()
    job.done()
    with Ledger(job.settings.ledger) as ledger:
        assert [mark.in_newest for mark in ledger.damages.of(JOB)] == [False]


def test_what_a_run_noticed_and_what_crossed_the_wire_is_in_the_ledger(job: OneJob) -> None:
    with patch("otherroof.far.trial_file.clock_offset", lambda *_: ClockOffset(900.0, 0.5)):
        ran = job.run()
    assert ran.report.outcome == "done with problems"
    (row,) = rows(job)
    assert "clock" in ran.report.problems[0].why
    assert row.report.bytes.wire_up == ran.report.bytes.wire_up > len(b"content")


def test_an_error_of_the_program_ends_a_run_in_the_ledger_too(job: OneJob) -> None:
    with patch.object(Run, "carry_out", side_effect=RuntimeError), pytest.raises(RuntimeError):
        job.run()
    (row,) = rows(job)
    assert (row.report.outcome, row.report.reason) == ("cut", "a fault in Otherroof itself (RuntimeError)")


def test_what_crossed_the_wire_is_noted_while_a_run_goes_on(job: OneJob) -> None:
    """If it is killed, that counts against the month too."""
    seen: list[int] = []

    def only_begin(run: Run) -> None:
        run._connection.open()
        run._context.tick()
        seen.append(rows(job)[0].report.bytes.wire_up)

    with patch.object(Run, "carry_out", only_begin), patch("otherroof.jobs.run.WIRE_NOTE_S", 0.0):
        job.run()
    assert seen[0] > 0
