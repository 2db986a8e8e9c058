"""What a simulated household is told at noon of each day: status, digest and the alerts that stand."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from otherroof.watch.digest import make as digest_now
from otherroof.watch.digest.values import Digest
from otherroof.watch.overview import Overview, overview
from support.simulated import Simulation


@dataclass(frozen=True)
class Day:
    """What is said at noon of one day."""

    at: datetime
    overview: Overview
    digest: Digest
    alerts: frozenset[str]
    looks: tuple[datetime, ...]  # until then

    def row(self, job: str) -> Any:
        """The job's row in `status`."""
        (row,) = [one for one in self.overview.jobs if one.job == job]
        return row

    @property
    def line(self) -> str:
        """The digest's line of the one folder with several copies."""
        (line,) = self.digest.several
        return line


def day_at(simulation: Simulation, noon: datetime) -> Day:
    """Let time pass until then, and ask."""
    simulation.until(noon)
    settings, ledger, clock = simulation.settings, simulation.ledger, simulation.clock
    standing = frozenset(alert.key for alert in ledger.alerts.standing())
    said = digest_now(settings, ledger, clock)
    return Day(noon, overview(settings, ledger, clock), said, standing, tuple(simulation.looks))
