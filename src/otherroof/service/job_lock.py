"""One run of a job at a time, whoever starts it: a lock that ends with its process and says who holds it."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from otherroof.clock import Clock, from_stamp, stamp
from otherroof.errors import Busy, HomeTrouble
from otherroof.settings import Settings


@contextmanager
def job_lock(settings: Settings, job: str, clock: Clock) -> Iterator[None]:
    """Hold the job's lock. Raises Busy naming the process that has it and since when."""
    path = os.path.join(settings.state, "locks", job + ".lock")
    try:
        os.makedirs(os.path.dirname(path), mode=0o700, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as problem:
        raise HomeTrouble(
            f"cannot be written: {problem.strerror}",
            where=path,
            advice="check that the state folder can be written by this account and that its disk is not full",
        ) from problem
    try:
        _take(handle, job, settings)
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()} {stamp(clock.now())}\n".encode(), 0)
        yield
    finally:
        os.close(handle)


def _take(handle: int, job: str, settings: Settings) -> None:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as problem:
        holder, _, since = os.pread(handle, 100, 0).decode("ascii", "replace").strip().partition(" ")
        when = ""
        if since:
            moment: datetime = from_stamp(since).astimezone(settings.zone)
            when = f" since {moment:%Y-%m-%d %H:%M}"
        raise Busy(
            f"a run of this job is under way{when} (process {holder or 'unknown'})",
            where=job,
            advice="wait for it to end; `otherroof status` shows it",
        ) from problem
