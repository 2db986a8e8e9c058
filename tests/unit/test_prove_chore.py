"""The service proves each copy once a night after its run, in window and month; what it reads keeps to the limit."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from otherroof.base.errors import RunCut
from otherroof.jobs.context import JobContext
from otherroof.jobs.prove import ProveOptions, prove
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from otherroof.ledger.proofs import ProofRow
from otherroof.restore.proving.report import ProofProgress
from otherroof.schedule.chores import FIRST_START, ChoreFacts, ChoreInputs, service_chores
from otherroof.schedule.proofs import prove_chore
from otherroof.settings import Settings
from support.main_job import FAR, JOB, OneJob, one_job

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

NOW = datetime(2031, 4, 5, 9, 0, tzinfo=UTC)
NAME = f"prove {JOB}"


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        yield made


def due(job: OneJob, now: datetime, last: datetime | None, settings: Settings | None = None) -> datetime | None:
    times = {FIRST_START: now - timedelta(days=30)} | ({NAME: last} if last else {})
    return prove_chore(job.clock, JOB, FAR).due(ChoreFacts(now, settings or job.settings, times))


def changed(job: OneJob, **more: object) -> Settings:
    job.job_more = {**job.job_more, **more}
    job.write_settings()
    return job.settings


def test_a_proof_is_due_at_the_jobs_next_time_and_once_a_night(job: OneJob) -> None:
    settings = changed(job, at="30 2 * * *")
    assert due(job, NOW, None, settings) == NOW, "its first time has passed long ago"
    last = NOW - timedelta(hours=6)
    tonight = due(job, NOW, last, settings)
    assert tonight is not None
    assert tonight.astimezone(settings.zone).strftime("%d %H:%M") == "06 02:30"
    hourly = changed(job, at="0 * * * *")
    again = due(job, NOW, NOW - timedelta(minutes=5), hourly)
    assert again is not None
    assert timedelta(hours=19) < again - NOW <= timedelta(hours=21)


def test_without_prove_mb_or_a_ledger_nothing_is_due(job: OneJob) -> None:
    assert due(job, NOW, None, changed(job, prove_mb=0)) is None
    assert prove_chore(job.clock, JOB, FAR).due(ChoreFacts(NOW, changed(job, prove_mb=9))) is None


def test_a_closed_window_is_waited_for(job: OneJob) -> None:
    settings = changed(job, window="22:00-06:00")
    moment = due(job, NOW, None, settings)
    assert moment is not None
    assert moment.astimezone(settings.zone).strftime("%H:%M") == "22:00"


def test_the_services_chore_proves_heals_and_counts_for_the_month(job: OneJob) -> None:
    job.put("a", b"content" * 500)
    job.done()
    (job.latest / "a").write_bytes(b"rot")
    (chore,) = [one for one in service_chores(job.clock)(job.settings) if one.name == NAME]
    chore.do(ChoreInputs(job.settings))
    assert (job.latest / "a").read_bytes() == b"content" * 500
    with Ledger(job.settings.ledger) as ledger:
        (row,) = ledger.proofs.of(JOB)
        assert (row.damaged, row.healed) == (1, 1)
        runs = ledger.runs.wire_bytes_since(FAR, NOW - timedelta(days=9999))
        assert ledger.wire_bytes_since(FAR, NOW - timedelta(days=9999)) == runs + row.wire_up + row.wire_down > runs


def test_a_month_that_is_used_up_is_not_gone_beyond(job: OneJob) -> None:
    job.put("a", b"content" * 500)
    job.done()
    job.far_more = {**job.far_more, "month_gb": 1}
    job.write_settings()
    with Ledger(job.settings.ledger) as ledger:
        spent = ProofRow(JOB, FAR, job.clock.now(), wire_down=1_000_000_000, ended=job.clock.now())
        ledger.proofs.end(ledger.proofs.begin(spent), spent)
    prove_chore(job.clock, JOB, FAR).do(ChoreInputs(job.settings))
    with Ledger(job.settings.ledger) as ledger:
        assert len(ledger.proofs.of(JOB)) == 1, "nothing was begun"


def test_a_chore_that_is_told_to_stop_ends(job: OneJob) -> None:
    job.put("a", b"content")
    job.done()
    stop = StopSign(job.clock)
    stop.ask("the service ends")
    with pytest.raises(RunCut, match="the service ends"):
        prove_chore(job.clock, JOB, FAR).do(ChoreInputs(job.settings, stop=stop))
    with Ledger(job.settings.ledger) as ledger:
        assert ledger.proofs.of(JOB) == [], "nothing was begun"


# -- how fast it reads --


@pytest.mark.slow
@pytest.mark.lasts(5)
def test_reading_back_keeps_to_the_jobs_limit_and_a_restore_does_not(tmp_path: Path) -> None:
    with one_job(tmp_path) as job:
        job.put("a", random.Random(3).randbytes(1_500_000))
        job.put("b", random.Random(4).randbytes(1_500_000))
        job.done()
        changed(job, limit_mbit=8)  # a million bytes a second
        begun = time.monotonic()
        prove(job.settings, JOB, JobContext(ProofProgress()), ProveOptions(whole=True))
        assert time.monotonic() - begun > 2.5
        begun = time.monotonic()
        job.restore()
        assert time.monotonic() - begun < 2.5
