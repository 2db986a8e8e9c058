"""When a job's next run is owed: its times, what was missed, what was cut, and tries that came to nothing.

Pure: what the ledger remembers of one job goes in, one moment comes out. Whether the run may begin at that moment
(window, queue, month) is decided in `plan`.

The rules:
- Each time written in `at` is owed one run that begins at or after it. Times that pass while a run is owed anyway
  (downtime, a long queue, a closed window) fall together into that one.
- A run that was cut on purpose goes on as soon as it may, a minute later at the earliest.
- If the far box did not answer, the run is tried again, up to `tries` times with growing pauses; after that it
  is owed again as soon as the far box answers a probe, or at its next time.
- A run that never said its end (killed, power lost) is tried again in the same way, without an end to the tries.
- A held run that a person released is owed at once.
- A run that a person stopped is dealt with: the job's next time is the next one. (What a person wishes is no matter of
  what is owed; see `plan`.)
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

from otherroof.ledger.job_times import JobTimes
from otherroof.ledger.live.wishes import RunWish
from otherroof.settings import Job
from otherroof.settings.crontab import Crontab

# A router that restarts is back within minutes, a provider's fault within hours; the last pause stays.
PAUSES_MIN = (5, 10, 20, 40, 60)
BUSY_PAUSE = timedelta(minutes=5)
CUT_PAUSE = timedelta(minutes=1)
# A turn that lies further ahead than this was written while the clock was wrong.
FUTURE_SLACK = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class JobScheduleFacts:
    """What is known of one job: its turn, when its newest good run began, when a person last released a held one,
    when its far box last answered, and the wish for a run that stands."""

    turn: JobTimes
    good: datetime | None = None
    released: datetime | None = None
    answered: datetime | None = None
    wish: RunWish | None = None


@dataclass(frozen=True, slots=True)
class DueRun:
    """From when on a run is owed, and the tries in a row that came to nothing before it. `busy`: the last one found
    somebody else at the same work."""

    at: datetime
    tries: int
    busy: bool = False


def next_due(job: Job, facts: JobScheduleFacts, zone: ZoneInfo) -> DueRun:
    """When the next run of `job` is owed; may lie in the past."""
    turn = facts.turn
    # A run started by hand also counts for the times before it.
    begun = max((moment for moment in (turn.begun, facts.good) if moment is not None), default=turn.since)
    # All that is owed follows from this one moment: times that passed while the machine was off give one run, not one
    # each, and a time that was only just written down is not taken as missed.
    fresh = next_time(job.at, max(begun, turn.since), zone)
    again = _again(job, facts, begun)
    # A new try that would come after the next time anyway is that time's run.
    if again is None or again.at >= fresh:
        return DueRun(fresh, 0)
    return again


@lru_cache(maxsize=1024)
def next_time(text: str, moment: datetime, zone: ZoneInfo) -> datetime:
    """The first moment after `moment` that crontab fields name. Remembered, since plans ask the same many times."""
    return Crontab.parse(text).next_after(moment, zone)


def retry_pause(tries: int) -> timedelta:
    """How long to wait after that many tries in a row that came to nothing."""
    return timedelta(minutes=PAUSES_MIN[min(max(tries, 1), len(PAUSES_MIN)) - 1])


def current_times(turn: JobTimes | None, name: str, times: str, now: datetime) -> JobTimes:
    """The job's times, corrected before anything is decided.

    New for a new job; counting from `now` on if its times were changed, so that a time that was only just
    written down is not taken as missed; begun anew if it was written by a clock that has since been put right.
    """
    if turn is None or max(turn.since, turn.begun or turn.since) > now + FUTURE_SLACK:
        return JobTimes(name, times, now)
    return turn if turn.times == times else replace(turn, times=times, since=max(turn.since, now))


def _again(job: Job, facts: JobScheduleFacts, begun: datetime) -> DueRun | None:
    turn = facts.turn
    if facts.released is not None and facts.released > begun:
        return DueRun(facts.released, 0)
    # A good run that began later than the service's own was started by a person: there is nothing left to try again.
    dealt_with_by_hand = facts.good is not None and turn.begun is not None and facts.good >= turn.begun
    if turn.begun is None or dealt_with_by_hand:
        return None
    # It never said its end. Pauses grow with the tries, so that what crashes the machine does not do so every minute.
    if turn.ended is None:
        return DueRun(turn.begun + retry_pause(turn.tries), turn.tries)
    if turn.ending == "cut":
        return DueRun(turn.ended + CUT_PAUSE, 0)
    if turn.ending == "busy":
        return DueRun(turn.ended + BUSY_PAUSE, 0, busy=True)
    if turn.ending == "unreached":
        if turn.tries < job.tries:
            return DueRun(turn.ended + retry_pause(turn.tries), turn.tries)
        # Out of tries: now the probe's answer decides, and the count begins anew.
        if facts.answered is not None and facts.answered > turn.ended:
            return DueRun(facts.answered, 0)
    return None
