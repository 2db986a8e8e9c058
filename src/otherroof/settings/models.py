"""The settings as values: one model a table, units in the names, frozen once read.

Nothing here opens a file; `reader` does, and `machine_checks` asks whether what is named exists.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, Field

from otherroof.settings.alerting import AlertingSettings
from otherroof.settings.copies.names import stem_of
from otherroof.settings.fields import (
    AbsolutePath,
    Address,
    Argv,
    CrontabText,
    HostKey,
    HourlyLimits,
    JobName,
    Name,
    Percent,
    Port,
    StretchText,
    Strict,
    Texts,
)
from otherroof.settings.tunnel import NoTunnel, TunnelSettings, WireguardTunnel
from otherroof.settings.versions import Versions
from otherroof.settings.windows import limit_at, strictest


def _zone(text: str) -> str:
    try:
        ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError):
        raise ValueError(f"{text!r} is not a time zone; a name such as Europe/Berlin is wanted") from None
    return text


class Home(Strict):
    """The machine that the service runs on."""

    name: Name
    state: str = "state"
    zone: Annotated[str, AfterValidator(_zone)]
    listing_key: str = "keys/listing.key"


class FarBox(Strict):
    """One far box: where it is, how it proves itself, where copies go.

    `tries` and `pause_s` are for broken connections within one run; `queue_s` is how long a run that a person starts
    waits for another one to this far box; `connections` 0: as many as its line and the work gain from; `month_gb` is
    for the bytes on the wire, both ways, in a calendar month (0: no bound); in `limits`, Mbit/s by stretch of the day,
    0 is no limit.
    """

    address: Address
    port: Port = 22
    account: str = Field(min_length=1)
    login_key: str
    host_key: HostKey
    base: AbsolutePath
    silent_days: float = Field(default=3, gt=0)
    fill_days: float = Field(default=30, ge=0)
    floor_gb: float = Field(default=10, ge=0)
    probe_hours: float = Field(default=6, gt=0)
    month_gb: float = Field(default=0, ge=0)
    limit_mbit: float = Field(default=0, ge=0)
    limits: HourlyLimits = Field(default_factory=dict)
    courtesy: bool = True
    courtesy_ms: float = Field(default=40, gt=0)
    connections: int = Field(default=0, ge=0, le=8)
    answer_s: float = Field(default=60, gt=0)
    tries: int = Field(default=4, ge=1, le=20)
    pause_s: float = Field(default=5, ge=0)
    queue_s: float = Field(default=3600, ge=0)
    tunnel: TunnelSettings = NoTunnel()

    @property
    def month_bytes(self) -> float:
        """The bytes on the wire that a calendar month may have; 0 is no bound."""
        return self.month_gb * 1e9

    @property
    def courtesy_s(self) -> float:
        """The delay in seconds that a copy may add on the line; 0 if nobody looks."""
        return self.courtesy_ms / 1000 if self.courtesy else 0.0


class Guard(Strict):
    """What a run may change before a person is asked.

    Of changed files that now look encrypted, a fifth of `changed_percent` is too many.
    """

    removed_percent: Percent = 20
    changed_percent: Percent = 50
    from_files: int = Field(default=100, ge=1)


class DrillSettings(Strict):
    """What a practice restore brings back in any case (`always`: paths in the job's folder), and the command that then
    says whether it is of use (`also`), within `also_s` seconds."""

    always: Texts = ()
    also: Argv | None = None
    also_s: float = Field(default=600, gt=0)


class Job(Strict):
    """One folder to protect.

    `at` is five crontab fields and `window` a stretch of the day, both on the household's wall clock. `tries` is how
    often a run is begun if the far box does not answer, before its next time. `importance` 9 goes before 1. Of the far
    copy up to `prove_mb` MB are read back each night (0: none), so that all of it is within `prove_days` if that is
    enough; with `heal`, what is found damaged is sent again. Each `drill_days` (0: never by the service) up to
    `drill_mb` MB are restored for practice; `back_within_hours` is how soon all must be able to be back (0: no matter).
    """

    folder: AbsolutePath
    far: Name
    at: CrontabText
    layout: Literal["open"] = "open"
    leave_out: Texts = ()
    before: Argv | None = None
    before_s: float = Field(default=3600, gt=0)
    other_disks: bool = False
    window: StretchText | None = None
    tries: int = Field(default=4, ge=1, le=20)
    importance: int = Field(default=5, ge=1, le=9)
    limit_mbit: float = Field(default=0, ge=0)
    limits: HourlyLimits = Field(default_factory=dict)
    promise_hours: float = Field(default=48, gt=0)
    prove_mb: float = Field(default=200, ge=0)
    prove_days: float = Field(default=90, gt=0)
    heal: bool = True
    drill_mb: float = Field(default=500, gt=0)
    drill_days: float = Field(default=30, ge=0)
    back_within_hours: float = Field(default=0, ge=0)
    also_kept: Texts = ()
    guard: Guard = Guard()
    versions: Versions = Versions()
    drill: DrillSettings = DrillSettings()


class Settings(Strict):
    """All that was read: the folder it came from, home, far boxes and jobs by name, one for each far box of a folder.

    `unread` are the files of jobs that have mistakes: what they want is not among `jobs`, and nothing copies it.
    """

    where: str
    home: Home
    far: dict[Name, FarBox]
    jobs: dict[JobName, Job]
    told: AlertingSettings = AlertingSettings()
    unread: tuple[str, ...] = ()

    def path(self, relative: str) -> str:
        """`relative` as seen from the settings folder; an absolute path stays as it is."""
        return os.path.normpath(os.path.join(self.where, relative))

    @property
    def zone(self) -> ZoneInfo:
        """The household's time zone."""
        return ZoneInfo(self.home.zone)

    def is_unread(self, job: str) -> bool:
        """Whether the file of `job` has a mistake, so that nothing is known of it now."""
        return not {job, stem_of(job)}.isdisjoint(self.unread)

    def limit_of(self, job: str, moment: datetime) -> float:
        """The upload limit in Mbit/s for `job` at `moment`, by far box, job and time of day. 0: none."""
        asked = self.jobs[job]
        return strictest(
            *(limit_at(table.limits, table.limit_mbit, moment, self.zone) for table in (asked, self.far[asked.far]))
        )

    @property
    def state(self) -> str:
        """The state folder's path."""
        return self.path(self.home.state)

    @property
    def ledger(self) -> str:
        """The history database's path."""
        return os.path.join(self.state, "ledger.sqlite")

    def version_record(self, job: str) -> str:
        """The path of what thinning notes of the versions of `job`."""
        return os.path.join(self.state, "versions", f"{job}.sqlite")


MOST_KEY = 16 * 1024  # bytes, far more than any key has: a wrong path to a large file is not read whole


def key_paths(home: Home | None, far: Mapping[str, FarBox]) -> Iterator[tuple[tuple[str, ...], str]]:
    """Where the main file names each key that a copy cannot be reached or proved without, and its path as it stands
    there. The one list of them: by it keys are checked, kept out of copies, and printed on a sheet."""
    if home is not None:
        yield ("home", "listing_key"), home.listing_key
    for name, box in far.items():
        yield ("far", name, "login_key"), box.login_key
        if isinstance(box.tunnel, WireguardTunnel):
            yield ("far", name, "tunnel", "key_file"), box.tunnel.key_file
            if box.tunnel.shared_key_file:
                yield ("far", name, "tunnel", "shared_key_file"), box.tunnel.shared_key_file
