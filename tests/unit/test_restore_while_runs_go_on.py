"""A restore takes no lock, so a run may move files aside under it, at any moment.

Every version comes back exactly all the same, and nothing is called damaged that is not.
"""

from __future__ import annotations

import os
import random
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.base.clock import SystemClock
from otherroof.copying.progress import Progress
from otherroof.jobs.context import JobContext
from otherroof.jobs.run import run_job
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.sftp_session import SftpSession
from support.main_job import JOB, OneJob, one_job

LARGE = 9 * 1024 * 1024  # bytes; comes back in two ranges
SMALL_FILES = 5
WAIT_S = 60.0


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    """One version of some small files, a large one and two names of one file; the guard is asked nothing."""
    guard = {"guard": {"removed_percent": 100, "changed_percent": 100}}
    with one_job(tmp_path, job_more=guard) as made:
        change_everything(made, 0)
        made.path("twin").hardlink_to(made.path("f0"))
        made.put("goes", b"will be removed")
        made.done()
        yield made


def change_everything(job: OneJob, number: int) -> None:
    """Every file gets other content of the same size, so that only a digest can tell."""
    content = random.Random(number)
    for name in range(SMALL_FILES):
        new = job.where / "new"
        new.write_bytes(b"%04d of %d" % (number, name))
        new.replace(job.folder / f"f{name}")
    job.put("sub/inside", b"%04d inside" % number)
    job.put("large", content.randbytes(LARGE))
    job.path("goes").unlink(missing_ok=True)


def no_damage_is_noted(job: OneJob) -> None:
    with Ledger(job.settings.ledger) as ledger:
        assert ledger.damages(JOB) == []


@contextmanager
def between_requests(heard: Callable[[SftpSession, bytes], None]) -> Iterator[None]:
    """`heard` is called before the far box answers a request: until it returns, that request waits."""
    real = SftpSession._answer

    def answer(session: SftpSession, packet: bytes) -> bytes:
        heard(session, packet)
        return real(session, packet)

    with patch.object(SftpSession, "_answer", answer):
        yield


class FirstSession:
    """Counts the requests of the first connection, a restore's, and does something before the nth of them."""

    def __init__(self, at: int, do: Callable[[], None]) -> None:
        self.requests = 0
        self._at = at
        self._do = do
        self._session: SftpSession | None = None

    def __call__(self, session: SftpSession, packet: bytes) -> None:
        self._session = self._session or session
        if session is self._session and packet[0] != words.INIT:
            self.requests += 1
            if self.requests == self._at:
                self._do()


def requests_of_a_restore(job: OneJob) -> int:
    counted = FirstSession(0, lambda: None)
    with between_requests(counted):
        assert job.unlike(max(job.trees)) == []
    return counted.requests


# -- a whole run, or several, between two requests of the restore --


def test_a_run_may_happen_between_any_two_requests_of_a_restore(job: OneJob) -> None:
    """The order of all the restore's requests is gone through: before each of them everything is replaced once."""
    count = requests_of_a_restore(job)
    assert count > 40
    for at in range(1, count + 1):
        version = max(job.trees)

        def replace(number: int = at) -> None:
            change_everything(job, number)
            job.done()

        with between_requests(FirstSession(at, replace)):
            assert job.unlike(version) == [], f"the run came before request {at} of {count}"
        assert max(job.trees) > version, "the run really came in between"
    no_damage_is_noted(job)


def test_several_runs_happen_during_one_restore(job: OneJob) -> None:
    """Before every fourth request of the restore there is a run that replaces everything."""
    version = min(job.trees)
    seen: list[SftpSession] = []
    requests = 0

    def heard(session: SftpSession, packet: bytes) -> None:
        nonlocal requests
        if not seen:
            seen.append(session)
        if session is not seen[0] or packet[0] == words.INIT:
            return
        requests += 1
        if requests % 4 == 0 and len(job.trees) < 9:
            change_everything(job, 100 + requests)
            job.done()

    with between_requests(heard):
        assert job.unlike(version) == []
    assert len(job.trees) == 9
    no_damage_is_noted(job)
    job.all_come_back()


# -- a run that is under way while the restore reads --


class RunThatStops:
    """A run in a thread of its own, which the far box keeps waiting before its nth request until `let_go`."""

    def __init__(self, job: OneJob, at: int) -> None:
        self.requests = 0
        self.stop = StopSign(SystemClock())
        self._job = job
        self._at = at
        self._waits = threading.Event()
        self._go = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self.outcome = ""

    def begin(self) -> None:
        """Start it; comes back when it waits, or has ended."""
        self._thread.start()
        assert self._waits.wait(WAIT_S)

    def hear(self) -> None:
        """One request of the run has come."""
        self.requests += 1
        if self.requests == self._at:
            self._waits.set()
            assert self._go.wait(WAIT_S)

    def let_go(self) -> None:
        """Let it go on to its end."""
        self._go.set()
        self._thread.join(WAIT_S)
        assert not self._thread.is_alive()

    def _run(self) -> None:
        settings = self._job.settings
        try:
            with Ledger(settings.ledger) as ledger:
                ran = run_job(settings, JOB, JobContext(Progress(), ledger, stop=self.stop))
            self.outcome = ran.report.outcome
        finally:
            self._waits.set()


def restore_beside(job: OneJob, run: RunThatStops, *, at: int, version: str) -> None:
    """Restore `version`; before the restore's request number `at` the run begins, and goes on when all is restored."""
    sessions: list[SftpSession] = []
    requests = 0

    def heard(session: SftpSession, packet: bytes) -> None:
        nonlocal requests
        if not sessions:
            sessions.append(session)
        if packet[0] == words.INIT:
            return
        if session is not sessions[0]:
            run.hear()
            return
        requests += 1
        if requests == at:
            run.begin()

    with between_requests(heard):
        try:
            assert job.unlike(version) == [], f"restore's request {at}, run's request {run.requests}"
        finally:
            run.let_go()


def test_a_run_may_be_anywhere_in_its_work_while_a_restore_reads(job: OneJob) -> None:
    """Moments are drawn; every second run is stopped there, and leaves the far copy half changed for those after it."""
    job.far_more = {"answer_s": WAIT_S}
    job.write_settings()
    count = requests_of_a_restore(job)
    version = max(job.trees)
    change_everything(job, 1)
    whole = RunThatStops(job, 0)
    restore_beside(job, whole, at=1, version=version)
    assert (whole.outcome, whole.requests > 40) == ("done", True)
    drawn = random.Random(7)
    outcomes = []
    for number in range(2, 14):
        change_everything(job, number)
        run = RunThatStops(job, drawn.randrange(1, whole.requests))
        if number % 2:
            run.stop = StopsWhen(run)
        restore_beside(job, run, at=drawn.randrange(1, count), version=version)
        outcomes.append(run.outcome)
    assert set(outcomes) == {"done", "cut"}, outcomes
    no_damage_is_noted(job)
    job.done()
    assert job.unlike(version) == []


class StopsWhen(StopSign):
    """Goes up once its run has been kept waiting."""

    def __init__(self, run: RunThatStops) -> None:
        super().__init__(SystemClock())
        self._run = run

    def asked(self) -> str:
        if self._run._waits.is_set():
            self.ask("the test says so")
        return super().asked()


def test_restores_and_runs_side_by_side(job: OneJob) -> None:
    """Nothing is arranged here: restores of any version go on for as long as runs do."""
    failures: list[BaseException] = []

    def run_on() -> None:
        try:
            for number in range(1, 9):
                change_everything(job, number)
                job.done()
        except BaseException as problem:
            failures.append(problem)
            raise

    drawn = random.Random(11)
    thread = threading.Thread(target=run_on)
    thread.start()
    restored = 0
    while thread.is_alive() or not restored:
        assert job.unlike(drawn.choice(sorted(job.trees))) == []
        restored += 1
    thread.join(WAIT_S)
    assert failures == []
    assert restored > 3, "they really went on side by side"
    no_damage_is_noted(job)
    job.all_come_back()


# -- and what is really damaged is still found --


def test_what_is_damaged_is_still_named_while_a_run_goes_on(job: OneJob) -> None:
    version = min(job.trees)
    large = job.latest / "large"
    with large.open("r+b") as file:
        file.write(b"rotten")
    os.unlink(job.latest / "f1")
    job.path("f2").unlink()
    job.put("sub/inside", b"other than before")

    def run() -> None:
        ran = job.run()
        assert ran.error is None
        job.trees.pop(ran.report.run)

    with between_requests(FirstSession(30, run)):
        found, _ = job.restore(version)
    assert {one.path for one in found.damaged} == {"f1", "large"}
    with Ledger(job.settings.ledger) as ledger:
        assert {one.path for one in ledger.damages(JOB)} == {"f1", "large"}
