"""One run at a time for each far box, whoever starts it; and what a killed run sent counts all the same."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import Busy, RunCut
from otherroof.base.locks import Patience
from otherroof.copying.progress import Progress
from otherroof.copying.run import Run
from otherroof.jobs.context import JobContext
from otherroof.jobs.locks import far_lock
from otherroof.jobs.run import RunOptions, RunResult, run_job
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from otherroof.settings import Settings, require_settings
from support.lab.household import write_settings
from support.main_job import StandInDoor, level_way, stand_in_door

JOBS = ("papers", "photos")
CLOCK = SystemClock()
TREE = Path(__file__).resolve().parents[2]
# Runs a job in a process of its own that ends without a word, as by a power cut, once its bytes were noted.
DOOMED = """
import os, sys
from datetime import UTC, datetime
from otherroof.copying.progress import Progress
from otherroof.far.sftp import place
from otherroof.jobs import run
from otherroof.jobs.context import JobContext
from otherroof.ledger import Ledger
from otherroof.settings import require_settings
from support.main_job import level_way

settings = require_settings(sys.argv[1])
run.WIRE_NOTE_S = place.TICK_S = 0.0

def tick():
    with Ledger(settings.ledger) as other:
        # By what the ledger holds: a row of a run under way tells what that says of itself, which is more.
        if other.runs.wire_bytes_since("heron", datetime.min.replace(tzinfo=UTC)) > 3_000_000:
            os._exit(9)

with Ledger(settings.ledger) as ledger, level_way():
    run.run_job(settings, "photos", JobContext(Progress(), ledger, tick=tick))
"""


class House:
    """Two jobs that go to one stand-in far box."""

    def __init__(self, where: Path, door: StandInDoor) -> None:
        jobs: dict[str, dict[str, Any]] = {}
        for name in JOBS:
            folder = where / "home" / name
            folder.mkdir(parents=True)
            (folder / "a").write_bytes(b"a" * 1000)
            jobs[name] = {"folder": str(folder)}
        self.photos = where / "home" / "photos"
        far = {"connections": 1, "pause_s": 0.01, "answer_s": 20.0, "queue_s": 20.0}
        self.config = write_settings(where / "settings", door, jobs, far_more=far)  # type: ignore[arg-type]
        self.told: list[str] = []

    @property
    def settings(self) -> Settings:
        return require_settings(self.config)

    def run(self, job: str, *, patient: bool = True, dry: bool = False, stop: StopSign | None = None) -> RunResult:
        with Ledger(self.settings.ledger) as ledger:
            stop = stop or StopSign(CLOCK)
            context = JobContext(Progress(), ledger, CLOCK, stop, told=self.told.append, patient=patient)
            return run_job(self.settings, job, context, RunOptions(dry=dry))


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    with stand_in_door(tmp_path) as door, level_way():
        yield House(tmp_path, door)


def test_two_runs_to_one_far_box_never_overlap(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    times: list[tuple[float, float]] = []
    real = Run.carry_out

    def work(this: Run) -> None:
        begun = time.monotonic()
        real(this)
        time.sleep(0.3)
        times.append((begun, time.monotonic()))

    monkeypatch.setattr(Run, "carry_out", work)
    ran: list[RunResult] = []
    threads = [threading.Thread(target=lambda name=name: ran.append(house.run(name))) for name in JOBS]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert [one.report.outcome for one in ran] == ["done", "done"]
    (_, first_end), (second_begin, _) = sorted(times)
    assert first_end <= second_begin
    assert len([line for line in house.told if " waits up to 20 s: another run to far box heron" in line]) == 1


def test_a_run_that_does_not_wait_is_told_which_job_is_at_work_there(house: House) -> None:
    with far_lock(house.settings, "papers", CLOCK, Patience()):
        with pytest.raises(Busy, match="photos: another run to far box heron is under way: papers, process "):
            house.run("photos", patient=False)
        assert house.run("photos", patient=False, dry=True).error is None, "it sends nothing"
    with Ledger(house.settings.ledger) as ledger:
        assert ledger.runs.rows() == [], "what never began is no run"


def test_whoever_waits_can_be_stopped_and_holds_nothing_afterwards(house: House) -> None:
    stop = StopSign(CLOCK)
    with far_lock(house.settings, "papers", CLOCK, Patience()):
        timer = threading.Timer(0.3, stop.ask, ("stopped by SIGINT",))
        timer.start()
        with pytest.raises(RunCut, match="stopped by SIGINT"):
            house.run("photos", stop=stop)
        timer.join()
    assert house.run("photos").error is None


def test_another_run_of_the_same_job_does_not_join_the_queue(house: House) -> None:
    """The job's lock comes first and the far box's second, for everybody: no two can wait for each other."""
    waiting = threading.Event()
    stop = StopSign(CLOCK)
    house.told = _Hears(waiting)
    with far_lock(house.settings, "papers", CLOCK, Patience()):

        def wait() -> None:
            with pytest.raises(RunCut):
                house.run("photos", stop=stop)

        thread = threading.Thread(target=wait)
        thread.start()
        assert waiting.wait(10)
        with pytest.raises(Busy, match="photos: a run of this job is under way"):
            house.run("photos")
        stop.ask("the test is over")
        thread.join(10)
    assert not thread.is_alive()


class _Hears(list[str]):
    """Notes what is told, and that something was."""

    def __init__(self, heard: threading.Event) -> None:
        super().__init__()
        self._heard = heard

    def append(self, line: str) -> None:
        super().append(line)
        self._heard.set()


def test_bytes_of_a_killed_run_count_towards_the_month(house: House) -> None:
    (house.photos / "big").write_bytes(bytes(range(256)) * 200_000)  # 51 MB
    child = subprocess.run(
        [sys.executable, "-c", DOOMED, house.config],
        env={"PYTHONPATH": f"{TREE}/src:{TREE}/tests", "PATH": "/usr/bin:/bin"},
        capture_output=True,
        timeout=60,
        check=False,
    )
    assert child.returncode == 9, child.stderr.decode()
    ago = CLOCK.now() - timedelta(days=1)
    with Ledger(house.settings.ledger) as ledger:
        (row,) = ledger.runs.rows()
        assert row.ended is None
        sent = ledger.runs.wire_bytes_since("heron", ago)
        assert 3_000_000 < sent < 60_000_000
    ran = house.run("photos")
    assert ran.error is None
    with Ledger(house.settings.ledger) as ledger:
        done, cut = ledger.runs.rows()
        assert (cut.report.outcome, cut.report.bytes.wire_up + cut.report.bytes.wire_down) == ("cut", sent)
        wire = done.report.bytes
        assert ledger.runs.wire_bytes_since("heron", ago) == sent + wire.wire_up + wire.wire_down
