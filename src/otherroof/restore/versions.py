"""What can be restored: the runs that count, by the headers of their listings, and which one a moment means."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, tzinfo

from otherroof.base.clock import parse_moment
from otherroof.base.errors import WrongUse

_DATE = re.compile(r"\d{4}-\d\d-\d\d\Z")


@dataclass(frozen=True, slots=True)
class Version:
    """One version of a folder. `files` counts what is no folder; `size` is their content in bytes.

    `taken` is what its listing says. `flaw` says why the listing's header could not be read; then the figures are 0,
    and `taken` is only what the run's id says.
    """

    run: str
    taken: datetime
    files: int = 0
    size: int = 0
    flaw: str = ""


def named_run(runs: Iterable[str], as_of: str, job: str) -> str:
    """The run that `as_of` names: by its id, by the beginning of one, or, if it is empty, the newest.

    Empty if it can only be a moment. Raises WrongUse if there is no run at all.
    """
    known = sorted(runs)
    if not known:
        raise WrongUse("the far copy holds no version yet", where=job, advice=f"run it first: otherroof run {job}")
    if not as_of:
        return known[-1]
    if as_of in known:
        return as_of
    begun_so = [run for run in known if run.startswith(as_of)]
    if len(begun_so) == 1 and not _DATE.match(as_of):
        return begun_so[0]
    return ""


def newest_until(versions: Iterable[Version], until: datetime, as_of: str, job: str) -> Version:
    """The last version taken until then. Raises WrongUse if there is none.

    Ids tell the order of runs but not their time: after one night with a clock that was ahead, or one name that the far
    box made up, every later run has an id of the future. What a listing says is proved when it is read.
    """
    before = [one for one in versions if one.taken <= until]
    if not before:
        raise WrongUse(f"there is no version from {as_of} or before", where=job, advice=_advice(job))
    return max(before, key=lambda one: (one.taken, one.run))


def moment_of(text: str, job: str, zone: tzinfo) -> datetime:
    """The moment that a person wrote: a date or a time without seconds means its end, and all are read in the
    household's `zone` if they have no offset. Raises WrongUse."""
    try:
        return parse_moment(text, zone, end=True)
    except ValueError as problem:
        raise WrongUse(f"{text!r} is neither a run nor a time", where=job, advice=_advice(job)) from problem


def _advice(job: str) -> str:
    return f"`otherroof versions {job}` lists what there is; a time looks like 2031-04-05 01:30"
