"""What the rules and the digest are told, and what a rule answers with: values only.

Gathered once, so that every rule sees the same moment.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from otherroof.base.local_time import between_days, day_text, morning_after
from otherroof.copying.report import WINDOW_ENDED, EncryptionSigns
from otherroof.forecast.first_copy import MOST_NIGHTS, NightRoom, nights_left
from otherroof.forecast.trend import FARTHEST_DAYS, FillDays
from otherroof.ledger.drills import DrillRow
from otherroof.ledger.far_findings import DamagedFile, SpaceReading
from otherroof.ledger.keeping import RuleInForce
from otherroof.ledger.last_look import WatchLook
from otherroof.ledger.messages import ChannelState
from otherroof.ledger.probes import WayStop
from otherroof.ledger.proofs import HealedDamage
from otherroof.ledger.runs import Hold, RunRow
from otherroof.settings.alerting import AlertSettings
from otherroof.watch.first_copy import FirstCopy, end_of, goes_on_from, last_got_on
from otherroof.watch.sheet.printed import OldSheet

# After home itself was off for long, nobody can have answered it; it gets this long to ask and to catch up.
GRACE = timedelta(hours=3)
# A time this far ahead of the clock cannot be rounding.
AHEAD = timedelta(minutes=5)

# An alert that stands ends only this much beyond its limit, so that it does not come and go at the edge.
CLEAR_OF_EDGE = 1.25
HEALED = "healed"  # how the mark of an alert begins that tells of damage which is there no more


@dataclass(frozen=True, slots=True)
class JobFacts:
    """One job. `newest` is when its newest good copy was begun: the point in time that can be got back.

    `runs` are its last runs that ended, newest first; `natures` what they saw in the content, by run; `waiting`
    what its next run waits for, if it does; `healed` what was healed before anybody was told that it was
    damaged; `proved` what was read back of its copy, in words; `rule` which versions are kept by, once one was thinned.
    `drilled` is the last drill that came to an answer, `fruitless` those since then
    that came to none, newest first, `drill_every` how often one is wanted (0: never by itself); `back_within` how soon
    all must be able to be back (0: no matter). `first_copy` is when the oldest good copy that is known was whole.
    `under_way` is when a run began that has not ended, `sends` whether that has sent something by now, `at` its times
    as crontab fields; `released` is when a person released its held run, as long as no run has counted since. `room` is
    what window and limits leave of its nights to come, while there is no copy.
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
    healed: HealedDamage | None = None
    waiting: str = ""
    proved: str = ""
    rule: RuleInForce | None = None
    drilled: DrillRow | None = None
    fruitless: tuple[DrillRow, ...] = ()
    drill_every: timedelta = timedelta(0)
    back_within: timedelta = timedelta(0)
    first_copy: datetime | None = None
    under_way: datetime | None = None
    sends: bool = False
    at: str = ""
    released: datetime | None = None
    room: NightRoom | None = None

    def promise_begins(self, now: datetime, zone: ZoneInfo) -> datetime:
        """From when its promise counts: its newest good copy. A first copy may take weeks: it counts from when that
        last got on, `now` while its run sends, and not before the month begins whose allowance it waits for."""
        if self.newest is not None:
            return self.newest
        if self.sends:  # a run that has only begun may end as all those before it that sent nothing
            return now
        got_on = self._last_got_on(now)
        return self.watched_since if got_on is None else min(now, goes_on_from(got_on, zone))

    def is_fresh(self, now: datetime) -> bool:
        """Whether its newest good copy is as new as promised."""
        return self.newest is not None and now - self.newest <= self.promise

    def got_on(self, now: datetime) -> datetime | None:
        """When a first copy last got on; None once there is a copy."""
        last = self._last_got_on(now) if self.newest is None else None
        return end_of(last) if last is not None else None

    def _last_got_on(self, now: datetime) -> RunRow | None:
        # A run of the future tells nothing of how long ago that was.
        return last_got_on([row for row in self._here if row.started <= now + AHEAD])

    @property
    def first_under_way(self) -> bool:
        """Whether a first copy has begun and is not there yet."""
        return self.newest is None and (last_got_on(self._here) is not None or self.under_way is not None)

    def copy_under_way(self, now: datetime, zone: ZoneInfo) -> FirstCopy | None:
        """How far a first copy is that has begun; None if it has not, or once there is a copy."""
        if not self.first_under_way:
            return None
        there, seen = self.first_copy_bytes
        # What they brought, and what the same nights would bring by the window and the limits of now.
        brought, would = self._nights(now, zone, None), self._nights(now, zone, self.room)
        nights, left = brought[-MOST_NIGHTS:], nights_left(would, seen - there)
        mean = sum(nights) / len(nights) if nights else 0.0
        otherwise = left is not None and abs(left.mean - mean) > 0.01 * mean
        return FirstCopy(there, seen, len(nights), left, mean, otherwise)

    @property
    def first_copy_bytes(self) -> tuple[int, int]:
        """Of a first copy under way: bytes there, and bytes in the folder when it was last seen."""
        seen = next((row.report.bytes.seen for row in self._here if row.report.bytes.seen), 0)
        return min(self._there(), seen), seen

    def _there(self) -> int:
        """Content at the far end by now, in bytes: what the newest run that knew it did not have to send, and what was
        sent since. Of runs by an older version only what they sent is known."""
        sent = 0
        for row in self._here:
            sizes = row.report.bytes
            if sizes.to_send:
                return sizes.seen - sizes.to_send + min(sent + sizes.sent, sizes.to_send)
            sent += sizes.sent
        return sent

    def _nights(self, now: datetime, zone: ZoneInfo, room: NightRoom | None) -> list[float]:
        """What each night brought in bytes, or would in the `room` of now, oldest first: from the first that brought
        any to the last that is over."""
        brought: dict[date, float] = {}
        for row in self._here:
            if row.report.bytes.sent:
                morning = morning_after(row.started, zone)
                sent = float(row.report.bytes.sent)
                if room is not None:
                    filled = row.report.outcome == "cut" and row.report.reason.endswith(WINDOW_ENDED)
                    sent = room.brings(sent, row.report.seconds.total, filled=filled)
                brought[morning] = brought.get(morning, 0.0) + sent
        if not brought:
            return []
        first = min(brought)
        # The night that has only just begun tells nothing as long as it has brought nothing.
        tonight = morning_after(now, zone)
        count = (tonight - first).days + (tonight in brought and self.under_way is None)
        return [brought.get(first + timedelta(days=place), 0.0) for place in range(count)]

    @property
    def _here(self) -> list[RunRow]:
        return [row for row in self.runs if row.far == self.far]


@dataclass(frozen=True, slots=True)
class FullDay:
    """When a disk will be full: most likely, soonest and latest day (None: perhaps never)."""

    likely: datetime
    soonest: datetime
    latest: datetime | None

    def span(self, zone: ZoneInfo) -> str:
        """Between which days, in words; empty if it can only be one."""
        if self.latest is None:
            return f"{day_text(self.soonest, zone)} at the soonest"
        first, last = self.soonest.astimezone(zone).date(), self.latest.astimezone(zone).date()
        return between_days(first, last) if first != last else ""

    def words(self, zone: ZoneInfo) -> str:
        """`about 12 May 2031 (between 3 and 20 May 2031)`."""
        span = self.span(zone)
        return f"about {day_text(self.likely, zone)}" + (f" ({span})" if span else "")


@dataclass(frozen=True, slots=True)
class FarFacts:
    """One far box. `answered` is when it last proved its host key, `unanswered` when it last did not answer a probe,
    `stop` where the checks stop since, `space` its last reading; `coming` is how many bytes so many
    `first_copies` that are under way have yet to bring there; `roof` are all far boxes under the same one."""

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
    coming: int = 0
    first_copies: int = 0
    roof: tuple[str, ...] = ()

    @property
    def heard(self) -> datetime:
        """When it last answered; if it never did, since when it is watched."""
        return self.answered or self.watched_since

    @property
    def full(self) -> FullDay | None:
        """When the disk will be full by the trend; None if that tells no day, or one of a later century."""
        if self.space is None or self.fill is None or self.fill.days > FARTHEST_DAYS:
            return None
        at, fill = self.space.at, self.fill
        latest = at + timedelta(days=fill.latest) if fill.latest is not None and fill.latest < FARTHEST_DAYS else None
        return FullDay(at + timedelta(days=fill.days), at + timedelta(days=fill.soonest), latest)

    @property
    def unheard(self) -> bool:
        """Whether it did not answer a probe since it was last heard."""
        return self.unanswered is not None and self.unanswered > self.heard


@dataclass(frozen=True, slots=True)
class Facts:
    """Everything at one moment. `standing` are the keys of alerts that stand now, each with its mark; `unread` the jobs
    whose own files have mistakes; `old_sheet` is a recovery sheet that tells what is no longer so; `settings_in` is the
    settings folder, by which commands in advice are written."""

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
    settings_in: str = ""
    standing: Mapping[str, str] = field(default_factory=dict)
    old_sheet: OldSheet | None = None


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
