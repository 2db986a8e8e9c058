"""The ladder: reachability checks in order, what each saw, and which of them decides the headline.

The rungs themselves are in `network_checks` and `ssh_checks`. Nothing here knows what a rung looks at.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any, Literal

from otherroof.base.clock import Clock
from otherroof.base.errors import (
    EXIT_LOOK,
    EXIT_UNREACHED,
    EXIT_WELL,
    EXIT_WRONG_USE,
    LinkLost,
    OtherroofError,
    RunCut,
    Unreached,
    WrongSettings,
)
from otherroof.base.printable import one_line
from otherroof.base.time_limit import TookTooLong, within_time

State = Literal["ok", "not ok", "not tried"]
GRACE_S = 2.0  # for a rung that keeps its own time, before it is left behind


@dataclass(frozen=True, slots=True)
class RungFinding:
    """What a rung saw. `advice` says what to do, in words for a household's own administrator.

    `round_trip_ms` is set by the rung that measured one. Both texts are made printable: what the other machine said of
    itself may be in them.
    """

    state: State
    text: str
    advice: str = ""
    round_trip_ms: float | None = None

    def __post_init__(self) -> None:
        for name in ("text", "advice"):
            object.__setattr__(self, name, one_line(getattr(self, name)))


def ok(text: str, advice: str = "") -> RungFinding:
    """All is well, with what was seen; `advice` if it could be better."""
    return RungFinding("ok", text, advice)


def not_ok(text: str, advice: str) -> RungFinding:
    """What is wrong, and what to do."""
    return RungFinding("not ok", text, advice)


def not_tried(why: str) -> RungFinding:
    """There was nothing to look at, and why."""
    return RungFinding("not tried", why)


@dataclass(frozen=True, slots=True)
class Rung:
    """One check.

    `climb` is given its time in seconds and should keep to it (a little later it is abandoned); it returns what it
    saw or raises OtherroofError. If `must` is set, a failure means that the far box is not reached, and no later
    rung is tried; elsewhere the climb goes on and the failure asks for a look.
    """

    name: str
    limit_s: float
    climb: Callable[[float], RungFinding]
    must: bool = True


@dataclass(frozen=True, slots=True)
class RungResult:
    """One rung as it was met: its time in seconds, and the error behind it if one was raised."""

    rung: str
    seen: RungFinding
    took_s: float = 0.0
    must: bool = True
    error: OtherroofError | None = None

    @property
    def failed(self) -> bool:
        """Whether the rung was tried and did not hold."""
        return self.seen.state == "not ok"

    def as_json(self) -> dict[str, Any]:
        """The rung as `probe --json` prints it and the ledger keeps it."""
        return {
            "rung": self.rung,
            "state": self.seen.state,
            "took_s": round(self.took_s, 3),
            "seen": self.seen.text,
            "advice": self.seen.advice,
        }


@dataclass(frozen=True, slots=True)
class ClimbResult:
    """A whole climb, in the ladder's order."""

    rungs: tuple[RungResult, ...]

    @property
    def decisive(self) -> RungResult | None:
        """The first failing rung, which decides the headline; None if none failed."""
        return next((rung for rung in self.rungs if rung.failed), None)

    @property
    def stopped_at(self) -> RungResult | None:
        """The failing rung that the climb could not pass; None if it went through."""
        return next((rung for rung in self.rungs if rung.failed and rung.must), None)

    @property
    def headline(self) -> str:
        """One line: what is wrong, or that all is well."""
        first = self.decisive
        return f"{first.rung}: {first.seen.text}" if first else "all well"

    @property
    def advice(self) -> str:
        """What to do about the headline."""
        first = self.decisive
        return first.seen.advice if first else ""

    @property
    def exit_code(self) -> int:
        """3 if the far box was not reached, 2 if that is because of the settings or a key they name, 1 if it was but
        something needs a look, else 0."""
        if self.stopped_at is not None:
            return EXIT_WRONG_USE if isinstance(self.stopped_at.error, WrongSettings) else EXIT_UNREACHED
        return EXIT_LOOK if self.decisive is not None else EXIT_WELL

    def held(self, rung: str) -> bool:
        """Whether `rung` was tried and held."""
        return any(result.rung == rung and result.seen.state == "ok" for result in self.rungs)

    def raise_unless_passed(self, where: str) -> None:
        """Raises Unreached (of the failing rung's own kind) with the headline if the climb did not go through;
        WrongSettings if it is a file that the settings name, such as a key that others can read."""
        stopped = self.stopped_at
        if stopped is None:
            return
        kind = type(stopped.error) if isinstance(stopped.error, Unreached | WrongSettings) else Unreached
        raise kind(self.headline, where=where, advice=self.advice) from stopped.error


def climb(
    rungs: Iterable[Rung],
    clock: Clock,
    *,
    told: Callable[[RungResult], None] = lambda _: None,
    stopped: bool = False,
    check: Callable[[], None] = lambda: None,
) -> ClimbResult:
    """Climb `rungs` in order; `told` hears of each in the caller's thread, as soon as it is known.

    With `stopped` set nothing is tried any more, for rungs that follow upon others that failed. `check` is called often
    and may raise to end the climb, also in the middle of a rung.
    """
    done = []
    for rung in rungs:
        check()
        met = _skipped(rung) if stopped else _met(rung, clock, check)
        stopped = stopped or (met.failed and met.must)
        done.append(met)
        told(met)
    return ClimbResult(tuple(done))


def _skipped(rung: Rung) -> RungResult:
    return RungResult(rung.name, not_tried("an earlier check failed"), must=rung.must)


def _met(rung: Rung, clock: Clock, check: Callable[[], None]) -> RungResult:
    begun = clock.monotonic()
    error: OtherroofError | None = None
    try:
        # Twice limited: a rung keeps its own time if it can; a call that hangs is left behind in its thread.
        seen = within_time(rung.limit_s + GRACE_S, lambda: rung.climb(rung.limit_s), check)
    except RunCut:
        raise  # by `check`: no rung does so
    except TookTooLong:
        seen = not_ok(f"no result within {rung.limit_s:g} s", "try again; if it stays so, this machine itself is stuck")
    except OtherroofError as problem:
        error = problem
        text = f"{problem.where}: {problem.what}" if problem.where else problem.what
        # The usual advice is "run the ladder" (`otherroof probe`), which is of no use inside it.
        seen = not_ok(text, "" if problem.advice == Unreached.usual_advice else problem.advice)
    must = rung.must or isinstance(error, LinkLost)  # there is no going on over a connection that broke
    return RungResult(rung.name, seen, clock.monotonic() - begun, must, error)
