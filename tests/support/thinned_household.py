"""A job whose versions are thinned, on an invented calendar, over the stand-in or any other far box."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from unittest.mock import patch

from otherroof.base.clock import SteppedClock
from otherroof.far.clock_offset import ClockOffset
from otherroof.jobs.context import JobContext
from otherroof.jobs.thinning.thin import Deed, ThinProgress, ThinReport, thin
from otherroof.ledger import Ledger
from support.main_job import JOB, OneJob, one_job

KEEPS = {
    "guard": {"from_files": 100_000},
    "versions": {"at_least": 1, "thin_wait_days": 2, "spacing": {"1 day": "every run", "1 year": "one a year"}},
}
START = datetime(2031, 3, 3, 2, 30, tzinfo=UTC)
ALIKE = ClockOffset(0.0, 0.5)


class Household:
    """A job on an invented calendar. What is noted at the far end gets that calendar's time as well."""

    def __init__(self, job: OneJob, clock: SteppedClock) -> None:
        self.job, self.clock = job, clock
        self.runs: list[str] = []

    def day(self, *, run: bool = True) -> None:
        """A day passes, and perhaps a run that goes well."""
        self.clock.step(86_400)
        if run:
            self.runs.append(self.job.done().run)

    def thin(self, deed: Deed = "apply", let_go: str = "") -> ThinReport:
        before = set(self._note_files())
        with self.ledger() as ledger:
            found = thin(self.job.settings, JOB, deed, JobContext(ThinProgress(), ledger, self.clock), let_go)
        for path in set(self._note_files()) - before:
            os.utime(path, (self.clock.now().timestamp(),) * 2)
        return found

    def ledger(self) -> Ledger:
        return Ledger(self.job.settings.ledger)

    def versions(self) -> list[str]:
        return sorted(path.name[: -len(".jsonl.gz")] for path in (self.job.far / "runs").glob("*.jsonl.gz"))

    def notes(self, kind: str = "goes") -> list[str]:
        return sorted(path.name.split(".")[0] for path in (self.job.far / "runs").glob(f"*.{kind}"))

    def _note_files(self) -> list[Path]:
        return list((self.job.far / "runs").glob("*.goes"))

    def all_that_stay_come_back(self) -> None:
        standing = self.versions()
        self.job.trees = {run: tree for run, tree in self.job.trees.items() if run in standing}
        assert sorted(self.job.trees) == standing
        self.job.all_come_back()

    @classmethod
    def like(cls, other: Household, job: OneJob, clock: SteppedClock) -> Household:
        """The same household once more, in another folder, with `clock` at the other's moment."""
        job.go_on_from(other.job)
        found = cls(job, clock)
        found.runs = list(other.runs)
        return found


@contextmanager
def thinned_household(where: Path) -> Iterator[Household]:
    """One over a stand-in far box, with nothing in it yet."""
    clock = SteppedClock(START)
    with one_job(where, job_more=KEEPS, clock=clock) as job, clocks_alike():
        yield Household(job, clock)


def clocks_alike() -> AbstractContextManager[object]:
    """The far box's clock says what home's says, though home's calendar is invented."""
    return patch("otherroof.far.trial_file.clock_offset", lambda *_: ALIKE)
