"""How a job is opened: what is done before, what is noted on the way there, and what is let go at the end."""

from __future__ import annotations

import os
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import Busy, HomeTrouble, LinkLost, LoginRefused, OtherroofError, RunCut
from otherroof.base.locks import Patience
from otherroof.copying.progress import Progress
from otherroof.copying.report import RunReport
from otherroof.far import requests
from otherroof.far.clock_offset import ClockOffset
from otherroof.far.place import run_script
from otherroof.far.trial_file import TrialResult
from otherroof.far_copy.listing_key import read_or_make_key
from otherroof.jobs import open_job as module
from otherroof.jobs.context import JobContext
from otherroof.jobs.locks import far_lock, job_lock
from otherroof.jobs.open_job import HEAL, LOOK, PROVE, READ, WRITE, Access, OpenedJob, open_job
from otherroof.jobs.run import run_job
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from otherroof.rehearsal.far_box.stand_in import fresh_key
from support.main_job import FAR, JOB, OneJob, one_job
from support.waiting import until


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


class Connecting(Exception):
    """It came as far as the login."""


@pytest.fixture
def asked(job: OneJob, monkeypatch: pytest.MonkeyPatch) -> list[tuple[object, bool]]:
    """With which limit, and whether it holds for what is read, the far box was logged in to; then it ends."""
    told: list[tuple[object, bool]] = []

    def open_place(_settings: object, _far: object, _meter: object, limit: object, *, paces_reads: bool) -> None:
        told.append((limit, paces_reads))
        raise Connecting

    monkeypatch.setattr(module, "job_limit", lambda *_: "the job's limit")
    monkeypatch.setattr(module, "open_place", open_place)
    return told


def connect(job: OneJob, access: Access) -> None:
    with open_job(job.settings, JOB, JobContext(Progress(), clock=job.clock), access) as opened:
        opened.connect()


@pytest.mark.parametrize(
    ("access", "limit", "paces_reads"),
    [
        (WRITE, "the job's limit", False),
        (LOOK, "the job's limit", False),
        (READ, None, False),
        (PROVE, "the job's limit", True),
        (HEAL, "the job's limit", True),
    ],
)
def test_the_jobs_limit_holds_for_all_but_restores_and_for_what_proofs_read(
    job: OneJob, asked: list[tuple[object, bool]], access: Access, limit: object, paces_reads: bool
) -> None:
    read_or_make_key(job.settings.path(job.settings.home.listing_key))
    with pytest.raises(Connecting):
        connect(job, access)
    assert asked == [(limit, paces_reads)]


@pytest.mark.parametrize(
    ("access", "alone", "in_turn"),
    [(WRITE, True, True), (LOOK, True, False), (READ, False, False), (PROVE, False, False), (HEAL, True, True)],
)
def test_runs_and_healing_are_alone_and_in_turn_and_restores_and_proofs_wait_for_nobody(
    job: OneJob, asked: list[tuple[object, bool]], access: Access, alone: bool, in_turn: bool
) -> None:
    read_or_make_key(job.settings.path(job.settings.home.listing_key))
    for lock, bars in (
        (job_lock(job.settings, JOB, job.clock), alone),
        (far_lock(job.settings, JOB, job.clock, Patience(0.0)), in_turn),
    ):
        with lock, pytest.raises(Busy if bars else Connecting):
            connect(job, access)


def test_a_wrong_far_clock_is_told_and_its_room_noted(job: OneJob, tmp_path: Path) -> None:
    context: Any = JobContext(Progress(), clock=job.clock)
    with Ledger(job.settings.ledger) as ledger:
        opened = OpenedJob(job.settings, JOB, context, WRITE, ledger, str(tmp_path))
        space = requests.Space(total=100, free=40, files=10, files_free=5)
        opened._note_trial(TrialResult(space, offset=ClockOffset(0.0, 0.5)))
        assert opened.notes == []
        opened._note_trial(TrialResult(offset=ClockOffset(400.0, 0.5)))
        assert "the far clock is 6 min 40 s ahead of ours" in opened.notes[0]
        now = job.clock.now()
        readings = ledger.spaces.daily(FAR, now - timedelta(days=1), now + timedelta(days=1))
    assert [(one.free, one.total) for one in readings] == [(40, 100)]


def test_a_run_needs_its_history_and_somebody_who_needs_files_back_does_not(
    job: OneJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = job.done().run
    real, own = module.Ledger, job.settings.ledger

    def opened(path: str) -> Ledger:
        if path == own:
            raise HomeTrouble("the disk is full", where=path)
        return real(path)

    monkeypatch.setattr(module, "Ledger", opened)
    with reading(job) as opened_job:
        assert opened_job.view.runs == [first]
    with pytest.raises(HomeTrouble, match="full"):
        connect(job, LOOK)


def test_an_answer_is_noted_whoever_asked(job: OneJob) -> None:
    job.done()
    job.clock = SteppedClock((job.clock.now() + timedelta(hours=1)).replace(microsecond=0))
    with reading(job):
        pass
    with Ledger(job.settings.ledger) as ledger:
        assert ledger.answers.last(FAR) == job.clock.now()


def test_a_tunnel_that_could_not_be_taken_down_is_told(job: OneJob, monkeypatch: pytest.MonkeyPatch) -> None:
    @contextmanager
    def way(*_: object, **__: object) -> Iterator[SimpleNamespace]:
        yield SimpleNamespace(trouble="`ip link` ended with 2")

    monkeypatch.setattr(module, "open_way", way)
    ran = job.run()
    with reading(job) as opened:
        pass
    assert opened.notes == ["the tunnel could not be taken down: `ip link` ended with 2"]
    assert ran.error is None


# -- a far box that takes the connection and says nothing --


@pytest.fixture
def silent(job: OneJob) -> Iterator[OneJob]:
    """The job, at a far box that is waited for by the minute."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        job.far_more = {"port": listening.getsockname()[1], "answer_s": 60, "tries": 4, "pause_s": 60}
        job.write_settings()
        yield job


def raised_after(job: OneJob, seconds: float) -> StopSign:
    sign = StopSign(job.clock)
    timer = threading.Timer(seconds, sign.ask, ("the service ends",))
    timer.daemon = True
    timer.start()
    return sign


def test_a_run_hears_a_stop_while_it_logs_in(silent: OneJob) -> None:
    begun = time.monotonic()
    with Ledger(silent.settings.ledger) as ledger:
        ran = run_job(silent.settings, JOB, JobContext(Progress(), ledger, silent.clock, raised_after(silent, 0.5)))
        (row,) = ledger.runs.rows()
    assert time.monotonic() - begun < 20
    assert isinstance(ran.error, RunCut)
    assert (row.report.outcome, "the service ends" in row.report.reason) == ("cut", True)


def test_a_proof_hears_a_stop_while_it_logs_in(silent: OneJob) -> None:
    read_or_make_key(silent.settings.path(silent.settings.home.listing_key))
    begun = time.monotonic()
    context: Any = JobContext(Progress(), clock=silent.clock, stop=raised_after(silent, 0.5))
    with pytest.raises(RunCut, match="the service ends"), open_job(silent.settings, JOB, context, PROVE):
        pass
    assert time.monotonic() - begun < 20


class LateLogin:
    """A far box that lets home in once it is told to, and whether that was hung up."""

    def __init__(self) -> None:
        self.go = threading.Event()
        self.closed = 0

    def open_place(self, *_: object, **__: object) -> LateLogin:
        assert self.go.wait(60)
        return self

    def close(self) -> None:
        self.closed += 1


@pytest.fixture
def late(monkeypatch: pytest.MonkeyPatch) -> Iterator[LateLogin]:
    made = LateLogin()
    monkeypatch.setattr(module, "open_place", made.open_place)
    yield made
    made.go.set()


def test_a_login_that_comes_about_after_the_stop_is_hung_up(job: OneJob, late: LateLogin) -> None:
    with Ledger(job.settings.ledger) as ledger:
        ran = run_job(job.settings, JOB, JobContext(Progress(), ledger, job.clock, raised_after(job, 0.1)))
    assert isinstance(ran.error, RunCut)
    assert late.closed == 0
    late.go.set()
    until(lambda: late.closed == 1)


def test_a_login_that_hangs_where_no_time_out_reaches_is_told_as_silence(
    job: OneJob, late: LateLogin, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "LOG_IN_ANSWERS", 0.01)
    read_or_make_key(job.settings.path(job.settings.home.listing_key))
    with pytest.raises(LinkLost, match=r"did not let this home in within 0\.2 s"), reading(job):
        pass
