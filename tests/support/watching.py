"""Values for tests of the watch: facts of an invented household, runs in its ledger, and a channel that only notes."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from otherroof.base.errors import Undelivered
from otherroof.copying.report import ByteCounts, FileCounts, Outcome, RunReport, StepSeconds
from otherroof.ledger import Ledger, RunRow
from otherroof.ledger.last_look import WatchLook
from otherroof.watch.channels import Message
from otherroof.watch.facts import Facts, FarFacts, JobFacts

NOW = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
ZONE = ZoneInfo("America/St_Johns")
DAY = timedelta(days=1)
HOUR = timedelta(hours=1)
MAIL = """
[mail]
server = "localhost"
secure = "none"
sender = "larch@example.net"
[channel.family]
kind = "mail"
to = ["kim@example.net"]
"""  # in settings: one channel, to one person


def look_at(now: datetime = NOW, **changed: Any) -> WatchLook:
    """A look by a watch that has been awake for a month."""
    return WatchLook(
        **{"at": now, "monotonic_s": 5e6, "asleep_s": 0.0, "boot": "b", "awake_since": now - 30 * DAY} | changed
    )


def job(**changed: Any) -> JobFacts:
    """The job photos, copied well last night."""
    usual: dict[str, Any] = {
        "name": "photos",
        "folder": "/srv/family/photos",
        "far": "heron",
        "promise": 48 * HOUR,
        "watched_since": NOW - 300 * DAY,
        "newest": NOW - 10 * HOUR,
    }
    return JobFacts(**usual | changed)


def far(**changed: Any) -> FarFacts:
    """The far box heron, which answered two hours ago."""
    usual: dict[str, Any] = {
        "name": "heron",
        "silent": 3 * DAY,
        "watched_since": NOW - 300 * DAY,
        "answered": NOW - 2 * HOUR,
        "floor": int(10e9),
    }
    return FarFacts(**usual | changed)


def facts(**changed: Any) -> Facts:
    """A household where all is well."""
    usual: dict[str, Any] = {"now": NOW, "zone": ZONE, "look": look_at(), "jobs": (job(),), "fars": (far(),)}
    return Facts(**usual | changed)


@dataclass(frozen=True)
class Night:
    """One run to be made up."""

    outcome: Outcome = "done"
    seen: int = 10_000
    changed: int = 40
    removed: int = 3
    new: int = 25
    sent: int = 180_000_000
    total_s: float = 240.0
    reason: str = ""
    to_send: int = 0

    def report(self, name: str, run: str) -> RunReport:
        """The run's report."""
        return RunReport(
            job=name,
            run=run,
            outcome=self.outcome,
            files=FileCounts(seen=self.seen, new=self.new, changed=self.changed, removed=self.removed),
            bytes=ByteCounts(
                seen=90_000_000_000,
                new=self.sent,
                sent=self.sent,
                wire_up=int(self.sent * 1.04),
                wire_down=900_000,
                to_send=self.to_send,
            ),
            seconds=StepSeconds(scan=20.0, send=self.total_s - 25, commit=5.0, total=self.total_s),
            reason=self.reason,
        )


def run_id(at: datetime) -> str:
    """A run id as the house writes them."""
    return f"{at:%Y-%m-%dT%H%M%SZ}-{at.toordinal() % 65536:04x}"


def row(at: datetime, night: Night = Night(), name: str = "photos") -> RunRow:
    """One run as the ledger gives it back."""
    return RunRow("heron", at, at + timedelta(seconds=night.total_s), night.report(name, run_id(at)))


def write_run(ledger: Ledger, at: datetime, night: Night = Night(), name: str = "photos") -> None:
    """One run, written into the ledger as a run does it."""
    ledger.runs.begin(name, run_id(at), "heron", at)
    ledger.runs.end(night.report(name, run_id(at)), at + timedelta(seconds=night.total_s))


@dataclass
class NotingChannel:
    """Takes every message, or none while `broken`."""

    broken: bool = False
    note: str = ""
    taken: list[Message] = field(default_factory=list)

    def deliver(self, message: Message) -> str:
        """Note the message."""
        if self.broken:
            raise Undelivered("is broken", where="nowhere")
        self.taken.append(message)
        return self.note

    @property
    def lines(self) -> list[str]:
        """The subjects taken so far."""
        return [one.line for one in self.taken]
