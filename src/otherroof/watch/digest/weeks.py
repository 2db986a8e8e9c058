"""What a digest is built from: each job's and each far box's last weeks, and what the watch found. Values only.

`gather` reads them, `build` and `verdict` turn them into a digest.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from otherroof.ledger import RunRow
from otherroof.ledger.alerts import Alert
from otherroof.ledger.probes import ProbeRow
from otherroof.watch.copies.together import FolderStands
from otherroof.watch.digest.values import Copies, UnprotectedFolders
from otherroof.watch.facts import FarFacts, Finding
from otherroof.watch.first_copy import FirstCopy

WEEK = timedelta(days=7)
BEFORE = timedelta(days=28)


@dataclass(frozen=True, slots=True)
class JobWeek:
    """What is known of one job: its settings, its newest good copy, its runs of the last five weeks, how far its first
    copy is, if it is under way, and since when that is whole."""

    name: str
    folder: str
    far: str
    promise: timedelta
    newest: RunRow | None
    runs: Sequence[RunRow]
    copies: Copies
    waiting: str = ""
    proved: str = ""
    thinned: str = ""
    drill: str = ""
    first: FirstCopy | None = None
    whole_since: datetime | None = None

    @property
    def begun_well(self) -> datetime | None:
        """When the oldest good copy that is known was begun; None as long as there is none."""
        return self.whole_since or (self.newest.started if self.newest else None)


@dataclass(frozen=True, slots=True)
class FarWeek:
    """What is known of one far box: the watch's facts, the probes of the week, when it was last silent, and what the
    last run met there that is about no file."""

    facts: FarFacts
    probes: Sequence[ProbeRow]
    silent_at: datetime | None
    notes: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class DigestFacts:
    """Everything that a digest is built from."""

    home: str
    zone: ZoneInfo
    now: datetime
    jobs: Sequence[JobWeek] = ()
    fars: Sequence[FarWeek] = ()
    found: Sequence[Finding] = ()
    quiet: Mapping[str, datetime] = field(default_factory=dict)
    over: Sequence[Alert] = ()
    uncovered: Sequence[UnprotectedFolders] = ()
    heard_by: Sequence[str] = ()
    next_due: datetime | None = None
    unread: Sequence[str] = ()
    folders: Sequence[FolderStands] = ()
    settings_in: str = ""
