"""What a digest says, as values: built once, shown as text, as HTML, as a page and as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Literal
from zoneinfo import ZoneInfo

from otherroof.base.clock import stamp
from otherroof.base.units import mbit_s
from otherroof.ledger.alerts import Alert
from otherroof.watch.copies.together import FolderStands
from otherroof.watch.facts import FullDay

# safe: every promise is kept and nothing stands; look: kept, but something needs a hand; first: as one of these, but
# for first copies that get on; unsafe: not kept.
Verdict = Literal["safe", "look", "first", "unsafe"]
# What came of a night: a good copy of every job that ran; part of a first copy; a good copy of some jobs only; of none;
# or no run at all.
NightState = Literal["good", "building", "part", "bad", "none"]


@dataclass(frozen=True, slots=True)
class RunTotals:
    """What a job's runs came to over `weeks` weeks. Times and rates are of runs that made a good copy."""

    weeks: float
    outcomes: Mapping[str, int]
    files: int = 0
    sent: int = 0
    good: int = 0
    seconds: float = 0.0
    wire: int = 0
    sending_s: float = 0.0

    @property
    def runs(self) -> int:
        """How many runs there were."""
        return sum(self.outcomes.values())

    @property
    def mean_s(self) -> float | None:
        """Mean duration of a good run, in seconds."""
        return self.seconds / self.good if self.good else None

    @property
    def mean_mbit(self) -> float | None:
        """Mean rate while sending, in Mbit/s."""
        return mbit_s(self.wire, self.sending_s) if self.sending_s > 0 and self.wire else None

    def as_json(self) -> dict[str, Any]:
        """The span's figures; `a_week` if they are averages."""
        return {
            "weeks": round(self.weeks, 2),
            "runs": self.runs,
            "outcomes": dict(self.outcomes),
            "files": self.files,
            "bytes_sent": self.sent,
            "mean_s": self.mean_s,
            "mean_mbit": self.mean_mbit,
        }


@dataclass(frozen=True, slots=True)
class Night:
    """The night that ends on the morning of `day`: bytes sent, what came of it, and which jobs ran and made no good
    copy, a first copy that gets on not among them."""

    day: date
    sent: int
    state: NightState
    lacking: tuple[str, ...] = ()

    @property
    def good(self) -> bool | None:
        """Whether every job that ran made a good copy; None without a run."""
        return None if self.state == "none" else self.state == "good"


@dataclass(frozen=True, slots=True)
class Copies:
    """Where a folder is kept, as far as this program is told: here, under other roofs, and what the household says."""

    here: str
    roofs: tuple[str, ...]
    told: tuple[str, ...]

    @property
    def count(self) -> int:
        """How many copies there are, the folder itself among them."""
        return 1 + len(self.roofs) + len(self.told)


@dataclass(frozen=True, slots=True)
class JobReport:
    """One job's week. `newest` is when its newest good copy was begun; `growth` is bytes a night more, each week;
    `waiting` what its next run waits for, or that one is under way; `thinned` which versions went; `drill` tells of its
    last drill; `first` how far a first copy is that gets on, `first_brief` the same in short; `mark` what is wrong."""

    name: str
    folder: str
    far: str
    promise_s: float
    newest: datetime | None
    age_s: float | None
    week: RunTotals
    before: RunTotals | None
    nights: tuple[Night, ...]
    copies: Copies
    size: int = 0
    files: int = 0
    problems: int = 0
    growth: float | None = None
    waiting: str = ""
    proved: str = ""
    thinned: str = ""
    drill: str = ""
    first: str = ""
    first_brief: str = ""
    mark: str = ""

    @property
    def kept(self) -> bool:
        """Whether the newest good copy is as fresh as promised."""
        return self.age_s is not None and self.age_s <= self.promise_s

    def as_json(self) -> dict[str, Any]:
        """The job as `digest --json` prints it."""
        return {
            "job": self.name,
            "folder": self.folder,
            "far": self.far,
            "newest": stamp(self.newest) if self.newest else None,
            "age_s": self.age_s,
            "promise_s": self.promise_s,
            "kept": self.kept,
            "size": self.size,
            "files": self.files,
            "problems": self.problems,
            "waiting": self.waiting,
            "proved": self.proved,
            "thinned": self.thinned,
            "drill": self.drill,
            "first_copy": self.first,
            "mark": self.mark,
            "week": self.week.as_json(),
            "before": self.before.as_json() if self.before else None,
            "nights": [{"day": night.day.isoformat(), "sent": night.sent, "good": night.good} for night in self.nights],
            "copies": {
                "count": self.copies.count,
                "roofs": list(self.copies.roofs),
                "told": list(self.copies.told),
            },
        }


@dataclass(frozen=True, slots=True)
class FarReport:
    """One far box's week. `silent_at` is when it last did not answer a probe, within what the ledger holds;
    `mark` is what is wrong, in a few words."""

    name: str
    probes: int = 0
    answered: int = 0
    round_trip_ms: float | None = None
    silent_at: datetime | None = None
    answered_at: datetime | None = None
    free: int | None = None
    total: int | None = None
    full: FullDay | None = None
    mark: str = ""

    def as_json(self) -> dict[str, Any]:
        """The far box as `digest --json` prints it."""

        def text(moment: datetime | None) -> str | None:
            return stamp(moment) if moment else None

        return {
            "far": self.name,
            "probes": self.probes,
            "answered": self.answered,
            "round_trip_ms": self.round_trip_ms,
            "silent_at": text(self.silent_at),
            "answered_at": text(self.answered_at),
            "free": self.free,
            "total": self.total,
            "full": text(self.full.likely) if self.full else None,
            "full_soonest": text(self.full.soonest) if self.full else None,
            "full_latest": text(self.full.latest) if self.full else None,
            "mark": self.mark,
        }


@dataclass(frozen=True, slots=True)
class ActionNeeded:
    """Something that needs a person: what it is, the advice with its command, and what it is in a few words."""

    what: str
    help: str
    brief: str


@dataclass(frozen=True, slots=True)
class UnprotectedFolders:
    """Folders beside protected ones, under the same parent, that no job protects."""

    parent: str
    names: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Digest:
    """A whole digest. `nights` sums all jobs over four weeks."""

    home: str
    zone: ZoneInfo
    at: datetime
    since: datetime
    verdict: Verdict
    sentence: str
    jobs: tuple[JobReport, ...] = ()
    fars: tuple[FarReport, ...] = ()
    hands: tuple[ActionNeeded, ...] = ()
    over: tuple[Alert, ...] = ()
    uncovered: tuple[UnprotectedFolders, ...] = ()
    nights: tuple[Night, ...] = ()
    next_due: datetime | None = None
    folders: tuple[FolderStands, ...] = ()

    @property
    def several(self) -> list[str]:
        """Each folder with several copies, and how they stand, in one line."""
        return [f"{one.name}: {one.said(self.at, self.zone)}" for one in self.folders if len(one.copies) > 1]

    @property
    def well(self) -> bool:
        """Whether nobody has anything to do."""
        return self.verdict in ("safe", "first") and not self.hands

    def as_json(self) -> dict[str, Any]:
        """The digest as `digest --json` prints it."""
        return {
            "home": self.home,
            "at": stamp(self.at),
            "since": stamp(self.since),
            "verdict": self.verdict,
            "sentence": self.sentence,
            "jobs": [job.as_json() for job in self.jobs],
            "folders": [folder.as_json(self.at, self.zone) for folder in self.folders],
            "far": [box.as_json() for box in self.fars],
            "hands": [{"what": hand.what, "help": hand.help} for hand in self.hands],
            "over": [alert.as_json() for alert in self.over],
            "uncovered": [{"parent": row.parent, "folders": list(row.names)} for row in self.uncovered],
            "next_due": stamp(self.next_due) if self.next_due else None,
        }
