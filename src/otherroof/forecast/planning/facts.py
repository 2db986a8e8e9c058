"""What a forecast is made from, and what comes out: values only, gathered by whoever knows settings and ledger."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from otherroof.forecast.first_copy import NightsLeft
from otherroof.forecast.planning.copy_time import LineFacts, SentNight, Work
from otherroof.forecast.planning.estimate import Estimate, Likely
from otherroof.forecast.planning.open_hours import OpenHours
from otherroof.forecast.planning.spacing import ReplacedContent
from otherroof.forecast.restore_time import DISK_RATE
from otherroof.forecast.trend import FillDays
from otherroof.settings.versions import SpacingLine


@dataclass(frozen=True, slots=True)
class Amounts:
    """The folder: bytes and files now; bytes and files that a day brings or changes; and by how many bytes a day it
    grows. `how` and `how_daily` say where that is known from."""

    size: float
    files: float
    daily: Likely
    daily_files: float
    growth: Likely
    how: str
    how_daily: str


@dataclass(frozen=True, slots=True)
class DiskFacts:
    """The far disk: its bytes (0: not known), and what its readings say.

    `today` is the day of the forecast as `date.toordinal` counts them, `full` the day in the same numbers by which the
    readings say that the disk is full, `growth` what they say of growth, `free` the bytes by the last one, if it has
    been read at all. `coming`: a first copy is being brought there, whose pace does not go on once it is whole.
    """

    total: float = 0.0
    today: float = 0.0
    free: float | None = None
    growth: FillDays | None = None
    full: Likely | None = None
    coming: bool = False


@dataclass(frozen=True, slots=True)
class KeepingFacts:
    """How versions are kept: lines and another way to ask for, runs a day, and what is known of replaced content, seen
    over so many days (0: nothing is)."""

    lines: tuple[SpacingLine, ...] = ()
    other: tuple[SpacingLine, ...] = ()
    runs_a_day: float = 1.0
    replaced: Sequence[ReplacedContent] = ()
    seen_days: float = 0.0


# What a disk takes or gives in a row, in bytes a second: an old one on a slow port, one that turns, one that does not
# (common practice, no source).
USUAL_DISK = Likely(40e6, DISK_RATE, 180e6)
# What a local disk takes for a file, in seconds: made, written, named (common practice, no source; a disk that turns is
# slower).
FILE_ON_DISK_S = Likely(0.001, 0.004, 0.012)


@dataclass(frozen=True, slots=True)
class ByHand:
    """A disk that is carried: bytes a second that it takes, seconds on the way there and back home."""

    rate: Likely = USUAL_DISK
    carry_s: float = 86_400.0
    fetch_s: float = 4 * 3600.0

    def disk_s(self, amounts: Amounts) -> Likely:
        """Seconds until the folder is on the disk, or has been read from it."""
        return self.rate.under(amounts.size) + FILE_ON_DISK_S.times(amounts.files)

    @property
    def rates(self) -> str:
        """What the disk takes, in words."""
        return f"{self.rate.low / 1e6:.0f} to {self.rate.high / 1e6:.0f} MB/s"


@dataclass(frozen=True, slots=True)
class DrilledBack:
    """What the last practice restore said of a whole one, in seconds, and the day it was held."""

    seconds: Likely
    day: str


@dataclass(frozen=True, slots=True)
class CopyKept:
    """A copy of the folder: where it is, whether under another roof, and from when (empty: not there yet)."""

    where: str
    elsewhere: bool
    taken: str


@dataclass(frozen=True, slots=True)
class PlanFacts:
    """All that is known of one job, or of one that is only thought of.

    `there`: bytes of a first copy that have arrived; `brought`: so many nights of it, and how many more they say;
    `whole`: there is a copy. `begin` is when the next run may begin.
    `checks_a_day`: bytes that proofs and drills take a day. `few` is what is wanted first, by name, after a loss.
    """

    name: str
    begin: datetime
    amounts: Amounts
    line: LineFacts
    hours: OpenHours
    there: float = 0.0
    brought: tuple[int, NightsLeft] | None = None
    whole: bool = False
    nights: Sequence[SentNight] = ()
    checks_a_day: float = 0.0
    disk: DiskFacts = DiskFacts()
    keeping: KeepingFacts = KeepingFacts()
    by_hand: ByHand = ByHand()
    drilled: DrilledBack | None = None
    few: Work | None = None
    few_named: str = ""
    copies: Sequence[CopyKept] = ()


@dataclass(frozen=True, slots=True)
class LengthBar:
    """A length to be drawn: what it is, how much of `whole` it takes, and its words."""

    label: str
    part: float
    whole: float
    text: str


@dataclass(frozen=True, slots=True)
class PlanSection:
    """One question of a forecast: its figures, its bars, and what is to be said besides."""

    title: str
    estimates: tuple[Estimate, ...] = ()
    bars: tuple[LengthBar, ...] = ()
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Outlook:
    """A whole forecast."""

    name: str
    sections: tuple[PlanSection, ...] = field(default_factory=tuple)

    @property
    def estimates(self) -> dict[str, Estimate]:
        """Every figure by its key."""
        return {one.key: one for section in self.sections for one in section.estimates}

    def as_json(self) -> dict[str, Any]:
        """As `plan --json` prints it, and as the ledger keeps it."""
        return {
            "job": self.name,
            "figures": {key: one.as_json() for key, one in self.estimates.items()},
            "remarks": [remark for section in self.sections for remark in section.remarks],
        }
