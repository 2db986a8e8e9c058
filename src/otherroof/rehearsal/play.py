"""The play: a household is invented, copied, lives through a day, is copied and restored, and a disaster is held.

It compares what comes back entry by entry, with code of its own. What copies and restores is handed in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

from otherroof.base.clock import Clock
from otherroof.base.units import count_text, size_text
from otherroof.copying.report import RunReport
from otherroof.rehearsal.compare_trees import Tree, TreeDifference, differences, read_tree
from otherroof.rehearsal.day import DayChanges, change_like_a_day, empty_main_folders
from otherroof.rehearsal.household import invent
from otherroof.rehearsal.stage import RehearsalSetup

FIRST_DAY_SEED = 1301
SECOND_DAY_SEED = 1302
SHOWN = 20


@dataclass(frozen=True, slots=True)
class RestoredCounts:
    """What a restore brought back: files, bytes of content, TCP payload on the wire both ways, and its complaints."""

    files: int
    bytes: int
    wire: int
    complaints: tuple[str, ...] = ()


class CopyTool(Protocol):
    """Copies the household and brings it back: what is rehearsed."""

    def run(self) -> RunReport:
        """One run of the household's job."""
        ...

    def restore(self, run: str, into: str, *, new_machine: bool) -> RestoredCounts:
        """Bring the version that `run` left back into the folder `into`, if asked as a machine without any state."""
        ...


@dataclass(frozen=True, slots=True)
class RehearsalStep:
    """One act, for the closing table; bytes of content new and sent, and on the wire both ways. None: not measured."""

    name: str
    seconds: float
    files: int | None = None
    new: int | None = None
    sent: int | None = None
    wire: int | None = None


@dataclass(slots=True)
class RehearsalResult:
    """How it went: the acts, what was not as it should be, and what came back unlike."""

    acts: list[RehearsalStep] = field(default_factory=list)
    wrong: list[str] = field(default_factory=list)
    unlike: list[TreeDifference] = field(default_factory=list)

    @property
    def well(self) -> bool:
        """Whether all was as it should be."""
        return not self.wrong and not self.unlike

    def as_json(self) -> dict[str, Any]:
        """The verdict as `rehearse --json` prints it; sizes in bytes."""
        return {
            "well": self.well,
            "acts": [
                {
                    "act": act.name,
                    "seconds": round(act.seconds, 3),
                    "files": act.files,
                    "bytes": {"new": act.new, "sent": act.sent, "wire": act.wire},
                }
                for act in self.acts
            ],
            "wrong": self.wrong,
            "differences": [difference.line() for difference in self.unlike],
        }


class Rehearsal:
    """One whole rehearsal."""

    def __init__(
        self, stage: RehearsalSetup, keeper: CopyTool, clock: Clock, tell: Callable[[str], None], *, owners: bool
    ) -> None:
        self._stage = stage
        self._keeper = keeper
        self._clock = clock
        self._tell = tell
        self._owners = owners
        self._verdict = RehearsalResult()

    def perform(self) -> RehearsalResult:
        """All acts in their order; stops early only if nothing is left to compare."""
        self._invent()
        first_day = read_tree(self._stage.household)
        first = self._copy("first copy")
        self._live_a_day()
        second_day = read_tree(self._stage.household)
        second = self._copy("second copy")
        if second is not None:
            self._tell("Restoring the newest version and comparing it entry by entry …")
            self._bring_back("the newest version", second.run, second_day, new_machine=False)
        if first is not None:
            self._tell("Restoring the version before, as a new machine with nothing but settings and keys would …")
            self._bring_back("the version before", first.run, first_day, new_machine=True)
        self._suffer_a_disaster()
        return self._verdict

    def _invent(self) -> None:
        self._tell("Inventing a household: letters, scans, photos, mail, a database, odd names, links, holes …")
        began = self._clock.monotonic()
        made = invent(self._stage.household, FIRST_DAY_SEED)
        seconds = self._clock.monotonic() - began
        self._verdict.acts.append(RehearsalStep("household invented", seconds, made.files, made.bytes))
        self._tell(
            f"  {count_text(made.files, 'file')}, {count_text(made.folders, 'folder')} "
            f"and {count_text(made.links, 'link')}, {size_text(made.bytes)}"
        )
        self._tell(f"A stand-in far box answers on {self._stage.box.address} port {self._stage.box.port}.")

    def _copy(self, name: str) -> RunReport | None:
        self._tell(f"The {name} goes to the far box …")
        report, seconds = self._timed_run()
        sizes = report.bytes
        self._verdict.acts.append(
            RehearsalStep(name, seconds, report.files.seen, sizes.new, sizes.sent, sizes.wire_up + sizes.wire_down)
        )
        self._tell(
            f"  {report.outcome}: {report.files.new:,} new, {report.files.changed:,} changed, "
            f"{report.files.moved:,} moved, {report.files.removed:,} removed; {size_text(sizes.sent)} sent"
        )
        if report.outcome == "done":
            return report
        told = "; ".join(problem.text for problem in report.problems[:3])
        why = " ".join(filter(None, (report.reason, told)))
        self._fault(f"the {name} should be done, but is {report.outcome!r}: {why or 'no reason was given'}")
        return report if report.outcome == "done with problems" else None

    def _timed_run(self) -> tuple[RunReport, float]:
        began = self._clock.monotonic()
        report = self._keeper.run()
        return report, self._clock.monotonic() - began

    def _live_a_day(self) -> None:
        self._tell("A day passes in the household …")
        changes = change_like_a_day(self._stage.household, SECOND_DAY_SEED)
        self._tell(f"  {_day_text(changes)}")

    def _bring_back(self, name: str, run: str, wanted: Tree, *, new_machine: bool) -> None:
        into = self._stage.back(run)
        began = self._clock.monotonic()
        restored = self._keeper.restore(run, into, new_machine=new_machine)
        seconds = self._clock.monotonic() - began
        self._verdict.acts.append(
            RehearsalStep(f"restored {name}", seconds, restored.files, restored.bytes, None, restored.wire)
        )
        self._complain(name, restored.complaints)
        unlike = differences(wanted, read_tree(into), owners=self._owners)
        self._verdict.unlike += unlike
        if not unlike:
            entries = count_text(len(wanted), "entry", "entries")
            self._tell(f"  all is as it was, {entries}: content, names, times, rights, links, holes")
            return
        self._tell(f"  {count_text(len(unlike), 'difference')}:")
        for difference in unlike[:SHOWN]:
            self._tell(f"    {difference.line()}")

    def _complain(self, name: str, complaints: tuple[str, ...]) -> None:
        if complaints:
            more = f" (and {len(complaints) - 1} more)" if len(complaints) > 1 else ""
            self._fault(f"restoring {name}: {complaints[0]}{more}")

    def _suffer_a_disaster(self) -> None:
        self._tell("A disaster at home: mail and letters are deleted. The next run must stop and send nothing …")
        gone = empty_main_folders(self._stage.household)
        report, seconds = self._timed_run()
        sizes = report.bytes
        wire = sizes.wire_up + sizes.wire_down
        self._verdict.acts.append(RehearsalStep("held run", seconds, report.files.seen, sizes.new, sizes.sent, wire))
        if report.outcome != "held" or sizes.sent:
            self._fault(
                f"{count_text(gone, 'file was', 'files were')} deleted; the run should be held, "
                f"but is {report.outcome!r}"
            )
        else:
            self._tell(f"  held: {report.reason}")

    def _fault(self, what: str) -> None:
        self._verdict.wrong.append(what)
        self._tell(f"  NOT AS IT SHOULD BE: {what}")


def _day_text(changes: DayChanges) -> str:
    parts = {
        "new": changes.new,
        "edited": changes.edited,
        "moved": changes.moved,
        "removed": changes.removed,
        "copied": changes.copied,
        "only touched": changes.touched,
        "with other rights": changes.rights,
    }
    return ", ".join(f"{count} {name}" for name, count in parts.items())
