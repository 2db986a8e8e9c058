"""What a run counted: values only, shared by the run itself, the ledger and every report."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, fields
from typing import Any, Literal

from otherroof.copying.compare.change import PlanTotals

Outcome = Literal["done", "done with problems", "held", "failed", "cut"]
OUTCOMES: tuple[Outcome, ...] = ("done", "done with problems", "held", "failed", "cut")
# Why a run was cut whose window ended: it had filled its time.
WINDOW_ENDED = "its window has closed; it goes on in the next one"
MONTH_ENDED = "the far box's allowance for this month is used up; it goes on next month"
GOOD: tuple[Outcome, ...] = ("done", "done with problems")


def outcome_text(outcome: str) -> str:
    """An outcome in words for people; what scripts read stays as it is."""
    return "stopped early" if outcome == "cut" else outcome


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure that a run counts: it stands in a report as `<part>.<name>`, in the ledger and in CSV as `column`.

    What is not `shown` is kept, but is in no JSON and no CSV.
    """

    part: str
    name: str
    column: str
    shown: bool


def _figure(column: str, start: float = 0, *, shown: bool = True) -> Any:
    """A field that is a figure: with its line all that is to be known of it is said."""
    return field(default=start, metadata={"column": column, "shown": shown})


@dataclass(slots=True)
class FileCounts:
    """Numbers of entries. `left_out` are sockets, devices and fifos, which no copy holds."""

    seen: int = _figure("seen")
    new: int = _figure("new")
    changed: int = _figure("changed")
    moved: int = _figure("moved")
    removed: int = _figure("removed")
    problems: int = _figure("problems")
    left_out: int = _figure("left_out", shown=False)


@dataclass(slots=True)
class ByteCounts:
    """Content seen, content of new and changed files, content sent; TCP payload on the wire both ways; and what had to
    be sent as the run began, less what an earlier one left half sent (0 if it did not get so far)."""

    seen: int = _figure("bytes_seen")
    new: int = _figure("bytes_new")
    sent: int = _figure("bytes_sent")
    wire_up: int = _figure("wire_up")
    wire_down: int = _figure("wire_down")
    to_send: int = _figure("bytes_to_send", shown=False)


@dataclass(slots=True)
class StepSeconds:
    """Where the time went, in seconds."""

    scan: float = _figure("scan_s", 0.0)
    send: float = _figure("send_s", 0.0)
    commit: float = _figure("commit_s", 0.0)
    total: float = _figure("total_s", 0.0)


_PARTS: dict[str, Any] = {"files": FileCounts, "bytes": ByteCounts, "seconds": StepSeconds}
FIGURES = tuple(Figure(part, one.name, **one.metadata) for part, kind in _PARTS.items() for one in fields(kind))
_BYTES_AT, _SECONDS_AT = ([one.part for one in FIGURES].index(part) for part in ("bytes", "seconds"))


def parts_of(values: Sequence[Any]) -> tuple[FileCounts, ByteCounts, StepSeconds]:
    """The parts of a report from figures that stand in the order of FIGURES."""
    return (
        FileCounts(*values[:_BYTES_AT]),
        ByteCounts(*values[_BYTES_AT:_SECONDS_AT]),
        StepSeconds(*values[_SECONDS_AT:]),
    )


@dataclass(frozen=True, slots=True)
class Problem:
    """One entry that could not be copied, and why. The path is shown as text, however its bytes look; it is empty if
    the problem is about no entry."""

    path: str
    why: str

    @property
    def text(self) -> str:
        """The problem on one line, for people."""
        return f"{self.path}: {self.why}" if self.path else self.why


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
        """Paths that could not be copied; what scan and sending both met is told once."""
        known = set(self.problems)  # an unreadable folder may hold a hundred thousand
        self.problems += [problem for problem in problems if problem not in known]

    def note_totals(self, totals: PlanTotals) -> None:
        """What the run would change, or has changed."""
        files = self.files
        files.new, files.changed, files.moved, files.removed = totals.new, totals.changed, totals.moved, totals.removed
        self.bytes.new = totals.fresh_bytes
        files.problems = sum(1 for problem in self.problems if problem.path)

    @property
    def figures(self) -> dict[str, int | float]:
        """Every figure by its column, in the order of FIGURES."""
        return {one.column: getattr(getattr(self, one.part), one.name) for one in FIGURES}

    def as_json(self) -> dict[str, Any]:
        """The report as `run --json` prints it."""
        parts: dict[str, dict[str, int | float]] = {part: {} for part in _PARTS}
        for one in FIGURES:
            if one.shown:
                parts[one.part][one.name] = rounded(getattr(getattr(self, one.part), one.name))
        return {
            "job": self.job,
            "run": self.run,
            "outcome": self.outcome,
            **parts,
            "problems": [{"path": problem.path, "why": problem.why} for problem in self.problems],
            "reason": self.reason,
        }


def rounded(figure: int | float) -> int | float:
    """A figure as reports show it: seconds to the millisecond, numbers of things as they are."""
    return round(figure, 3)
