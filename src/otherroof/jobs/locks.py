"""Locks for work that only one process may do at a time: the service, a run of a job, a run to a far box.

A run takes its job's lock first and its far box's then, always in this order, so that no two wait for each other.
"""

from __future__ import annotations

import os
from contextlib import AbstractContextManager, ExitStack

from otherroof.base.clock import Clock
from otherroof.base.locks import FileLock, LockNote, Patience, is_held
from otherroof.settings import Settings

ASKING_S = 2.0


def service_lock(settings: Settings, clock: Clock) -> AbstractContextManager[None]:
    """The lock of the one service on a state folder."""
    note = LockNote(
        "another service is at work on this state folder",
        settings.state,
        "stop that one first; `otherroof status` shows what it does",
        zone=settings.zone,
    )
    # Waited for a little, since whoever asks `service_is_at_work` has it for an instant.
    return FileLock(_service_path(settings.state), clock, note).alone(Patience(ASKING_S))


def service_is_at_work(state: str) -> bool:
    """Whether a service is at work on the `state` folder. Raises HomeTrouble if that cannot be looked at."""
    return is_held(_service_path(state))


def job_lock(settings: Settings, job: str, clock: Clock) -> AbstractContextManager[None]:
    """The lock of the one run of a job, whoever starts it."""
    advice = f"`otherroof status` shows it, `otherroof stop {job}` ends it"
    note = LockNote("a run of this job is under way", job, advice, zone=settings.zone)
    return FileLock(_lock_path(settings, job), clock, note).alone()


def try_job_lock(settings: Settings, job: str, clock: Clock, stack: ExitStack) -> bool:
    """Hold the lock of a job until `stack` is left, if nobody else does; no job of this name need be in the settings.
    Raises HomeTrouble."""
    lock = FileLock(_lock_path(settings, job), clock, LockNote("", job, ""))
    if not lock.try_alone():
        return False
    stack.callback(lock.release)
    return True


def far_lock(settings: Settings, job: str, clock: Clock, patience: Patience) -> AbstractContextManager[None]:
    """The lock of the one run to the far box of `job`; whoever has it holds the lock of its job already."""
    far = settings.jobs[job].far
    note = LockNote(
        f"another run to far box {far} is under way",
        job,
        "wait for it to end; `otherroof status` shows it, queue_s of the far box sets how long `run` waits by itself",
        name=job,
        zone=settings.zone,
    )
    # No job's name has a dot in it.
    return FileLock(_lock_path(settings, f"far.{far}"), clock, note).alone(patience)


def _service_path(state: str) -> str:
    return os.path.join(state, "serve.lock")


def _lock_path(settings: Settings, name: str) -> str:
    return os.path.join(settings.state, "locks", f"{name}.lock")
