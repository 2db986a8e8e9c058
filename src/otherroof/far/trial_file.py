"""Writes one small file at the far box, looks at it and removes it: shows free space, rights and the far clock.

A script: it knows no connection, and nothing of a copy is touched.
"""

from __future__ import annotations

import contextlib
import secrets
from dataclasses import dataclass

from otherroof.base.clock import Clock
from otherroof.base.errors import PlaceError
from otherroof.far import requests
from otherroof.far.clock_offset import ClockOffset, clock_offset


@dataclass(slots=True)
class TrialResult:
    """What was found: room if the place tells it, what went wrong, and the far clock if a file was written."""

    space: requests.Space | None = None
    problem: PlaceError | None = None
    offset: ClockOffset | None = None
    folds_case: bool = False  # the far disk does not tell capital letters from small ones


def write_trial_file(clock: Clock, tells_space: bool) -> requests.Script[TrialResult]:
    """Write one small file, look at the time on it, and take it away again."""
    trial = TrialResult()
    path = b".otherroof-probe-" + secrets.token_hex(4).encode()
    make = requests.OpenFile(path, requests.Mode.WRITE | requests.Mode.CREATE | requests.Mode.ONLY_NEW)
    if tells_space:
        with contextlib.suppress(PlaceError):  # asked by itself: room is worth knowing even if no file can be made
            trial.space = yield requests.GetSpace(b".")
    opened = clock.now().timestamp()
    try:
        _, handle = yield (requests.Stat(b"."), make)
    except PlaceError as problem:
        trial.problem = problem
        with contextlib.suppress(PlaceError):  # made all the same, if only the other question was refused
            yield requests.Remove(path)
        return trial
    try:
        sent = clock.now().timestamp()
        _, found = yield (requests.Write(handle, 0, b"otherroof\n"), requests.StatOpen(handle))
        trial.offset = clock_offset(found.mtime, sent, clock.now().timestamp())
    except PlaceError as problem:
        trial.problem = problem
        with contextlib.suppress(PlaceError):  # a full disk takes no content, but tells when the file was made
            found = yield requests.StatOpen(handle)
            trial.offset = clock_offset(found.mtime, opened, clock.now().timestamp())
    with contextlib.suppress(PlaceError):  # nothing there: the disk tells the two names apart
        yield requests.Stat(path.upper())
        trial.folds_case = True
    with contextlib.suppress(PlaceError):  # what cannot be taken away is a few bytes under a name of our own
        yield (requests.CloseFile(handle), requests.Remove(path))
    return trial


def clock_by_second_name(clock: Clock, path: bytes) -> requests.Script[ClockOffset | None]:
    """The far clock where no file can be made any more: a second name for the file at `path`, which goes again at once.

    A name changes the time of the folder that it is in, and takes no room where the folder has some. None if the far
    box refuses.
    """
    folder = path.rpartition(b"/")[0]
    name = folder + b"/.otherroof-probe-" + secrets.token_hex(4).encode()
    sent = clock.now().timestamp()
    try:
        _, found = yield (requests.Link(path, name), requests.Stat(folder))
    except PlaceError:
        yield from _away(name)  # made all the same, if only the other question was refused
        return None
    answered = clock.now().timestamp()
    yield from _away(name)
    return clock_offset(found.mtime, sent, answered)


def _away(path: bytes) -> requests.Script[None]:
    with contextlib.suppress(PlaceError):  # a name of our own, and no content
        yield requests.Remove(path)
