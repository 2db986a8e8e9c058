"""What a job's work is given from outside, whichever work it is: history, time, a way to be told to stop, who watches.

Made by the command line and by the service. It knows neither settings nor the far box.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Generic, Protocol, TypeVar

from otherroof.base.clock import Clock, SystemClock
from otherroof.copying.context import StopRequest
from otherroof.far.place import Meter, Place
from otherroof.ledger import Ledger
from otherroof.tunnel.network_access import NetworkAccess


class Metered(Protocol):
    """Numbers of some work that a display reads, the bytes on the wire among them."""

    meter: Meter


P_co = TypeVar("P_co", bound=Metered, covariant=True)


class DiskAtHand(Protocol):
    """A disk of this machine that stands in for the far box: one that is carried there, or was carried home.

    `folder` is where the jobs' folders lie on it. `open` gives that folder as a place.
    """

    folder: str

    def open(self, meter: Meter) -> Place: ...


class NeverStopped:
    """For work that nobody stops but by ending its process."""

    def asked(self) -> str:
        """No reason, ever."""
        return ""


def _nothing(_: str = "") -> None:
    """Nobody watches, nobody is told."""


@dataclass(frozen=True, slots=True)
class JobContext(Generic[P_co]):
    """What comes from outside; only `progress`, the numbers of this work, has to be given.

    Without a `ledger` the household's own is opened. `tick` is called about every second, `told` with each line for a
    person. `linger`: somebody looks after the tunnels, so they may stay up for a while after their last use. `patient`:
    if another run to the same far box is under way, wait for it, as long as the far box's settings allow. `disk`: what
    stands in for the far box; then there is no tunnel, no login, and nothing is noted about the far box.
    """

    progress: P_co
    ledger: Ledger | None = None
    clock: Clock = field(default_factory=SystemClock)
    stop: StopRequest = field(default_factory=NeverStopped)
    tick: Callable[[], None] = _nothing
    told: Callable[[str], None] = _nothing
    network_access: NetworkAccess | None = None
    linger: bool = False
    patient: bool = False
    disk: DiskAtHand | None = None
