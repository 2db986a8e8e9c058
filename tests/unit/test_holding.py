"""One service on a state folder: the second is told who and since when; a killed one leaves nothing behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from otherroof.base.clock import SteppedClock, SystemClock
from otherroof.base.errors import Busy, HomeTrouble, RunCut
from otherroof.jobs.locks import FileLock, LockPurpose, LockWait
from support.simulated import utc

HELD = LockPurpose("this is held", "here", "wait")
ZONE = ZoneInfo("America/St_Johns")
CHILD = """
import sys, time
from zoneinfo import ZoneInfo
from otherroof.base.clock import SystemClock
from otherroof.jobs.locks import FileLock, LockPurpose
with FileLock(sys.argv[1], SystemClock(), ZoneInfo("UTC"), LockPurpose("this is held", "here", "wait")):
    print("held", flush=True)
    time.sleep(60)
"""


def test_the_second_is_told_who_holds_it_and_since_when(tmp_path: Path) -> None:
    clock, path = SteppedClock(utc(2026, 6, 10, 4)), str(tmp_path / "state" / "serve.lock")
    with FileLock(path, clock, ZONE, HELD):
        clock.step(3600)
        with pytest.raises(Busy) as caught, FileLock(path, clock, ZONE, HELD):
            raise AssertionError("two held it")
    assert f"process {os.getpid()}, since 2026-06-10 01:30" in str(caught.value)
    with FileLock(path, clock, ZONE, HELD):
        pass


def test_a_killed_process_leaves_nothing_that_must_be_removed_by_hand(tmp_path: Path) -> None:
    path = str(tmp_path / "serve.lock")
    child = subprocess.Popen([sys.executable, "-c", CHILD, path], stdout=subprocess.PIPE)
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == b"held\n"
        with (
            pytest.raises(Busy, match=f"process {child.pid}, since "),
            FileLock(path, SteppedClock(utc(2026, 1, 1)), ZONE, HELD),
        ):
            raise AssertionError("two held it")
    finally:
        child.send_signal(signal.SIGKILL)
        child.communicate(timeout=10)
    with FileLock(path, SteppedClock(utc(2026, 1, 1)), ZONE, HELD):
        pass


def test_a_holder_that_has_not_yet_said_who_it_is(tmp_path: Path) -> None:
    clock, path = SteppedClock(utc(2026, 6, 10, 4)), str(tmp_path / "serve.lock")
    with FileLock(path, clock, ZONE, HELD):
        os.truncate(path, 0)
        with pytest.raises(Busy, match="only just begun"), FileLock(path, clock, ZONE, HELD):
            raise AssertionError("two held it")


def test_a_wait_has_an_end_and_says_once_for_whom_it_waits(tmp_path: Path) -> None:
    clock, path, told = SteppedClock(utc(2026, 6, 10, 4)), str(tmp_path / "far.lock"), list[str]()
    with FileLock(path, clock, ZONE, replace(HELD, name="photos")):
        begun = clock.monotonic()
        with pytest.raises(Busy, match="this is held: photos, process "):
            FileLock(path, clock, ZONE, HELD, LockWait(90, told.append)).__enter__()
    assert clock.monotonic() - begun == pytest.approx(90, abs=1)
    since = f"photos, process {os.getpid()}, since 2026-06-10 01:30"
    assert told == [f"here waits up to 1 min 30 s: this is held: {since}"]


def test_a_wait_ends_when_it_is_asked_to_and_leaves_nothing_open(tmp_path: Path) -> None:
    clock, path = SteppedClock(utc(2026, 6, 10, 4)), str(tmp_path / "far.lock")

    def check() -> None:
        if clock.monotonic() > 3:
            raise RunCut("stopped by SIGINT")

    with FileLock(path, clock, ZONE, HELD):
        before = os.listdir("/proc/self/fd")
        with pytest.raises(RunCut):
            FileLock(path, clock, ZONE, HELD, LockWait(90, check=check)).__enter__()
        assert os.listdir("/proc/self/fd") == before
        assert clock.monotonic() < 5


def test_whoever_waits_gets_it_when_the_holder_is_killed(tmp_path: Path) -> None:
    path = str(tmp_path / "far.lock")
    child = subprocess.Popen([sys.executable, "-c", CHILD, path], stdout=subprocess.PIPE)
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == b"held\n"
        with FileLock(path, SystemClock(), ZONE, HELD, LockWait(20, lambda _: child.kill())):
            assert child.wait(10) == -signal.SIGKILL
    finally:
        child.kill()
        child.communicate(timeout=10)


def test_a_state_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with (
        pytest.raises(HomeTrouble, match="state folder"),
        FileLock(str(tmp_path / "file" / "serve.lock"), SteppedClock(utc(2026, 6, 10)), ZONE, HELD),
    ):
        raise AssertionError("held in a file")
