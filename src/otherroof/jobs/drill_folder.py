"""The folder that a drill restores into: in the state folder, gone when the drill is over, also if that was killed.

It asks the disk how much a drill may take, and knows nothing of what is restored.
"""

from __future__ import annotations

import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

from otherroof.base.atomic_file import make_folder
from otherroof.base.clock import Clock
from otherroof.base.errors import HomeTrouble
from otherroof.base.locks import FileLock, LockNote, Patience
from otherroof.settings import Settings

FOLDER = "drill"
# What stays free beside a drill: for the ledger, for runs, for whatever else is on this disk.
KEPT_FREE = 0.1
KEPT_FREE_LEAST = 1_000_000_000  # bytes
ASKING_S = 2.0
ADVICE = "make room on the state folder's disk, or lower drill_mb"


@contextmanager
def drill_folder(settings: Settings, job: str, clock: Clock) -> Iterator[str]:
    """A new folder for one drill of `job`, for this account alone, while inside; it is removed with all in it.

    What drills left that were killed is removed first. Raises Busy if another drill of this job is under way,
    HomeTrouble.
    """
    above = os.path.join(settings.state, FOLDER)
    note = LockNote("a drill of this job is under way", job, "wait for it to end", zone=settings.zone)
    # Waited for a little: another drill may ask for an instant whether this job's folders are litter.
    with _lock(settings, job, clock, note).alone(Patience(ASKING_S)):
        make_folder(above)
        _sweep(settings, above, job, clock)
        folder = os.path.join(above, f"{job}.{secrets.token_hex(4)}")
        make_folder(folder)
        try:
            yield folder
        finally:
            remove_tree(folder)


def sweep_after_drills(settings: Settings, clock: Clock) -> None:
    """Remove what drills left that were killed; one that is under way keeps its folder.

    Raises HomeTrouble, once it has tried all, if something could not be removed.
    """
    above = os.path.join(settings.state, FOLDER)
    if os.path.isdir(above):
        troubles = _sweep(settings, above, "", clock)
        if troubles:
            raise troubles[0]


def room_for_drill(folder: str) -> int:
    """The bytes that may be written at `folder` without filling its disk. Raises HomeTrouble."""
    try:
        disk = os.statvfs(folder)
    except OSError as problem:
        raise HomeTrouble(f"cannot be looked at: {problem.strerror}", where=folder, advice=ADVICE) from problem
    free, total = disk.f_bavail * disk.f_frsize, disk.f_blocks * disk.f_frsize
    return max(0, free - max(KEPT_FREE_LEAST, int(total * KEPT_FREE)))


def remove_tree(folder: str, *, keep_top: bool = False) -> None:
    """Remove `folder` and all in it, also folders whose restored mode forbids it; only what is in it, if the top is to
    be kept. Raises HomeTrouble."""
    try:
        for at, below, _ in os.walk(folder):
            for name in below:
                path = os.path.join(at, name)
                if not os.path.islink(path):
                    os.chmod(path, 0o700)  # before it is entered
        shutil.rmtree(folder)
        if keep_top:
            os.mkdir(folder, 0o700)
    except OSError as problem:
        raise HomeTrouble(
            f"what a drill restored cannot be removed: {problem.strerror}", where=folder, advice="remove it by hand"
        ) from problem


def _sweep(settings: Settings, above: str, job: str, clock: Clock) -> list[HomeTrouble]:
    """Remove what is left of drills that are over: of `job`, whose lock is held, and of all whose lock is free.

    Answers what could not be removed: litter at worst, and tried again by the next drill and the service.
    """
    troubles = []
    for name in sorted(os.listdir(above)):
        owner = name.rpartition(".")[0]
        with ExitStack() as stack:
            if owner != job:
                lock = _lock(settings, owner, clock, LockNote("", owner, ""))
                if not lock.try_alone():
                    continue
                stack.callback(lock.release)
            try:
                remove_tree(os.path.join(above, name))
            except HomeTrouble as trouble:
                troubles.append(trouble)
    return troubles


def _lock(settings: Settings, job: str, clock: Clock, note: LockNote) -> FileLock:
    # No job's name has a dot in it.
    return FileLock(os.path.join(settings.state, "locks", f"drill.{job}.lock"), clock, note)
