"""Locks: held alone or shared, by threads and processes alike; the second is told who and since when; a killed holder
leaves nothing behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from otherroof.base.clock import Clock, SteppedClock, SystemClock
from otherroof.base.errors import Busy, HomeTrouble, RunCut
from otherroof.base.locks import FileLock, LockNote, Patience
from support.simulated import utc

NOTE = LockNote("this is held", "here", "wait", zone=ZoneInfo("America/St_Johns"))
CHILD = """
import subprocess, sys, time
from otherroof.base.clock import SystemClock
from otherroof.base.locks import FileLock, LockNote
lock = FileLock(sys.argv[1], SystemClock(), LockNote("this is held", "here", "wait"))
getattr(lock, sys.argv[2])()
subprocess.Popen(["sleep", "20"], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
print("held", flush=True)
time.sleep(60)
"""
SERVICE = 65534


def lock_at(path: Path | str, clock: Clock | None = None, note: LockNote = NOTE) -> FileLock:
    return FileLock(str(path), clock or SteppedClock(utc(2026, 6, 10, 4)), note)


@contextmanager
def other_holder(path: Path, how: str = "hold") -> Iterator[subprocess.Popen[bytes]]:
    """Another process that holds the lock, and has started a program that outlives it."""
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, str(path), how], stdout=subprocess.PIPE, start_new_session=True
    )
    try:
        assert child.stdout is not None
        assert child.stdout.readline() == b"held\n"
        yield child
    finally:
        os.killpg(child.pid, signal.SIGKILL)
        child.communicate(timeout=10)


def test_the_second_is_told_who_holds_it_and_since_when(tmp_path: Path) -> None:
    clock, path = SteppedClock(utc(2026, 6, 10, 4)), tmp_path / "state" / "serve.lock"
    with lock_at(path, clock).alone():
        clock.step(3600)
        for _ in ("second", "third"):
            with pytest.raises(Busy) as caught:
                lock_at(path, clock).hold()
            assert f"process {os.getpid()}, since Wed 10 June 2026, 01:30" in str(caught.value)
    with lock_at(path, clock).alone():
        pass


def test_a_killed_process_leaves_nothing_that_must_be_removed_by_hand(tmp_path: Path) -> None:
    path = tmp_path / "serve.lock"
    with other_holder(path) as child:
        with pytest.raises(Busy, match=f"process {child.pid}, since "):
            lock_at(path).hold()
        child.kill()
        child.wait(10)
        with lock_at(path).alone():
            pass


def test_a_holder_that_has_not_yet_said_who_it_is(tmp_path: Path) -> None:
    path = tmp_path / "serve.lock"
    with lock_at(path).alone():
        os.truncate(path, 0)
        with pytest.raises(Busy, match="only just begun"):
            lock_at(path).hold()


def test_a_wait_has_an_end_and_says_once_for_whom_it_waits(tmp_path: Path) -> None:
    clock, path, told = SteppedClock(utc(2026, 6, 10, 4)), tmp_path / "far.lock", list[str]()
    with lock_at(path, clock, replace(NOTE, name="photos")).alone():
        begun = clock.monotonic()
        with pytest.raises(Busy, match="this is held: photos, process "):
            lock_at(path, clock).hold(Patience(90, told.append))
    assert clock.monotonic() - begun == pytest.approx(90, abs=1)
    since = f"photos, process {os.getpid()}, since Wed 10 June 2026, 01:30"
    assert told == [f"here waits up to 1 min 30 s: this is held: {since}"]


def test_a_wait_ends_when_it_is_asked_to_and_leaves_nothing_open(tmp_path: Path) -> None:
    clock, path = SteppedClock(utc(2026, 6, 10, 4)), tmp_path / "far.lock"

    def check() -> None:
        if clock.monotonic() > 3:
            raise RunCut("stopped by SIGINT")

    with lock_at(path, clock).alone():
        before = os.listdir("/proc/self/fd")
        with pytest.raises(RunCut):
            lock_at(path, clock).hold(Patience(90, check=check))
        assert os.listdir("/proc/self/fd") == before
        assert clock.monotonic() < 5


def test_whoever_waits_gets_it_when_the_holder_is_killed(tmp_path: Path) -> None:
    path = tmp_path / "far.lock"
    with other_holder(path) as child, lock_at(path, SystemClock()).alone(Patience(20, lambda _: child.kill())):
        assert child.wait(10) == -signal.SIGKILL


def test_a_state_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(HomeTrouble, match="state folder"):
        lock_at(tmp_path / "file" / "serve.lock").hold()


def test_shares_go_together_and_keep_out_whoever_wants_it_alone(tmp_path: Path) -> None:
    path = tmp_path / "garden.use"
    with other_holder(path, "share") as child:
        mine, other = lock_at(path), lock_at(path)
        mine.share()
        mine.share()
        with pytest.raises(Busy):
            other.hold()
        other.share()
        assert not other.try_alone()
        child.kill()
        child.wait(10)
        assert mine.try_alone(), "neither who was refused nor who was killed has a share any more"
        with pytest.raises(Busy, match=f"process {os.getpid()}"):
            other.share()
        mine.release()
        other.share()
        other.release()


def test_what_was_asked_for_alone_in_vain_is_held_by_nobody_and_not_open(tmp_path: Path) -> None:
    path = tmp_path / "garden.use"
    mine, other = lock_at(path), lock_at(path)
    mine.share()
    before = os.listdir("/proc/self/fd")
    other.share()
    assert not other.try_alone()
    assert os.listdir("/proc/self/fd") == before
    other.release()
    assert mine.try_alone()
    mine.release()
    mine.release()


def test_of_many_who_give_up_their_shares_at_once_one_gets_it(tmp_path: Path) -> None:
    """So that somebody takes the tunnel down; and nobody has it together with another."""
    path, start = tmp_path / "garden.use", threading.Barrier(8)
    got: list[list[bool]] = [[] for _ in range(8)]

    def leave(number: int) -> None:
        for _ in range(40):
            lock = lock_at(path, SystemClock())
            lock.share(Patience(20))
            start.wait(20)
            got[number].append(lock.try_alone())
            start.wait(20)
            lock.release()

    threads = [threading.Thread(target=leave, args=(number,)) for number in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert [sum(answers) for answers in zip(*got, strict=True)] == [1] * 40


def test_a_threads_turn_ends_before_the_next_ones_begins(tmp_path: Path) -> None:
    inside, most = 0, 0

    def enter() -> None:
        nonlocal inside, most
        for _ in range(6):
            with lock_at(tmp_path / "garden.turn", SystemClock()).alone(Patience(30)):
                inside += 1
                time.sleep(0.001)
                most = max(most, inside)
                inside -= 1

    threads = [threading.Thread(target=enter) for _ in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert (inside, most) == (0, 1)


def test_a_link_in_place_of_a_lock_is_not_followed(tmp_path: Path) -> None:
    """Root writes into locks too, in a folder that belongs to the service's account."""
    precious = tmp_path / "precious"
    precious.write_text("keep me")
    (tmp_path / "serve.lock").symlink_to(precious)
    with pytest.raises(HomeTrouble, match="cannot be locked"):
        lock_at(tmp_path / "serve.lock").hold()
    assert precious.read_text() == "keep me"


# Loaded and in its folder before it becomes that account, which may not pass through the folders above.
AS_SERVICE = """
import os
from otherroof.base.clock import SystemClock
from otherroof.base.locks import FileLock, LockNote
os.setgroups([]); os.setgid(65534); os.setuid(65534)
lock = FileLock("locks/photos.lock", SystemClock(), LockNote("this is held", "here", "wait"))
try:
    lock.hold()
except Exception as problem:
    print(problem)
else:
    print("held")
"""


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another account")
def test_a_lock_that_root_made_can_be_waited_for_and_held_by_the_services_account(tmp_path: Path) -> None:
    state = tmp_path / "state"
    state.mkdir(0o700)
    os.chown(state, SERVICE, SERVICE)
    path = state / "locks" / "photos.lock"

    def as_service() -> str:
        argv = [sys.executable, "-c", AS_SERVICE]
        done = subprocess.run(argv, cwd=state, capture_output=True, text=True, timeout=30, check=False)
        assert done.returncode == 0, done.stderr
        return done.stdout.strip()

    with lock_at(path).alone():
        assert as_service() == f"here: this is held: process {os.getpid()}, since Wed 10 June 2026, 04:00; wait"
    assert as_service() == "held"
    with lock_at(path).alone():
        pass
    assert {(one.stat().st_uid, one.stat().st_gid) for one in (path, path.parent)} == {(SERVICE, SERVICE)}
    assert (path.stat().st_mode & 0o777, path.parent.stat().st_mode & 0o777) == (0o600, 0o700)
