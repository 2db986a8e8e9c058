"""Writes one small file at the far box, looks at it and removes it: shows free space, rights and the far clock.

A script of two round trips, in which no refusal keeps another question from its answer. It knows no connection, and
nothing of a copy is touched.
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
    room = (requests.GetSpace(b"."),) if tells_space else ()
    opened = clock.now().timestamp()
    # Room is worth knowing even if no file can be made, and a file tells the time even if nothing else is told.
    stands, handle, *space = yield requests.Attempts((requests.Stat(b"."), make, *room))
    trial.space = next((one for one in space if isinstance(one, requests.Space)), None)
    trial.problem = next((one for one in (stands, handle) if isinstance(one, PlaceError)), None)
    if isinstance(handle, PlaceError):
        return trial
    sent = clock.now().timestamp()
    # Asked for back to back, and carried out in this order. What cannot be taken away in the end is a few bytes under a
    # name of our own.
    wrote, found, folded, _, _ = yield requests.Attempts(
        (
            requests.Write(handle, 0, b"otherroof\n"),
            requests.StatOpen(handle),
            requests.Stat(path.upper()),
            requests.CloseFile(handle),
            requests.Remove(path),
        )
    )
    trial.folds_case = isinstance(folded, requests.Attrs)  # else the disk tells the two names apart
    trial.problem = trial.problem or next((one for one in (wrote, found) if isinstance(one, PlaceError)), None)
    if isinstance(found, requests.Attrs):
        # A full disk takes no content, but tells when the file was made.
        begun = opened if isinstance(wrote, PlaceError) else sent
        trial.offset = clock_offset(found.mtime, begun, clock.now().timestamp())
    return trial


def clock_by_second_name(clock: Clock, path: bytes) -> requests.Script[ClockOffset | None]:
    """The far clock if no file can be made any more: a second name for the file at `path`, which goes again at once.

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
