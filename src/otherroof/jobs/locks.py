"""One at a time: locks that end with their process, and say who holds them. For the service, for runs of a job, and
for runs to a far box.

A run takes its job's lock first and its far box's then, always in this order, so that no two wait for each other.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Self
from zoneinfo import ZoneInfo

from otherroof.base.atomic_file import make_folder
from otherroof.base.clock import Clock, from_stamp, stamp
from otherroof.base.errors import Busy, HomeTrouble
from otherroof.base.local_time import wall_time
from otherroof.base.units import span_text
from otherroof.settings import Settings

ADVICE = "check that the state folder belongs to this account and that its disk is not full"
STEP_S = 0.5


@dataclass(frozen=True, slots=True)
class LockPurpose:
    """What a lock is for, in words for the process that has to wait; `name`: the job the holder is working on."""

    what: str
    where: str
    advice: str
    name: str = ""


def _nothing(_: str = "") -> None:
    """Nobody asks, nobody is told."""


@dataclass(frozen=True, slots=True)
class LockWait:
    """How to wait for a lock: at most `seconds`; `told` is called once with who holds it, `check` is called repeatedly
    and may raise to end the wait."""

    seconds: float = 0.0
    told: Callable[[str], None] = _nothing
    check: Callable[[], None] = _nothing


class FileLock:
    """Holds a lock file while inside `with`.

    Raises Busy, naming the process and since when (in `zone`), if another one holds it and goes on to after the
    patience for it is over; HomeTrouble if the file cannot be written. The kernel lets go of it however the process
    ends, so nothing stale is left behind.
    """

    def __init__(
        self, path: str, clock: Clock, zone: ZoneInfo, held: LockPurpose, patience: LockWait | None = None
    ) -> None:
        self._path = path
        self._clock = clock
        self._zone = zone
        self._held = held
        self._patience = patience or LockWait()
        self._file = -1

    def __enter__(self) -> Self:
        make_folder(os.path.dirname(self._path), advice=ADVICE)
        try:
            self._file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as problem:
            raise HomeTrouble(f"cannot be written: {problem.strerror}", where=self._path, advice=ADVICE) from problem
        try:
            self._wait()
        except BaseException:
            os.close(self._file)
            raise
        # Who holds it is told to others as a courtesy; on a full disk the lock holds all the same.
        with contextlib.suppress(OSError):
            os.ftruncate(self._file, 0)
            os.pwrite(self._file, f"{os.getpid()} {stamp(self._clock.now())} {self._held.name}\n".encode(), 0)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # The file stays: removing it would let a third process lock a name that is no longer this file.
        os.ftruncate(self._file, 0)
        os.close(self._file)

    def _wait(self) -> None:
        until = self._clock.monotonic() + self._patience.seconds
        told = False
        while not self._taken():
            if self._clock.monotonic() >= until:
                raise Busy(f"{self._held.what}: {self._holder()}", where=self._held.where, advice=self._held.advice)
            if not told:
                longest = span_text(self._patience.seconds)
                self._patience.told(f"{self._held.where} waits up to {longest}: {self._held.what}: {self._holder()}")
                told = True
            self._patience.check()
            self._clock.sleep(STEP_S)

    def _taken(self) -> bool:
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True

    def _holder(self) -> str:
        words = os.pread(self._file, 200, 0).decode("ascii", "replace").split()
        try:
            pid, since, *name = words
            when = f"{wall_time(from_stamp(since), self._zone):%Y-%m-%d %H:%M}"
        except ValueError:  # it holds the lock and has not yet written who it is
            return "a process that has only just begun"
        return ", ".join([*name, f"process {pid}", f"since {when}"])


def service_lock(settings: Settings, clock: Clock) -> FileLock:
    """The lock of the one service on a state folder."""
    held = LockPurpose(
        "another service is at work on this state folder",
        settings.state,
        "stop that one first; `otherroof status` shows what it does",
    )
    return FileLock(os.path.join(settings.state, "serve.lock"), clock, settings.zone, held)


def job_lock(settings: Settings, job: str, clock: Clock) -> FileLock:
    """The lock of the one run of a job, whoever starts it."""
    held = LockPurpose("a run of this job is under way", job, "wait for it to end; `otherroof status` shows it")
    return FileLock(_lock_path(settings, job), clock, settings.zone, held)


def far_lock(settings: Settings, job: str, clock: Clock, patience: LockWait) -> FileLock:
    """The lock of the one run to the far box of `job`; whoever has it holds the lock of its job already."""
    held = LockPurpose(
        f"another run to far box {settings.jobs[job].far} is under way",
        job,
        "wait for it to end; `otherroof status` shows it, queue_s of the far box sets how long `run` waits by itself",
        name=job,
    )
    # No job's name has a dot in it.
    return FileLock(_lock_path(settings, f"far.{settings.jobs[job].far}"), clock, settings.zone, held, patience)


def _lock_path(settings: Settings, name: str) -> str:
    return os.path.join(settings.state, "locks", f"{name}.lock")
