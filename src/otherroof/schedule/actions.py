"""What the service can do, as plain callables, so that the schedule can be driven without a far box, mail or disk.

Each is called in a thread of its own kind and opens what it needs by itself; none may wait without a time-out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from otherroof.base.errors import Busy, HostKeyChanged, LoginRefused, OtherroofError, RunCut, Unreached
from otherroof.copying.report import Outcome
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger.job_times import Ending
from otherroof.settings import Settings


@dataclass(frozen=True, slots=True)
class RunEnding:
    """How a run came to its end, for the schedule: whether its time is dealt with, and what to log."""

    outcome: Outcome
    ending: Ending
    reason: str = ""


@dataclass(frozen=True, slots=True)
class ServiceActions:
    """Everything the service can do, as functions.

    `run` carries out one job and keeps asking the sign; it may raise OtherroofError, which `ending_for` reads.
    `probe` climbs one far box's ladder and writes it down. `look` lets the watch apply its rules and hand over what
    waits to be sent; `digest` makes the digest and queues it; both are told what is wrong with the settings, one line
    each. `tend` looks after the tunnels between runs, about once a minute; `rest` takes tunnels down when the service
    ends. `outcry` tells the household past the ledger that it cannot do its
    work, and why, or (True) that this is over.
    """

    run: Callable[[Settings, str, StopSign], RunEnding]
    probe: Callable[[Settings, str], None]
    look: Callable[[Settings, tuple[str, ...]], None]
    digest: Callable[[Settings, tuple[str, ...]], None]
    tend: Callable[[Settings], None]
    rest: Callable[[Settings], None]
    outcry: Callable[[Settings, str, bool], None]


def ending_for(error: BaseException) -> RunEnding:
    """How a run ended that raised `error`.

    Only if the far box did not answer does it make sense to try again soon: a refused login or another host key
    waits for a person, and everything else for the job's next time.
    """
    if isinstance(error, RunCut):
        return RunEnding("cut", "cut", str(error))
    if isinstance(error, Busy):
        return RunEnding("failed", "busy", str(error))
    if isinstance(error, HostKeyChanged | LoginRefused):
        return RunEnding("failed", "settled", str(error))
    if isinstance(error, Unreached):
        return RunEnding("failed", "unreached", str(error))
    if isinstance(error, OtherroofError):
        return RunEnding("failed", "settled", str(error))
    return RunEnding("failed", "settled", f"an error inside Otherroof: {type(error).__name__}: {error}")
