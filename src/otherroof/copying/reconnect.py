"""Keeps a run going when the connection breaks: waits, connects again, and repeats the piece of work that broke off.

How many failed tries are allowed, and how long the pauses are, comes from the far box's settings. This module does
not know what the work is.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeVar

from otherroof.base.errors import HostKeyChanged, LinkLost, LoginRefused, PlaceError, Unreached
from otherroof.copying.context import RunContext
from otherroof.far.trouble import reason_of
from otherroof.far_copy.keeper import Keeper
from otherroof.far_copy.view import FarCopyView

WORTH = 1024 * 1024  # bytes that must have crossed for a broken connection not to count as a failed try
LONGEST_PAUSE_S = 600.0
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class RetryLimits:
    """When to give up: number of tries that sent nothing, and the first pause in seconds (it doubles each time)."""

    tries: int
    pause_s: float


class SteadyConnection:
    """One job's far copy, over as many connections as it takes. `keeper` and `view` are those of the newest one."""

    keeper: Keeper
    view: FarCopyView

    def __init__(self, job: str, connect: Callable[[], Keeper], limits: RetryLimits, context: RunContext) -> None:
        self._job = job
        self._connect = connect
        self._limits = limits
        self._context = context
        self._left = limits.tries

    def open(self) -> None:
        """Connect for the first time and look at the far copy. Raises the reason if that fails."""
        self._context.progress.stage = "connecting"
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

    def with_retries(self, work: Callable[[Keeper, FarCopyView], T]) -> T:
        """What `work` answers: it is done over a new connection each time one breaks, as long as it is worth it.

        A refusal is looked into: raises FarTrouble with its reason if one is found.
        """
        while True:
            before = self._context.progress.meter.wire_up
            try:
                return work(self.keeper, self.view)
            except LinkLost as problem:
                if self._context.progress.meter.wire_up - before > WORTH:
                    self._left = self._limits.tries
                self._again(problem)
            except PlaceError as refusal:
                reason = reason_of(self.keeper.place, f"the far copy of {self._job}")
                raise reason or refusal from refusal

    def try_once(self, work: Callable[[Keeper, FarCopyView], None]) -> None:
        """Do `work` over the connection that there is; if that breaks meanwhile, the work stays undone."""
        with contextlib.suppress(LinkLost):
            work(self.keeper, self.view)

    def _again(self, problem: LinkLost) -> None:
        """Connect again and look at the far copy again; wait for a far box that is just restarting.

        Raises the last try's error; a changed host key or a refused login is raised at once.
        """
        progress = self._context.progress
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
        """Wait before the next try, longer each time; raises `problem` when there is none left, and RunCut if the run
        was asked to stop."""
        # Asked first: who stops a run wants it to end as stopped, also if the connection broke in the same moment.
        self._context.check_stop(self._job)
        self._left -= 1
        if self._left < 0:
            raise problem
        pause = min(LONGEST_PAUSE_S, self._limits.pause_s * 2 ** (self._limits.tries - 1 - self._left))
        self._context.wait(pause, self._job)
