"""Which copy of a folder files come back from: one that can be reached, is whole, is the newest, and is fast.

What home's history says puts the copies in order; whether the first of them can really be had shows when it is asked,
and if not the next one is. It must not know what is asked of a copy.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import TypeVar

from otherroof.base.clock import Clock, SystemClock
from otherroof.base.errors import LinkLost, OtherroofError, WrongUse
from otherroof.far.pacing import bytes_per_s
from otherroof.far_copy.run_ids import time_of_run
from otherroof.jobs.context import JobContext
from otherroof.jobs.open_job import READ, open_job
from otherroof.ledger import Ledger
from otherroof.restore.elsewhere import BARS_A_SOURCE
from otherroof.restore.progress import RestoreProgress
from otherroof.restore.versions import moment_of
from otherroof.settings import Settings
from otherroof.settings.copies.names import copies_of, other_copies_of

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class KnownCopy:
    """What is known of one copy. `newest`: the version that is asked for, as far as the history goes; None if it knows
    none. `named`: that is a run of this copy, asked for by its id. `bytes_s`: how fast files come from there, 0 if that
    was never measured."""

    job: str
    answers: bool = True
    damaged: bool = False
    newest: datetime | None = None
    bytes_s: float = 0.0
    named: bool = False


def in_order(copies: Iterable[KnownCopy]) -> list[KnownCopy]:
    """The copies, the one to be asked first at the beginning. Pure."""

    def rank(copy: KnownCopy) -> tuple[bool, bool, bool, float, float, str]:
        age = -copy.newest.timestamp() if copy.newest is not None else float("inf")
        return not copy.named, not copy.answers, copy.damaged, age, -copy.bytes_s, copy.job

    return sorted(copies, key=rank)


def passed_over(copies: Sequence[KnownCopy]) -> list[str]:
    """What a person should know of copies, in their order: which have a newer version than the first. Pure."""
    first = copies[0]
    return [
        f"{copy.job} has a newer version, but {'known damage' if copy.answers else 'its far box does not answer'}; "
        "name it to have that one"
        for copy in copies[1:]
        if copy.newest is not None and first.newest is not None and copy.newest > first.newest and not first.named
    ]


def from_nearest(
    settings: Settings, job: str, deed: Callable[[str], T], told: Callable[[str], None], as_of: str = ""
) -> T:
    """What `deed` makes of the copy that `job` names, or of the nearest one of the folder that is called so.

    `as_of` is the version wanted, as a person writes it: a run is one copy's alone. Each copy that cannot be had is
    `told`. Raises what `deed` does with the last of them.
    """
    if job in settings.jobs:
        return deed(job)
    copies = nearest_first(settings, copies_of(job, settings.jobs), as_of, SystemClock())
    for line in passed_over(copies):
        told(line)
    names = [copy.job for copy in copies]
    for name, following in pairwise(names):
        try:
            return deed(name)
        except LinkLost:
            raise  # in the middle of the work: what has come stays, and the person decides how to go on
        except (*BARS_A_SOURCE, WrongUse) as problem:
            if isinstance(problem, WrongUse) and not as_of:
                raise
            told(f"{name}: {str(problem).removeprefix(f'{name}: ')}; now {following} is asked")
    return deed(names[-1])


def nearest_first(settings: Settings, names: list[str], as_of: str, clock: Clock) -> list[KnownCopy]:
    """Copies of one folder, the nearest first. If home's history lacks the newest version of one, as on a new machine,
    they are looked at."""
    known: list[KnownCopy] = [KnownCopy(name) for name in names]
    # A machine that has lost everything has no history, and nothing is made here.
    if os.path.exists(settings.ledger):
        with suppress(OtherroofError), Ledger(settings.ledger) as ledger:  # whoever needs files back does without
            known = [_known(settings, name, ledger, as_of, clock.now()) for name in names]
    if len(names) > 1 and not any(copy.newest for copy in known):
        known = [_looked_at(settings, copy) for copy in known]
    return in_order(known)


def _known(settings: Settings, name: str, ledger: Ledger, as_of: str, now: datetime) -> KnownCopy:
    far = settings.jobs[name].far
    answered, unanswered = ledger.answers.last(far, now), ledger.probes.last_unanswered(far, now)
    line, drill = ledger.lines.last(far, now), ledger.drills.last(name, far, now)
    speed = bytes_per_s(line.down_mbit) if line is not None else 0.0
    if not speed and drill is not None and drill.figures.took_s:
        speed = drill.figures.size / drill.figures.took_s
    named = _run_named(name, far, ledger, as_of) if as_of else None
    return KnownCopy(
        name,
        answers=unanswered is None or (answered is not None and answered >= unanswered),
        damaged=bool(ledger.damages.of(name)),
        newest=named or _newest(settings, name, ledger, as_of, now),
        bytes_s=speed,
        named=named is not None,
    )


def _run_named(name: str, far: str, ledger: Ledger, as_of: str) -> datetime | None:
    """When the newest run of this copy began whose id begins so; None if there is none."""
    rows = ledger.runs.rows(job=name, begins=as_of, carried=True)
    return next((row.started for row in rows if row.far == far), None)


def _newest(settings: Settings, name: str, ledger: Ledger, as_of: str, now: datetime) -> datetime | None:
    """When the newest version that `as_of` may mean was begun there."""
    until = now
    if as_of:
        with suppress(OtherroofError):  # whoever asks the copy is told what is wrong with it
            until = moment_of(as_of, name, settings.zone)
    row = ledger.runs.newest_good(name, until, far=settings.jobs[name].far)
    return row.started if row is not None else None


def _looked_at(settings: Settings, copy: KnownCopy) -> KnownCopy:
    """The same with what the far box shows. A run's id begins with the time at which it began."""
    try:
        with open_job(settings, copy.job, JobContext(RestoreProgress()), READ) as opened:
            newest = opened.view.newest
    except BARS_A_SOURCE:
        return KnownCopy(copy.job, answers=False)
    return KnownCopy(copy.job, newest=time_of_run(newest) if newest else None)


def others_first(settings: Settings, job: str, clock: Clock) -> list[str]:
    """The other copies of the folder that `job` copies, the nearest first."""
    others = other_copies_of(job, settings.jobs)
    return [copy.job for copy in nearest_first(settings, others, "", clock)] if others else []
