"""Why a far box said no: SFTP gives no reason, so a refusal is looked into before a person is told."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass

from otherroof.base.clock import SystemClock
from otherroof.base.errors import Denied, FarTrouble, LinkLost, NotThere, PlaceError
from otherroof.base.units import size_text
from otherroof.far.place import Place, run_script
from otherroof.far.requests import GetSpace, Script, Space
from otherroof.far.trial_file import write_trial_file

FULL_BELOW = 1024 * 1024  # free bytes under which any refusal is taken for a full disk


@dataclass(frozen=True, slots=True)
class _Tried:
    """Room there, if the place tells it, and what a small file met that was to be written."""

    space: Space | None
    problem: PlaceError | None


def find_reason(place: Place, name: str, refusal: FarTrouble, size: int = 0) -> FarTrouble | None:
    """What the refusal means for everything else too; None if it is a matter of this one entry.

    `size` is what was to be written, in bytes; `name` the far copy's.
    """
    try:
        tried = run_script(place, _try(place))
    except LinkLost:
        return None
    found = _judged(tried, size)
    return FarTrouble(found[0], where=name, advice=found[1]) if found else None


def _judged(tried: _Tried, size: int) -> tuple[str, str] | None:
    """What is wrong there and what to do about it."""
    space, problem = tried.space, tried.problem
    if isinstance(problem, NotThere):
        advice = "is its disk mounted there? else make the folder, or correct `base`"
        return "the folder that is named as `base` is not there", advice
    if space is not None and space.read_only:
        advice = "look at the far box's kernel log: a disk that fails is often shut like this"
        return "the far disk is mounted read-only", advice
    if space is not None and (space.free < max(FULL_BELOW, size) or (space.files and not space.files_free)):
        what = "is full" if space.free < max(FULL_BELOW, size) else "has no room for more files"
        room = f"{size_text(space.free)} free of {size_text(space.total)}"
        return f"the far disk {what} ({room})", "make room there; what was sent is kept and used by the next run"
    if isinstance(problem, Denied):
        advice = "check there that the folder belongs to the account and its disk is not mounted read-only"
        return "the far box lets us in but not write", advice
    if problem is not None:
        advice = "its disk may be full, over a quota, read-only or broken: look there"
        return f"nothing can be written in the far box's base folder ({problem.what})", advice
    return None


def _try(place: Place) -> Script[_Tried]:
    space: Space | None = None
    if place.offers.space:
        with contextlib.suppress(PlaceError):  # the file below meets the same and is judged
            space = yield GetSpace(b".")
    trial = yield from write_trial_file(SystemClock(), tells_space=False)
    return _Tried(space, trial.problem)
