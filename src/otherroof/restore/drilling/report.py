"""What came of a drill, as values; how it is shown, and what follows from it, is for others."""

from __future__ import annotations

from dataclasses import dataclass, field

from otherroof.copying.report import Problem
from otherroof.forecast.restore_time import TimeBack
from otherroof.restore.drilling.choice import VersionSums
from otherroof.restore.drilling.compare import DrillComparison


@dataclass(slots=True)
class DrillReport:
    """A drill of one version. Sizes are in bytes, times in seconds.

    `whole`: all of the version was to come back, not a part. `damaged` are files that could not be had as the listing
    says, `lacks` what did not come back for another reason, `left_off` properties that this account or disk cannot set.
    `back` is how long all would take; None if nothing was measured. `check_code` and `check_said` are how the job's own
    check ended; None if it has none, or was not come to. `cut` says why it ended before it was through; `had_its_time`:
    because it had used all the time that it may take.
    """

    job: str
    from_nothing: bool = False
    run: str = ""
    whole: bool = False
    files: int = 0
    size: int = 0
    sums: VersionSums = field(default_factory=VersionSums)
    damaged: list[Problem] = field(default_factory=list)
    lacks: list[Problem] = field(default_factory=list)
    left_off: list[Problem] = field(default_factory=list)
    compared: DrillComparison = field(default_factory=DrillComparison)
    versions: int = 0
    took_s: float = 0.0
    wire_up: int = 0
    wire_down: int = 0
    back: TimeBack | None = None
    check_code: int | None = None
    check_said: str = ""
    cut: str = ""
    had_its_time: bool = False

    @property
    def timed_only(self) -> bool:
        """Whether it used up its time, and tells how long all would take by what came until then."""
        return self.had_its_time and self.back is not None

    @property
    def wrong(self) -> list[Problem]:
        """All that is damage: at the far end, or once it lay here."""
        return [*self.damaged, *self.compared.wrong]

    @property
    def needs_a_look(self) -> bool:
        """Whether something besides damage is for a person to look at."""
        return bool(self.lacks or self.compared.odd or self.check_code or self.cut)
