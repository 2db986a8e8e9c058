"""What can be restored: the runs that count, by the headers of their listings, and which one a moment means."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, tzinfo

from otherroof.base.clock import parse_moment
from otherroof.base.errors import WrongUse
from otherroof.far_copy.run_ids import time_of_run

_DATE = re.compile(r"\d{4}-\d\d-\d\d\Z")


@dataclass(frozen=True, slots=True)
class Version:
    """One version of a folder. `files` counts what is no folder; `size` is their content in bytes.

    `flaw` says why the listing's header could not be read; the figures are then 0.
    """

    run: str
    taken: datetime
    files: int = 0
    size: int = 0
    flaw: str = ""


def choose_run(runs: Iterable[str], as_of: str, job: str, zone: tzinfo) -> str:
    """The run that `as_of` means: a run id, the beginning of one, or a moment; empty: newest.

    A moment means the last version taken until then; a date or time without offset is read in the household's `zone`,
    a date as its end. Raises WrongUse if there is none.
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
    until = _moment(as_of, job, zone)
    before = [run for run in known if time_of_run(run) <= until]
    if not before:
        raise WrongUse(f"there is no version from {as_of} or before", where=job, advice=_advice(job))
    return before[-1]


def _moment(text: str, job: str, zone: tzinfo) -> datetime:
    try:
        return parse_moment(text, zone, end_of_day=True)
    except ValueError as problem:
        raise WrongUse(f"{text!r} is neither a run nor a time", where=job, advice=_advice(job)) from problem


def _advice(job: str) -> str:
    return f"`otherroof versions {job}` lists what there is; a time looks like 2031-04-05T01:30:00Z"
