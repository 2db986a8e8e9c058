"""What the rules and the digest are told, and what a rule answers with: values only.

Gathered once, so that every rule sees the same moment.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from otherroof.base.units import size_text
from otherroof.copying.report import EncryptionSigns
from otherroof.forecast.trend import FillDays
from otherroof.ledger.drills import DrillRow
from otherroof.ledger.far_findings import DamagedFile, SpaceReading
from otherroof.ledger.keeping import RuleInForce
from otherroof.ledger.last_look import WatchLook
from otherroof.ledger.messages import ChannelState
from otherroof.ledger.probes import WayStop
from otherroof.ledger.runs import Hold, RunRow
from otherroof.settings.alerting import AlertSettings

# After home itself was off for long, nobody can have answered it; it gets this long to ask and to catch up.
GRACE = timedelta(hours=3)

# An alert that stands ends only this much beyond its limit, so that it does not come and go at the edge.
CLEAR_OF_EDGE = 1.25


@dataclass(frozen=True, slots=True)
class JobFacts:
    """One job. `newest` is when its newest good copy was begun: the point in time that can be got back.

    `runs` are its last runs that ended, newest first; `natures` what they saw in the content, by run; `waiting`
    what its next run waits for, if it does; `proved` what was read back of its copy, in words; `rule` which versions
    are kept by, once one was thinned. `drilled` is the last drill that came to an answer, `fruitless` those since then
    that came to none, newest first, `drill_every` how often one is wanted (0: never by itself); `back_within` how soon
    all must be able to be back (0: no matter). `first_copy` is when the oldest good copy that is known was begun.
    """

    name: str
    folder: str
    far: str
    promise: timedelta
    watched_since: datetime
    newest: datetime | None = None
    hold: Hold | None = None
    runs: tuple[RunRow, ...] = ()
    natures: Mapping[str, EncryptionSigns] = field(default_factory=dict)
    damages: tuple[DamagedFile, ...] = ()
    waiting: str = ""
    proved: str = ""
    rule: RuleInForce | None = None
    drilled: DrillRow | None = None
    fruitless: tuple[DrillRow, ...] = ()
    drill_every: timedelta = timedelta(0)
    back_within: timedelta = timedelta(0)
    first_copy: datetime | None = None

    @property
    def got_on(self) -> datetime | None:
        """When a first copy last got on: the end of the newest run that sent something; None once there is a copy."""
        ends = [row.ended or row.started for row in self.runs if row.far == self.far and row.report.bytes.sent > 0]
        return max(ends, default=None) if self.newest is None else None

    @property
    def share(self) -> str:
        """How much of a first copy is there: what its runs have sent so far, of the folder as it was last seen."""
        ours = [row.report for row in self.runs if row.far == self.far]
        whole = next((report.bytes.seen for report in ours if report.bytes.seen), 0)
        there = min(sum(report.bytes.sent for report in ours), whole)
        percent = int(100 * there / whole) if whole else 0
        return f"first copy under way: about {size_text(there)} of {size_text(whole)} there ({percent} %)"


@dataclass(frozen=True, slots=True)
class FarFacts:
    """One far box. `answered` is when it last proved its host key, `unanswered` when it last did not answer a probe,
    `stop` where the checks stop since, `space` its last reading."""

    name: str
    silent: timedelta
    watched_since: datetime
    answered: datetime | None = None
    unanswered: datetime | None = None
    stop: WayStop | None = None
    fill_days: float = 30
    floor: int = 0
    space: SpaceReading | None = None
    fill: FillDays | None = None

    @property
    def heard(self) -> datetime:
        """When it last answered; if it never did, since when it is watched."""
        return self.answered or self.watched_since

    @property
    def unheard(self) -> bool:
        """Whether it did not answer a probe since it was last heard."""
        return self.unanswered is not None and self.unanswered > self.heard


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything at one moment. `standing` are the keys of alerts that stand now, `unread` the jobs whose own files
    have mistakes."""

    now: datetime
    zone: ZoneInfo
    look: WatchLook
    alerts: AlertSettings = field(default_factory=AlertSettings)
    jobs: tuple[JobFacts, ...] = ()
    fars: tuple[FarFacts, ...] = ()
    channels: Mapping[str, ChannelState] = field(default_factory=dict)
    mistakes: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    runs_ahead: int = 0
    standing: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Finding:
    """What a rule found: about which job, far box or channel, since when, and what to do.

    A new `mark` means another occurrence of the same thing, told at once; `not_by` is a channel of no use here.
    `because` is the key of what it follows from, whether or not that is found too.
    """

    rule: str
    about: str
    headline: str
    help: str
    begun: datetime
    mark: str = ""
    not_by: str = ""
    because: str = ""

    @property
    def key(self) -> str:
        """The alert's name: `silent:heron`; just the rule if it is about home itself."""
        return f"{self.rule}:{self.about}" if self.about else self.rule


def too_early(facts: Facts, key: str, overdue: timedelta, limit: timedelta) -> bool:
    """Whether it is too early: home itself was off until just now, and less than twice the limit has passed.

    An alert that stands is not ended by this.
    """
    if key in facts.standing:
        return False
    # At twice the limit nobody should wait any longer, even if home's own sleep may explain it.
    return facts.now - facts.look.awake_since < GRACE and overdue < 2 * limit
