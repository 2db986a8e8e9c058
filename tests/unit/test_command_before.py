"""The command before a copy is waited for, but not for what it leaves behind, and no longer than the run may go on."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import HomeTrouble, RunCut
from otherroof.copying.progress import Progress
from otherroof.jobs.commands import CommandEnd, run_check_after_drill, run_command_before
from otherroof.jobs.context import JobContext
from otherroof.jobs.run import run_job
from otherroof.jobs.stop_sign import StopSign
from otherroof.settings import Job
from support.main_job import JOB, one_job


@pytest.fixture
def pids(tmp_path: Path) -> Iterator[Path]:
    """A file for the ids of processes; they are ended afterwards."""
    path = tmp_path / "pids"
    path.touch()
    yield path
    for pid in path.read_text().split():
        with contextlib.suppress(ProcessLookupError):
            os.kill(int(pid), signal.SIGKILL)


def job_with(script: str, before_s: float = 60.0) -> Job:
    return Job(folder="/srv/x", far="heron", at="0 1 * * *", before=("/bin/sh", "-c", script), before_s=before_s)


def is_alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def gone_soon(pids: Path) -> bool:
    until = time.monotonic() + 10
    while any(is_alive(int(pid)) for pid in pids.read_text().split()) and time.monotonic() < until:
        time.sleep(0.05)
    return not any(is_alive(int(pid)) for pid in pids.read_text().split())


def test_what_it_leaves_behind_does_not_hold_the_run(pids: Path) -> None:
    begun = time.monotonic()
    run_command_before(job_with(f"sleep 30 & echo $! >> {pids}"), SystemClock(), StopSign(SystemClock()))
    assert time.monotonic() - begun < 10
    (left,) = pids.read_text().split()
    assert is_alive(int(left)), "a program that it started on purpose goes on"


def test_a_run_that_is_asked_to_stop_ends_it_with_all_it_started(pids: Path) -> None:
    sign = StopSign(SystemClock())
    threading.Timer(0.5, sign.ask, ("asked to stop",)).start()
    begun = time.monotonic()
    with pytest.raises(RunCut, match="asked to stop"):
        run_command_before(job_with(f"sleep 60 & echo $! >> {pids}; wait"), SystemClock(), sign)
    assert time.monotonic() - begun < 10
    assert gone_soon(pids)


def test_the_check_after_a_drill_is_told_where_the_files_lie() -> None:
    script = 'echo "$OTHERROOF_DRILL" >&2; exit 3'
    job = Job(folder="/srv/x", far="heron", at="0 1 * * *", drill={"also": ("/bin/sh", "-c", script)})  # type: ignore[arg-type]
    end = run_check_after_drill(job, "/srv/drill/restored", SystemClock(), StopSign(SystemClock()))
    assert end == CommandEnd(3, "/srv/drill/restored")


def test_one_that_hangs_is_ended_when_its_time_is_up(pids: Path) -> None:
    with pytest.raises(HomeTrouble, match=r"did not end within 0\.3 s"):
        run_command_before(job_with(f"sleep 60 & echo $! >> {pids}; wait", 0.3), SystemClock(), StopSign(SystemClock()))
    assert gone_soon(pids)


def test_one_that_does_not_mind_being_asked_is_killed(pids: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("otherroof.jobs.commands.END_S", 1.0)
    script = f"trap '' TERM; echo $$ >> {pids}; while :; do sleep 0.1; done"
    begun = time.monotonic()
    with pytest.raises(HomeTrouble, match=r"did not end within 0\.5 s"):
        run_command_before(job_with(script, before_s=0.5), SystemClock(), StopSign(SystemClock()))
    assert time.monotonic() - begun < 10
    assert gone_soon(pids)


def test_its_last_words_are_told_and_no_more_of_a_flood(pids: Path) -> None:
    script = "head -c 3000000 /dev/zero | tr '\\\\0' x >&2; echo >&2; echo 'the database is locked' >&2; exit 7"
    with pytest.raises(HomeTrouble, match=r"ended with 7 \(the database is locked\)"):
        run_command_before(job_with(script), SystemClock(), StopSign(SystemClock()))


def test_the_stopped_run_stands_in_the_history_as_cut(tmp_path: Path) -> None:
    """Invariant 8."""
    with one_job(tmp_path, job_more={"before": ["/bin/sleep", "60"]}) as job:
        sign = StopSign(SystemClock())
        threading.Timer(0.5, sign.ask, ("asked to stop",)).start()
        ran = run_job(job.settings, JOB, JobContext(Progress(), stop=sign))
        assert (ran.report.outcome, job.rows()[0].report.outcome) == ("cut", "cut")
