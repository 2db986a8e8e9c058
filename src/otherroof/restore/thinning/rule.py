"""The rule of thinning: which versions a household still wants, by how old they are and how far apart.

Pure: versions, rule and moment in, verdicts out. It must not know where versions lie or what one holds.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from otherroof.base.local_time import wall_time
from otherroof.restore.versions import Version
from otherroof.settings.versions import Spacing, SpacingLine

# Every date is read on the household's calendar: so a day of 23 or 25 hours is one day like any other, and a day or
# week is never cut in two by an age, as ages end at midnight.


@dataclass(frozen=True, slots=True)
class KeepingRule:
    """What a household wants to keep. `lines` with the youngest age first; without any, all stays.

    Fewer than `at_least` never remain, not counting the runs in `pinned`, which never go.
    """

    lines: tuple[SpacingLine, ...] = ()
    at_least: int = 1
    pinned: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class GoingVersion:
    """A version that the rule no longer wants. `instead` is the run of the same day, week, … that stays for it; empty
    if it is older than the rule keeps anything. `damaged`: it is, and a person lets it go, whatever the rule says."""

    version: Version
    spacing: Spacing | None = None
    instead: str = ""
    damaged: bool = False


def going_versions(
    versions: Iterable[Version], rule: KeepingRule, now: datetime, zone: ZoneInfo
) -> tuple[GoingVersion, ...]:
    """The versions that go by `rule` at the moment `now`, oldest first; the newest is never among them.

    Applied again to what stays, at the same moment, it answers nothing.
    """
    ordered = sorted(versions, key=lambda version: version.run)  # ids keep the order, also if a clock was wrong
    if not rule.lines or not ordered:
        return ()
    unwanted = list(_unwanted(ordered, rule, wall_time(now, zone).date(), zone))
    free = sum(version.run not in rule.pinned for version in ordered)
    # The newest of them stay as long as too few would remain.
    spared = max(0, max(1, rule.at_least) - (free - len(unwanted)))
    return tuple(unwanted[: max(0, len(unwanted) - spared)])


def _unwanted(ordered: list[Version], rule: KeepingRule, today: date, zone: ZoneInfo) -> Iterator[GoingVersion]:
    stretches = _Stretches(rule.lines, today)
    dated = [(version, stretches.of(wall_time(version.taken, zone).date())) for version in ordered]
    # Of each stretch the newest stays: of a day with three runs, the one that has seen all of it.
    newest = {stretch: version.run for version, stretch in dated if stretch is not None}
    for version, stretch in dated:
        if version.run in rule.pinned or version is ordered[-1]:
            continue
        if stretch is None:
            yield GoingVersion(version)
        elif stretch.begins is not None and newest[stretch] != version.run:
            yield GoingVersion(version, stretch.line.spacing, newest[stretch])


@dataclass(frozen=True, slots=True)
class _Stretch:
    """A stretch of days of which one version is wanted, under this line; every version, if it `begins` nowhere."""

    line: SpacingLine
    begins: date | None


class _Stretches:
    """The rule's lines as seen from one day."""

    def __init__(self, lines: Collection[SpacingLine], today: date) -> None:
        self._lines = [(line.age.before(today), line) for line in lines]

    def of(self, day: date) -> _Stretch | None:
        """The stretch that a version of this day is in; None if it is older than the last line."""
        # A version from the future is one whose clock was wrong: it counts as young.
        line = next((line for oldest, line in self._lines if day >= oldest), None)
        return None if line is None else _Stretch(line, _begins(line.spacing, day))


def _begins(spacing: Spacing, day: date) -> date | None:
    """The first day of the day, week (from Monday, ISO 8601), month or year that holds `day`."""
    if spacing == "every run":
        return None
    if spacing == "one a day":
        return day
    if spacing == "one a week":
        return date.fromordinal(max(1, day.toordinal() - day.weekday()))
    return day.replace(day=1) if spacing == "one a month" else day.replace(month=1, day=1)
