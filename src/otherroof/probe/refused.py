"""A login that came to nothing while a copy was to be made or brought back, written down as the checks would have it.

So that whoever looks is told at once where the way stops, not only after the next probe. It connects to nothing itself.
"""

from __future__ import annotations

from datetime import datetime
from typing import Protocol

from otherroof.base.errors import HostKeyChanged, LinkLost, LoginRefused, Unreached
from otherroof.probe.ladder import ClimbResult, RungResult, not_ok
from otherroof.probe.rung_names import HOST_KEY, LOGIN, SPEAKS
from otherroof.probe.way import ProbeRecords


class LoginRecord(Protocol):
    """What is written down of a login; the ledger does so."""

    @property
    def probes(self) -> ProbeRecords: ...


def note_refused_login(records: LoginRecord, far_name: str, at: datetime, problem: Unreached) -> None:
    """Write down that a login, begun `at`, ended in `problem`; not if a connection just broke, which is tried again."""
    if isinstance(problem, LinkLost):
        return
    refused = isinstance(problem, LoginRefused)
    rung = HOST_KEY if isinstance(problem, HostKeyChanged) else LOGIN if refused else SPEAKS
    seen = not_ok(f"{problem.where}: {problem.what}" if problem.where else problem.what, problem.advice)
    records.probes.note(far_name, at, ClimbResult((RungResult(rung, seen, error=problem),)), answered=refused)
