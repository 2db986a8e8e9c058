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
from otherroof.rehearsal.compare_trees import read_tree
from otherroof.rehearsal.far_box import sftp_words as words
from otherroof.rehearsal.far_box.sftp_session import SftpSession
from support.main_job import JOB, OneJob, one_job

RANGE = 1024 * 1024  # bytes; a restore fetches large files in pieces of this size, instead of eight times as much
LARGE = RANGE + 200_000  # comes back in two ranges
SMALL_FILES = 5
WAIT_S = 60.0

pytestmark = pytest.mark.lasts(40)


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    """One version of some small files, a large one and two names of one file; the guard is asked nothing."""
    guard = {"guard": {"removed_percent": 100, "changed_percent": 100}}
    with one_job(tmp_path, job_more=guard) as made, patch("otherroof.restore.local_file.RANGE", RANGE):
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
        assert ledger.damages.of(JOB) == []


@contextmanager
def between_requests(heard: Callable[[SftpSession, bytes], None]) -> Iterator[None]:
    """`heard` is called before the far box answers a request: until it returns, that request waits."""
    real = SftpSession.answer

    def answer(session: SftpSession, packet: bytes) -> bytes:
        heard(session, packet)
        return real(session, packet)

    with patch.object(SftpSession, "answer", answer):
        yield


class FirstSession:
    """Counts the requests of the first connection, a restore's, and does something before the nth of them.

    Closings do not count: nobody waits for them, so what is done before the last might come after the restore's end.
    """

    def __init__(self, at: int, do: Callable[[], None]) -> None:
        self.requests = 0
        self._at = at
        self._do = do
        self._session: SftpSession | None = None

    def __call__(self, session: SftpSession, packet: bytes) -> None:
        # By its greeting: on a busy machine a closing of the connection before may still come.
        if packet[0] == words.INIT:
            self._session = self._session or session
        elif session is self._session and packet[0] != words.CLOSE:
            self.requests += 1
            if self.requests == self._at:
                self._do()


def requests_of_a_restore(job: OneJob) -> int:
    counted = FirstSession(0, lambda: None)
    with between_requests(counted):
        assert job.unlike(max(job.trees)) == []
    return counted.requests


# -- a whole run, or several, between two requests of the restore --


@pytest.mark.slow
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


def test_each_file_is_replaced_just_before_it_is_read(job: OneJob) -> None:
    """A run for each of the restore's openings in the newest copy, the second range of the large file included."""
    version = max(job.trees)
    opened: list[bytes] = []

    sessions: list[SftpSession] = []

    def replace(session: SftpSession, packet: bytes) -> None:
        if not sessions:
            sessions.append(session)
        if session is sessions[0] and packet[0] == words.OPEN and b"/latest/" in packet:
            opened.append(packet.partition(b"/latest/")[2])
            change_everything(job, len(opened))
            job.done()

    with between_requests(replace):
        assert job.unlike(version) == []
    assert len(opened) > SMALL_FILES
    no_damage_is_noted(job)
    job.all_come_back()


# -- a run that is under way while the restore reads --


class RunThatStops:
    """A run in a thread of its own, which the far box keeps waiting at some of its requests until `go_on`.

    Each of `stops` in turn is asked about every request, until it says yes to one: there the run has to wait.
    """

    def __init__(self, job: OneJob, *stops: Callable[[bytes], bool], cut: bool = False) -> None:
        self.requests = 0
        self.outcome = ""
        self.waits = threading.Event()
        self._stop = StopsOnceWaiting(self) if cut else StopSign(SystemClock())
        self._job = job
        self._stops = list(stops)
        self._go = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def begin(self) -> None:
        """Start it; comes back when it waits, or has ended."""
        self._thread.start()
        assert self.waits.wait(WAIT_S)

    def hear(self, packet: bytes) -> None:
        """A request of the run has come."""
        self.requests += 1
        if self._stops and self._stops[0](packet):
            self._stops.pop(0)
            self.waits.set()
            assert self._go.wait(WAIT_S)
            self._go.clear()

    def go_on(self) -> None:
        """Let it go on to the next stop, or to its end."""
        self.waits.clear()
        self._go.set()
        assert self.waits.wait(WAIT_S)

    def end(self) -> None:
        """Let it go on to its end."""
        self._stops.clear()
        self._go.set()
        if self._thread.ident is not None:
            self._thread.join(WAIT_S)
        assert not self._thread.is_alive()

    def _run(self) -> None:
        settings = self._job.settings
        try:
            with Ledger(settings.ledger) as ledger:
                ran = run_job(settings, JOB, JobContext(Progress(), ledger, stop=self._stop))
            self.outcome = ran.report.outcome
            if self.outcome == "done":
                self._job.trees[ran.report.run] = read_tree(str(self._job.folder))
        finally:
            self.waits.set()


def nth(number: int) -> Callable[[bytes], bool]:
    """A stop at the nth request that is asked about."""
    numbers = iter(range(1, number + 1))
    return lambda _: next(numbers) == number


@contextmanager
def beside(run: RunThatStops, at: dict[int, Callable[[], None]], heard: Callable[[bytes], None]) -> Iterator[None]:
    """For a restore beside a run: before the restore's nth request `at[n]` is done, and `heard` is told of each.

    At the end the run ends too.
    """
    sessions: list[SftpSession] = []
    requests = 0

    def hear(session: SftpSession, packet: bytes) -> None:
        nonlocal requests
        if not sessions:
            sessions.append(session)
        if packet[0] == words.INIT:
            return
        if session is not sessions[0]:
            run.hear(packet)
            return
        requests += 1
        at.get(requests, lambda: None)()
        heard(packet)

    with between_requests(hear):
        try:
            yield
        finally:
            run.end()


def test_a_run_goes_on_after_what_it_moved_aside_was_looked_at(job: OneJob) -> None:
    """The restore looks when the run has moved only a part; the rest is moved just before the restore reads it.

    The run then waits before its commit, so that nothing but its folder under `earlier/` tells of it.
    """
    job.far_more = {"answer_s": WAIT_S}
    job.write_settings()
    version = max(job.trees)
    change_everything(job, 1)
    run = RunThatStops(
        job,
        lambda packet: b"/latest/large" in packet and b"/earlier/" in packet,
        lambda packet: packet[0] == words.OPEN and b"/incoming/" in packet and b".jsonl.gz" in packet,
    )
    moved_before: list[str] = []

    def read(packet: bytes) -> None:
        if packet[0] == words.OPEN and b"/latest/large" in packet and not moved_before:
            moved_before.extend(str(path) for path in job.far.glob("earlier/*/f*"))
            run.go_on()

    with beside(run, {1: run.begin}, read):
        assert job.unlike(version) == []
        assert run.outcome == "", "it is still under way"
    assert moved_before, "it was seen in the midst of its work"
    assert run.outcome == "done"
    no_damage_is_noted(job)
    job.all_come_back()


@pytest.mark.slow
def test_a_run_may_be_anywhere_in_its_work_while_a_restore_reads(job: OneJob) -> None:
    """Moments are drawn: when the run begins, where in it it is stopped, and when it goes on. Each third one is cut
    there, and leaves the far copy half changed for those after it."""
    job.far_more = {"answer_s": WAIT_S}
    job.write_settings()
    count = requests_of_a_restore(job)
    whole = RunThatStops(job)
    change_everything(job, 1)
    with beside(whole, {1: whole.begin}, lambda _: None):
        assert job.unlike(max(job.trees)) == []
    assert (whole.outcome, whole.requests > 40) == ("done", True)
    drawn = random.Random(7)
    outcomes = []
    for number in range(2, 20):
        version = max(job.trees)
        change_everything(job, number)
        run = RunThatStops(job, nth(drawn.randrange(1, whole.requests)), cut=not number % 3)
        begins = drawn.choice((1, drawn.randrange(1, count)))
        goes_on = drawn.randrange(begins + 1, count + 1)
        with beside(run, {begins: run.begin, goes_on: run.end}, lambda _: None):
            assert job.unlike(version) == [], f"drawn as number {number}: {begins}, {goes_on}"
        outcomes.append(run.outcome)
    assert set(outcomes) == {"done", "cut"}, outcomes
    no_damage_is_noted(job)
    job.all_come_back()


class StopsOnceWaiting(StopSign):
    """Goes up once its run has been kept waiting."""

    def __init__(self, run: RunThatStops) -> None:
        super().__init__(SystemClock())
        self._run = run

    def asked(self) -> str:
        if self._run.waits.is_set():
            self.ask("the test says so")
        return super().asked()


@pytest.mark.slow
def test_restores_and_runs_side_by_side(job: OneJob) -> None:
    """Nothing is arranged here: restores of the newest version go on for as long as runs do."""
    failures: list[BaseException] = []

    def run_on() -> None:
        try:
            for number in range(1, 9):
                change_everything(job, number)
                job.done()
        except BaseException as problem:
            failures.append(problem)
            raise

    thread = threading.Thread(target=run_on)
    thread.start()
    restored = 0
    while thread.is_alive() or not restored:
        assert job.unlike(max(job.trees)) == []  # of all versions the one that the next run moves aside
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
        assert {one.path for one in ledger.damages.of(JOB)} == {"f1", "large"}
