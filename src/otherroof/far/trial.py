"""A trial at the far box: one small file is written, looked at and taken away; it tells room, rights and the clock.

A script: it knows no connection, and nothing of a copy is touched.
"""

from __future__ import annotations

import contextlib
import secrets
from dataclasses import dataclass

from otherroof.clock import Clock
from otherroof.errors import PlaceError
from otherroof.far import ops
from otherroof.far.clocks import Offset, offset_of


@dataclass(slots=True)
class Trial:
    """What was found: room where the place tells it, what went wrong, and the far clock where a file was written."""

    space: ops.Space | None = None
    problem: PlaceError | None = None
    offset: Offset | None = None


def try_out(clock: Clock, tells_space: bool) -> ops.Script[Trial]:
    """Write one small file, look at the time on it, and take it away again."""
    trial = Trial()
    path = b".otherroof-probe-" + secrets.token_hex(4).encode()
    try:
        yield ops.Look(b".")
        if tells_space:
            trial.space = yield ops.AskSpace(b".")
        handle = yield ops.OpenFile(path, ops.Mode.WRITE | ops.Mode.CREATE | ops.Mode.ONLY_NEW)
    except PlaceError as problem:
        trial.problem = problem
        return trial
    try:
        sent = clock.now().timestamp()
        yield ops.Write(handle, 0, b"otherroof\n")
        answered = clock.now().timestamp()
        found = yield ops.LookOpen(handle)
        trial.offset = offset_of(found.mtime, sent, answered)
    except PlaceError as problem:
        trial.problem = problem
    for last in (ops.Shut(handle), ops.Remove(path)):
        with contextlib.suppress(PlaceError):  # what cannot be taken away is a few bytes under a name of our own
            yield last
    return trial
