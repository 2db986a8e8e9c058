"""The sign by which a run or a chore is asked to stop cleanly: what is in flight is finished, nothing new is begun.

A run asks the sign between items; the service, a window's end or a used-up month raises it. It knows nothing of
schedules or networks, and uses no timer: a sign with an end time looks at the clock each time it is asked.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from datetime import datetime

from otherroof.base.clock import Clock
from otherroof.base.errors import RunCut
from otherroof.copying.context import StopRequest
from otherroof.copying.report import MONTH_ENDED, WINDOW_ENDED


class StopSign:
    """Goes up once and stays up. Safe to be asked and raised from several threads.

    `until` is when the run's window closes, `room` how many bytes (both ways) may still cross the wire this month, and
    `month_ends` when that month does, since what crosses after it counts for the next; None: no bound.
    """

    def __init__(
        self,
        clock: Clock,
        *,
        until: datetime | None = None,
        room: int | None = None,
        month_ends: datetime | None = None,
    ) -> None:
        self._clock = clock
        self._until = until
        self._room = room
        self._month_ends = month_ends
        # One that its own thread may take twice: a signal's handler may raise the sign while that thread does.
        self._lock = threading.RLock()
        self._reason = ""

    def ask(self, reason: str) -> None:
        """Raise the sign. The first reason stays."""
        with self._lock:
            self._reason = self._reason or reason

    def asked(self) -> str:
        """Why the run should stop; empty while it should go on."""
        until = self._until  # looked at once: the loop may set another, or none, meanwhile
        if not self._reason and until is not None and self._clock.now() >= until:
            self.ask(WINDOW_ENDED)
        if not self._reason and self._month_ends is not None and self._clock.now() >= self._month_ends:
            self.ask("a new month's allowance begins; it goes on from there at once")
        return self._reason

    def set_window_end(self, until: datetime | None) -> None:
        """The window now closes at another time, because the settings were read anew."""
        self._until = until

    def crossed(self, wire_bytes: int) -> None:
        """The run has put `wire_bytes` in all on the wire so far; past its room the sign goes up."""
        if self._room is not None and wire_bytes > self._room:
            self.ask(MONTH_ENDED)


def raise_if_asked(stop: StopRequest) -> None:
    """Raises RunCut with the reason if `stop` was asked for."""
    if why := stop.asked():
        raise RunCut(why)


@dataclass(frozen=True, slots=True)
class EitherStop:
    """A sign that is up as soon as one of several is."""

    signs: tuple[StopRequest, ...]

    def asked(self) -> str:
        """The first reason to stop; empty while there is none."""
        return next((why for sign in self.signs if (why := sign.asked())), "")
