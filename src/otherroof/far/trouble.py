"""Why a far box says no: SFTP gives no reason with a refusal, so a small trial is made there and judged.

The one place that knows how a missing folder, a full disk, one that is shut, and a lack of rights show, and what to do
about each. Used by the ladder and by whoever met a refusal; knows neither.
"""

from __future__ import annotations

from typing import NamedTuple

from otherroof.base.clock import SystemClock
from otherroof.base.errors import Denied, FarTrouble, LinkLost, NotThere
from otherroof.base.units import size_text
from otherroof.far import requests
from otherroof.far.place import Place, run_script
from otherroof.far.trial_file import TrialResult, write_trial_file

FULL_BELOW = 1024 * 1024  # free bytes under which any refusal is taken for a full disk
BASE = "the folder that is named as `base`"


class Trouble(NamedTuple):
    """What is wrong at a far box, and what to do about it: each a part of one line."""

    what: str
    advice: str


def trouble_in(trial: TrialResult, *, base: str = BASE, wanted: int = 0, tight: float = 0.0) -> Trouble | None:
    """What a trial shows to be wrong for whatever is written there; None if nothing is.

    `base` is what the folder is called; `wanted` bytes must have room, and more than the share `tight` of the disk and
    of its entries for files must be free. The gravest comes first: a disk that is shut refuses for lack of rights too.
    """
    # Judged by what the disk says of itself before the refusal's own words: SFTP has the same words for many causes.
    space, problem = trial.space, trial.problem
    room = f" ({room_text(space)})" if space is not None else ""
    if isinstance(problem, NotThere):
        return Trouble(f"{base} is not there", "is its disk mounted there? else make the folder, or correct `base`")
    if space is not None and space.read_only:
        advice = "look at the far box's kernel log: a disk that fails is often shut like this"
        return Trouble(f"the far disk is mounted read-only{room}", advice)
    if space is not None and (full := _full(space, wanted, tight)):
        advice = "make room there or give it a larger disk; what was sent is kept and used by the next run"
        return Trouble(f"the far disk {full}{room}", advice)
    if isinstance(problem, Denied):
        advice = "check there that the folder belongs to the account and its disk is not mounted read-only"
        return Trouble(f"the far box lets this home in, but lets it write nothing in {base}{room}", advice)
    if problem is not None:
        advice = "its disk may be full, over a quota, read-only or broken: look there, also at its kernel log"
        return Trouble(f"nothing can be written in {base}: {problem.what}{room}", advice)
    return None


def reason_of(place: Place, name: str, size: int = 0) -> FarTrouble | None:
    """After a refusal: what it means for everything else too; None if it is a matter of this one entry.

    `size` is what was to be written, in bytes; `name` the far copy's.
    """
    try:
        trial = run_script(place, write_trial_file(SystemClock(), place.offers.space))
    except LinkLost:
        return None
    found = trouble_in(trial, wanted=size)
    return FarTrouble(found.what, where=name, advice=found.advice) if found is not None else None


def room_text(space: requests.Space | None) -> str:
    """How much room there is, in a few words."""
    if space is None:
        return "free space is not told"
    files = f", room for {space.files_free:,} more files" if space.files else ""  # some have no fixed number of entries
    return f"{size_text(space.free)} of {size_text(space.total)} free{files}"


def _full(space: requests.Space, wanted: int, tight: float) -> str:
    if space.free < max(FULL_BELOW, wanted) or space.free <= space.total * tight:
        return "is full"
    if space.files and space.files_free <= space.files * tight:
        return "has no room for more files"
    return ""
