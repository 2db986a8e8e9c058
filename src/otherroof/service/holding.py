"""One at a time: a lock that ends with its process, and says who holds it. For the service, and for runs of a job."""

from __future__ import annotations

import fcntl
import os
from dataclasses import dataclass
from types import TracebackType
from typing import Self
from zoneinfo import ZoneInfo

from otherroof.clock import Clock, from_stamp, stamp
from otherroof.errors import Busy, HomeTrouble
from otherroof.settings import Settings
from otherroof.settings.wall import shown


@dataclass(frozen=True, slots=True)
class Held:
    """What is held, for the message to whoever comes second."""

    what: str
    where: str
    advice: str


class Holding:
    """Holds a lock file while inside `with`.

    Raises Busy, naming the process and since when (in `zone`), where another one holds it; HomeTrouble where the
    file cannot be written. The kernel lets go of it however the process ends, so nothing stale is left behind.
    """

    def __init__(self, path: str, clock: Clock, zone: ZoneInfo, held: Held) -> None:
        self._path = path
        self._clock = clock
        self._zone = zone
        self._held = held
        self._file = -1

    def __enter__(self) -> Self:
        try:
            os.makedirs(os.path.dirname(self._path), mode=0o700, exist_ok=True)
            self._file = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as problem:
            raise HomeTrouble(
                f"cannot be written: {problem.strerror}",
                where=self._path,
                advice="check that the state folder belongs to this account and that its disk is not full",
            ) from problem
        try:
            fcntl.flock(self._file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as problem:
            holder = self._holder()
            os.close(self._file)
            raise Busy(f"{self._held.what}: {holder}", where=self._held.where, advice=self._held.advice) from problem
        os.ftruncate(self._file, 0)
        os.pwrite(self._file, f"{os.getpid()} {stamp(self._clock.now())}\n".encode(), 0)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        # The file stays: removing it would let a third process lock a name that is no longer this file.
        os.ftruncate(self._file, 0)
        os.close(self._file)

    def _holder(self) -> str:
        words = os.pread(self._file, 200, 0).decode("ascii", "replace").split()
        try:
            pid, since = words
            return f"process {pid}, since {shown(from_stamp(since), self._zone):%Y-%m-%d %H:%M}"
        except ValueError:  # it holds the lock and has not yet written who it is
            return "a process that has only just begun"


def service_lock(settings: Settings, clock: Clock) -> Holding:
    """The lock of the one service on a state folder."""
    held = Held(
        "another service is at work on this state folder",
        settings.state,
        "stop that one first; `otherroof status` shows what it does",
    )
    return Holding(os.path.join(settings.state, "serve.lock"), clock, settings.zone, held)


def job_lock(settings: Settings, job: str, clock: Clock) -> Holding:
    """The lock of the one run of a job, whoever starts it."""
    held = Held("a run of this job is under way", job, "wait for it to end; `otherroof status` shows it")
    return Holding(os.path.join(settings.state, "locks", f"{job}.lock"), clock, settings.zone, held)
