"""Holds on to a far copy whose connection may break: waits, connects anew, and does the broken piece of work again.

How often that is borne without anything getting across, and how long the pauses grow, is the job's affair. What the
work is, this does not know.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from otherroof.base.clock import Clock
from otherroof.base.errors import HostKeyChanged, LinkLost, LoginRefused, PlaceError, RunCut, Unreached
from otherroof.copying.context import StopRequest
from otherroof.copying.progress import Progress
from otherroof.far.refusals import find_reason
from otherroof.far_copy.ports import FarCopyView, Keeper

WORTH = 1024 * 1024  # bytes that must have crossed for a broken connection not to count as a failed try
LONGEST_PAUSE_S = 600.0
STEP_S = 1.0  # of a pause, between two looks at the stop sign


@dataclass(frozen=True, slots=True)
class RetryLimits:
    """How much trouble is borne: tries without anything getting across, and the first pause in seconds."""

    tries: int
    pause_s: float


@dataclass(frozen=True, slots=True)
class RunContext:
    """Time, the stop sign, the display, and what to call about every second."""

    clock: Clock
    stop: StopRequest
    progress: Progress
    tick: Callable[[], None]

    def check_stop(self, job: str) -> None:
        """Raises RunCut where the run was asked to stop."""
        why = self.stop.asked()
        if why:
            raise RunCut(why, where=job, advice="the next run goes on from there")


class SteadyConnection:
    """One job's far copy, over as many connections as it takes. `keeper` and `view` are those of the newest one."""

    keeper: Keeper
    view: FarCopyView

    def __init__(self, job: str, connect: Callable[[], Keeper], bearing: RetryLimits, around: RunContext) -> None:
        self._job = job
        self._connect = connect
        self._bearing = bearing
        self._around = around
        self._left = bearing.tries

    def open(self) -> None:
        """Connect for the first time and look at the far copy. Raises what speaks against it."""
        self._around.progress.stage = "connecting"
        while True:
            try:
                self.keeper = self._connect()
                break
            except LinkLost as problem:
                self._pause(problem)
        try:
            self.view = self.keeper.view()
        except LinkLost as problem:
            self._again(problem)

    def with_retries(self, work: Callable[[Keeper, FarCopyView], None]) -> None:
        """Do `work`, over a new connection each time one breaks, as long as it is worth it.

        A refusal is looked into: raises FarTrouble with its reason where one is found.
        """
        while True:
            before = self._around.progress.meter.wire_up
            try:
                work(self.keeper, self.view)
            except LinkLost as problem:
                if self._around.progress.meter.wire_up - before > WORTH:
                    self._left = self._bearing.tries
                self._again(problem)
            except PlaceError as refusal:
                reason = find_reason(self.keeper.place, f"the far copy of {self._job}", refusal)
                raise reason or refusal from refusal
            else:
                return

    def _again(self, problem: LinkLost) -> None:
        """A new connection and a new look. A far box that is starting again is awaited.

        Raises what spoke against the last try; a changed key or a refused login at once.
        """
        progress = self._around.progress
        stage = progress.stage
        trouble: Unreached = problem
        progress.stage = "connecting"
        while True:
            self._pause(trouble)
            self.keeper.place.close()
            try:
                self.keeper = self._connect()
                self.view = self.keeper.view()
            except (HostKeyChanged, LoginRefused):
                raise
            except Unreached as failed:
                trouble = failed
            else:
                progress.stage = stage
                return

    def _pause(self, problem: Unreached) -> None:
        """Wait before the next try, longer each time; raises `problem` when there is none left."""
        self._left -= 1
        if self._left < 0:
            raise problem
        clock = self._around.clock
        pause = min(LONGEST_PAUSE_S, self._bearing.pause_s * 2 ** (self._bearing.tries - 1 - self._left))
        until = clock.monotonic() + pause
        while clock.monotonic() < until:
            self._around.check_stop(self._job)
            clock.sleep(min(STEP_S, max(0.01, until - clock.monotonic())))
            self._around.tick()
