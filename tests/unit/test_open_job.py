"""How a job is opened: what is done before, what is noted on the way there, and what is let go at the end."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.errors import LinkLost, LoginRefused, OtherroofError
from otherroof.copying.progress import Progress
from otherroof.copying.report import RunReport
from otherroof.far import requests
from otherroof.far.place import run_script
from otherroof.jobs.context import JobContext
from otherroof.jobs.open_job import READ, open_job
from otherroof.jobs.run import run_job
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from otherroof.rehearsal.far_box.stand_in import fresh_key
from support.main_job import FAR, JOB, OneJob, one_job


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path, far_more={"tries": 1}) as made:
        made.put("a", b"1")
        yield made


def reading(job: OneJob) -> Any:
    return open_job(job.settings, JOB, JobContext(Progress(), clock=job.clock), READ)


def look_at(path: bytes) -> Iterator[Any]:
    return (yield requests.Stat(path))


def test_nothing_is_asked_over_a_connection_once_the_work_is_over(job: OneJob) -> None:
    job.done()
    with reading(job) as opened:
        place = opened.keeper.place
        run_script(place, look_at(JOB.encode()))
    with pytest.raises(LinkLost):
        run_script(place, look_at(JOB.encode()))


def test_a_refused_login_is_written_down(job: OneJob) -> None:
    Path(job.settings.path(job.settings.far[FAR].login_key)).write_bytes(fresh_key()[0])
    assert isinstance(job.run().error, LoginRefused)
    with Ledger(job.settings.ledger) as ledger:
        (row,) = ledger.probes.rows()
    assert row.far == FAR


def test_a_dry_run_does_not_start_the_jobs_command(job: OneJob, tmp_path: Path) -> None:
    job.job_more = {"before": ["/usr/bin/touch", str(tmp_path / "started")]}
    job.write_settings()
    assert job.run(dry=True).error is None
    assert not (tmp_path / "started").exists()
    job.done()
    assert (tmp_path / "started").exists()


def test_without_the_listing_key_nothing_comes_back_and_none_is_made(job: OneJob) -> None:
    job.done()
    key = job.settings.path(job.settings.home.listing_key)
    os.unlink(key)
    with pytest.raises(OtherroofError, match="key"):
        job.restore()
    assert not os.path.exists(key)


def test_only_runs_that_counted_at_this_far_box_should_be_there(job: OneJob) -> None:
    first = job.done().run
    job.put("b", b"2")
    sign = StopSign(job.clock)
    sign.ask("asked to stop")
    with Ledger(job.settings.ledger) as ledger:
        cut = run_job(job.settings, JOB, JobContext(Progress(), ledger, job.clock, sign))
        assert cut.report.outcome == "cut"
        other = RunReport(JOB, "2999-01-01T000000Z-0000", outcome="done")
        ledger.runs.begin(JOB, other.run, "elsewhere", job.clock.now())
        ledger.runs.end(other, job.clock.now())
    with reading(job) as opened:
        assert (set(opened.counted), opened.lost) == ({first}, "")
