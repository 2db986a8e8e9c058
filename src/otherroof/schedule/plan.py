"""Which runs the service begins next, which wait and for what, and when to think again.

Pure: settings, what the ledger says and the time go in, a plan comes out; all rules for runs live here and in `due`.
It must not know threads, processes or the scheduler library.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from otherroof.base.local_time import moment_text, next_month
from otherroof.ledger.live.wishes import RunWish
from otherroof.schedule.due import DueRun, JobScheduleFacts, next_due
from otherroof.schedule.job_window import window_now
from otherroof.settings import FarBox, Job, Settings

# From this share of a month's allowance on, what matters most goes first.
NEAR_SHARE = 0.8
# However far the next time is: nothing depends on a timer that was set days ago.
FARTHEST_WAKE = timedelta(hours=12)

Why = Literal["window", "month", "queue", "again", "busy"]


@dataclass(frozen=True, slots=True)
class FarScheduleFacts:
    """What is known of one far box: what of ours is at work there, in words (empty if nothing is), and the bytes on
    the wire this month."""

    at_work: str = ""
    month_bytes: int = 0


@dataclass(frozen=True, slots=True)
class ScheduleFacts:
    """Everything a plan is made from besides the settings. `running`: jobs under way."""

    now: datetime
    jobs: Mapping[str, JobScheduleFacts]
    far: Mapping[str, FarScheduleFacts]
    running: frozenset[str]


@dataclass(frozen=True, slots=True)
class RunStart:
    """A run to begin now: until when its window lasts, how many bytes its month has left and when that ends, earlier
    tries, and the wish that it fulfils."""

    job: str
    far: str
    until: datetime | None = None
    room: int | None = None
    month_ends: datetime | None = None
    tries: int = 0
    wish: RunWish | None = None


@dataclass(frozen=True, slots=True)
class RunWait:
    """A run that is owed and may not begin yet: why, until when if that is known, and behind what in a queue."""

    job: str
    why: Why
    until: datetime | None = None
    behind: str = ""


@dataclass(frozen=True, slots=True)
class SchedulePlan:
    """What to do now, and when to think again at the latest."""

    runs: tuple[RunStart, ...]
    waits: tuple[RunWait, ...]
    wake: datetime


@dataclass(frozen=True, slots=True)
class _ReadyRun:
    name: str
    job: Job
    owed: DueRun
    until: datetime | None
    wish: RunWish | None = None


def plan_schedule(settings: Settings, facts: ScheduleFacts) -> SchedulePlan:
    """What the service does at `facts.now`."""
    now, zone = facts.now, settings.zone
    ready: dict[str, list[_ReadyRun]] = {name: [] for name in settings.far}
    waits: list[RunWait] = []
    wakes = [now + FARTHEST_WAKE]
    for name, job in settings.jobs.items():
        wish = facts.jobs[name].wish
        if name in facts.running:
            if wish is not None:
                waits.append(RunWait(name, "queue", behind=run_words(name)))
            continue
        if wish is not None:
            # A person wants it now: window and month are theirs to go beyond, and `otherroof run` says so.
            ready[job.far].append(_ReadyRun(name, job, DueRun(wish.at, 0), None, wish))
            continue
        due = next_due(job, facts.jobs[name], zone)
        if due.at > now:
            wakes.append(due.at)
            if due.tries or due.busy:
                waits.append(RunWait(name, "busy" if due.busy else "again", due.at))
            continue
        until, opens = window_now(job, now, zone)
        if opens is not None:
            waits.append(RunWait(name, "window", opens))
        else:
            ready[job.far].append(_ReadyRun(name, job, due, until))
    runs: list[RunStart] = []
    for far_name, candidates in ready.items():
        started, waiting = _for_far(far_name, settings.far[far_name], facts.far[far_name], candidates, (now, zone))
        runs += started
        waits += waiting
    # One in the queue has no time: it is thought of again when what it waits for ends, which wakes the loop.
    wakes += [wait.until for wait in waits if wait.until is not None]
    return SchedulePlan(tuple(runs), tuple(waits), min(moment for moment in wakes if moment > now))


def far_worker(far: str) -> str:
    """The worker of all that is done with that far box, so that no two things there overlap."""
    return f"far {far}"


def wait_text(wait: RunWait, zone: ZoneInfo) -> str:
    """What a run waits for, in words, with times in the household's zone."""
    when = moment_text(wait.until, zone) if wait.until is not None else ""
    match wait.why:
        case "window":
            return f"waits for its window, which opens at {when}"
        case "month":
            return f"waits until {when}: the far box's allowance for this month is used up"
        case "again":
            return f"the last try failed; the next is at {when}"
        case "busy":
            return f"waits for a run that was started by hand; looks again at {when}"
        case "queue":
            return f"waits for {wait.behind} with the same far box"


def _for_far(
    name: str, far: FarBox, facts: FarScheduleFacts, ready: list[_ReadyRun], time: tuple[datetime, ZoneInfo]
) -> tuple[list[RunStart], list[RunWait]]:
    allowance = far.month_bytes
    waits: list[RunWait] = []
    if allowance and facts.month_bytes >= allowance:
        waits = [RunWait(waiting.name, "month", next_month(*time)) for waiting in ready if waiting.wish is None]
        ready = [waiting for waiting in ready if waiting.wish is not None]
    near = bool(allowance) and facts.month_bytes >= NEAR_SHARE * allowance
    queue = _in_order(ready, near)
    if facts.at_work or not queue:
        return [], waits + [RunWait(waiting.name, "queue", behind=facts.at_work) for waiting in queue]
    # One run at a time for a far box: two would share one line and one disk, and both be slower.
    first = queue[0]
    room, month_ends = None, None
    if allowance and first.wish is None:
        room, month_ends = int(allowance - facts.month_bytes), next_month(*time)
    start = RunStart(first.name, name, first.until, room, month_ends, first.owed.tries, first.wish)
    behind = run_words(first.name)
    return [start], waits + [RunWait(waiting.name, "queue", behind=behind) for waiting in queue[1:]]


def run_words(job: str) -> str:
    """What a run is called for whoever waits for it."""
    return f"the run of {job}"


def _in_order(ready: Iterable[_ReadyRun], near: bool) -> list[_ReadyRun]:
    """A person who waits goes first."""
    if near:
        return sorted(ready, key=lambda one: (one.wish is None, -one.job.importance, one.owed.at, one.name))
    return sorted(ready, key=lambda one: (one.wish is None, one.owed.at, -one.job.importance, one.name))
