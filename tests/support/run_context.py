"""What the steps of a run share, for tests that carry out one of them: a clock and a stop that are set by hand."""

from __future__ import annotations

from collections.abc import Callable

from otherroof.base.clock import Clock
from otherroof.copying.context import RunContext
from otherroof.copying.progress import Progress


class StopByHand:
    """A stop that is asked once `why` is set."""

    why = ""

    def asked(self) -> str:
        return self.why


class UpAfter:
    """A stop sign that goes up when it has been asked so many times."""

    def __init__(self, times: int) -> None:
        self.left = times

    def asked(self) -> str:
        self.left -= 1
        return "the service ends" if self.left < 0 else ""


def run_context(clock: Clock, stop: StopByHand | None = None, tick: Callable[[], None] = lambda: None) -> RunContext:
    """A run's context that nobody watches."""
    return RunContext(clock, stop or StopByHand(), Progress(), tick)
