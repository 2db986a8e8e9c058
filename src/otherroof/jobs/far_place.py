"""Logs in at the far box as the settings say, with the job's limit on the line. It knows nothing of layouts."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from otherroof.base.clock import Clock
from otherroof.far.pacing import Pacing, bytes_per_s
from otherroof.far.place import Meter
from otherroof.far.session import SshTarget
from otherroof.far.sftp.place import SftpPlace
from otherroof.settings import FarBox, Settings
from otherroof.settings.machine_checks import require_secret


def ssh_target_of(settings: Settings, far: FarBox) -> SshTarget:
    """Where the far box is and how both sides prove themselves. Raises WrongSettings if the key is not safe."""
    return SshTarget(
        address=far.address,
        port=far.port,
        account=far.account,
        key_path=require_secret(settings.path(far.login_key)),
        host_key=far.host_key,
        answer_s=far.answer_s,
    )


def open_place(
    settings: Settings,
    far: FarBox,
    meter: Meter,
    limit_mbit: Callable[[], float] | None = None,
    *,
    paces_reads: bool = False,
) -> SftpPlace:
    """The far box's base folder, over a proven connection. `limit_mbit` answers the limit on what is sent at this
    moment, 0 for none; with `paces_reads` it holds for what is read too, and so does courtesy."""
    limit = (lambda: bytes_per_s(limit_mbit())) if limit_mbit is not None else None
    return SftpPlace(
        ssh_target_of(settings, far),
        far.base.encode(),
        connections=far.connections,
        pacing=Pacing(far.courtesy_s, limit, both_ways=paces_reads),
        meter=meter,
    )


def job_limit(settings: Settings, job: str, clock: Clock) -> Callable[[], float]:
    """The job's limit in Mbit/s at this moment, asked of the clock at most once a second."""
    # Pacing asks ten times a second; which limit holds by local time takes longer to find out than to remember.
    last: list[tuple[float, float]] = []

    def limit() -> float:
        now = clock.monotonic()
        if not last or now - last[0][0] >= 1.0:
            moment: datetime = clock.now()
            last[:] = [(now, settings.limit_of(job, moment))]
        return last[0][1]

    return limit
