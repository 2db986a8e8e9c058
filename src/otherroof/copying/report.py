"""What a run counted: values only, shared by the run itself, the ledger and every report."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Literal

from otherroof.copying.compare.change import PlanTotals

Outcome = Literal["done", "done with problems", "held", "failed", "cut"]
OUTCOMES: tuple[Outcome, ...] = ("done", "done with problems", "held", "failed", "cut")
GOOD: tuple[Outcome, ...] = ("done", "done with problems")


@dataclass(slots=True)
class FileCounts:
    """Numbers of entries. `left_out` are sockets, devices and fifos, which no copy holds."""

    seen: int = 0
    new: int = 0
    changed: int = 0
    moved: int = 0
    removed: int = 0
    problems: int = 0
    left_out: int = 0


@dataclass(slots=True)
class ByteCounts:
    """Content seen, content of new and changed files, content sent; and TCP payload on the wire both ways."""

    seen: int = 0
    new: int = 0
    sent: int = 0
    wire_up: int = 0
    wire_down: int = 0


@dataclass(slots=True)
class StepSeconds:
    """Where the time went, in seconds."""

    scan: float = 0.0
    send: float = 0.0
    commit: float = 0.0
    total: float = 0.0


@dataclass(frozen=True, slots=True)
class Problem:
    """One entry that could not be copied, and why. The path is shown as text, however its bytes look."""

    path: str
    why: str


@dataclass(frozen=True, slots=True)
class EncryptionSigns:
    """What a run saw in new and changed content: files looked into, of these such as cannot be compressed, and files
    whose name got a further or another ending (`a.txt` gone, `a.txt.x` or `a.x` new)."""

    sampled: int
    dense: int
    endings_changed: int


@dataclass(slots=True)
class RunReport:
    """Everything that one run has to tell. `other_disks` are folders where another disk begins, not entered."""

    job: str
    run: str
    outcome: Outcome = "failed"
    files: FileCounts = field(default_factory=FileCounts)
    bytes: ByteCounts = field(default_factory=ByteCounts)
    seconds: StepSeconds = field(default_factory=StepSeconds)
    problems: list[Problem] = field(default_factory=list)
    reason: str = ""
    nature: EncryptionSigns | None = None
    other_disks: list[str] = field(default_factory=list)

    def note_remarks(self, remarks: Iterable[str]) -> None:
        """Problems of the run as a whole."""
        self.problems += [Problem("", remark) for remark in remarks]

    def note_problems(self, problems: Iterable[Problem]) -> None:
        """Paths that could not be copied."""
        self.problems += problems

    def note_totals(self, totals: PlanTotals) -> None:
        """What the run would change, or has changed."""
        files = self.files
        files.new, files.changed, files.moved, files.removed = totals.new, totals.changed, totals.moved, totals.removed
        self.bytes.new = totals.fresh_bytes
        files.problems = sum(1 for problem in self.problems if problem.path)

    def as_json(self) -> dict[str, Any]:
        """The report as `run --json` prints it."""
        return {
            "job": self.job,
            "run": self.run,
            "outcome": self.outcome,
            "files": {
                key: getattr(self.files, key) for key in ("seen", "new", "changed", "moved", "removed", "problems")
            },
            "bytes": {key: getattr(self.bytes, key) for key in ("seen", "new", "sent", "wire_up", "wire_down")},
            "seconds": {key: round(getattr(self.seconds, key), 3) for key in ("scan", "send", "commit", "total")},
            "problems": [{"path": problem.path, "why": problem.why} for problem in self.problems],
            "reason": self.reason,
        }
