"""A whole probe of one far box: the network rungs, then the SSH rungs, and what of it belongs in the ledger."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Protocol

from otherroof.base.clock import Clock
from otherroof.far.session import SshTarget
from otherroof.probe.ladder import ClimbResult, RungResult, climb
from otherroof.probe.rung_names import HOST_KEY
from otherroof.probe.ssh_checks import ANSWER_S, SshRungs
from otherroof.probe.way import Way, WayRecord
from otherroof.settings import Settings


class AnswerRecords(Protocol):
    """Where it is written down when a far box proved its host key."""

    def note(self, far: str, at: datetime) -> None: ...


class SpaceRecords(Protocol):
    """Where it is written down how full a far box's disk is."""

    def note(self, far: str, at: datetime, free: int, total: int) -> None: ...


class ProbeRecord(WayRecord, Protocol):
    """What a probe writes down; the ledger does so."""

    @property
    def answers(self) -> AnswerRecords: ...

    @property
    def spaces(self) -> SpaceRecords: ...


def probe_far(
    settings: Settings,
    far_name: str,
    records: ProbeRecord,
    clock: Clock,
    *,
    linger: bool = False,
    told: Callable[[RungResult], None] = lambda _: None,
    check: Callable[[], None] = lambda: None,
) -> ClimbResult:
    """Climb the whole ladder of a far box and write it down; `told` hears of each rung as it is known. `check` may
    raise RunCut to end the climb; then nothing is written down.

    The far box has answered when its host key was proved. `linger` as in `open_way`.
    """
    far = settings.far[far_name]
    key_path = settings.path(far.login_key)
    target = SshTarget(far.address, far.port, far.account, key_path, far.host_key, min(far.answer_s, ANSWER_S))
    begun = clock.now()
    with (
        Way(settings, far_name, records, clock, linger=linger) as way,
        SshRungs(target, far.base, clock) as ssh,
    ):
        network = way.climb(told, check=check)
        rest = climb(ssh.ladder(), clock, told=told, stopped=network.stopped_at is not None, check=check)
        space = ssh.space
    found = ClimbResult(network.rungs + rest.rungs)
    answered = found.held(HOST_KEY)
    records.probes.note(far_name, begun, found, answered)
    if answered:
        records.answers.note(far_name, begun)
    if space is not None:
        records.spaces.note(far_name, begun, space.free, space.total)
    return found
