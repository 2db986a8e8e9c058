"""One service on a state folder: the second is told who and since when; a killed one leaves nothing behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from otherroof.clock import SteppedClock
from otherroof.errors import Busy, HomeTrouble
from otherroof.service.holding import Held, Holding
from support.simulated import utc

HELD = Held("this is held", "here", "wait")
HELD = Held("this is held", "here", "wait")
ZONE = ZoneInfo("America/St_Johns")
CHILD = """
import sys, time
from zoneinfo import ZoneInfo
from otherroof.clock import SystemClock
from otherroof.service.holding import Held, Holding
with Holding(sys.argv[1], SystemClock(), ZoneInfo("UTC"), Held("this is held", "here", "wait")):
    print("held", flush=True)
    time.sleep(60)
"""


def test_the_second_is_told_who_holds_it_and_since_when(tmp_path: Path) -> None:
    clock, path = SteppedClock(utc(2026, 6, 10, 4)), str(tmp_path / "state" / "serve.lock")
    with Holding(path, clock, ZONE, HELD):
        clock.step(3600)
        with pytest.raises(Busy) as caught, Holding(path, clock, ZONE, HELD):
            raise AssertionError("two held it")
    assert f"process {os.getpid()}, since 2026-06-10 01:30" in str(caught.value)
    with Holding(path, clock, ZONE, HELD):
        pass


def test_a_killed_process_leaves_nothing_that_must_be_removed_by_hand(tmp_path: Path) -> None:
    path = str(tmp_path / "serve.lock")
    child = subprocess.Popen([sys.executable, "-c", CHILD, path], stdout=subprocess.PIPE)
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == b"held\n"
        with (
            pytest.raises(Busy, match=f"process {child.pid}, since "),
            Holding(path, SteppedClock(utc(2026, 1, 1)), ZONE, HELD),
        ):
            raise AssertionError("two held it")
    finally:
        child.send_signal(signal.SIGKILL)
        child.communicate(timeout=10)
    with Holding(path, SteppedClock(utc(2026, 1, 1)), ZONE, HELD):
        pass


def test_a_holder_that_has_not_yet_said_who_it_is(tmp_path: Path) -> None:
    clock, path = SteppedClock(utc(2026, 6, 10, 4)), str(tmp_path / "serve.lock")
    with Holding(path, clock, ZONE, HELD):
        os.truncate(path, 0)
        with pytest.raises(Busy, match="only just begun"), Holding(path, clock, ZONE, HELD):
            raise AssertionError("two held it")


def test_a_state_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with (
        pytest.raises(HomeTrouble, match="state folder"),
        Holding(str(tmp_path / "file" / "serve.lock"), SteppedClock(utc(2026, 6, 10)), ZONE, HELD),
    ):
        raise AssertionError("held in a file")
