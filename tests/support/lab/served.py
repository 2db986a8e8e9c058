"""A household with the service as a process, against a real sshd: for tests that look at it from outside."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

from otherroof.base.clock import SystemClock
from otherroof.ledger import Ledger, RunRow
from otherroof.ledger.job_times import JobTimes
from otherroof.settings import require_settings
from support import waiting
from support.fresh_start import OTHERROOF
from support.lab.household import write_settings
from support.lab.sshd import FarSshd
from support.loaded import LoadedVerbs

until = partial(waiting.until, pause_s=0.1)  # each look reads a ledger or whole folders


class Household:
    """Settings that point at a far box, a folder to protect, and the service as a process."""

    def __init__(self, where: Path, far: FarSshd, jobs: Mapping[str, Mapping[str, Any]], **far_more: object) -> None:
        self.far = far
        self.where = where
        self.far_more = far_more
        self.log = where / "service.log"
        self.verbs = LoadedVerbs()
        self.process: subprocess.Popen[bytes] | None = None
        self.folders = {name: where / name for name in jobs}
        for folder in self.folders.values():
            folder.mkdir(parents=True)
        self.jobs = {name: {"folder": str(self.folders[name]), **more} for name, more in jobs.items()}
        self.write()
        self.settings = require_settings(str(where / "settings"))

    def write(self) -> None:
        """Write the settings as they are now."""
        write_settings(self.where / "settings", self.far, self.jobs, far_more=self.far_more)

    def overdue(self, job: str) -> None:
        """Let the job be owed a run at once."""
        times = f"{self.settings.jobs[job].at} {self.settings.home.zone}"
        with Ledger(self.settings.ledger) as ledger:
            ledger.job_times.note(JobTimes(job, times, SystemClock().now() - timedelta(days=3)))

    def let_pass(self, job: str, minutes: float) -> None:
        """As if the job's last attempt had been so much earlier."""
        turn, span = self.turn(job), timedelta(minutes=minutes)
        assert turn.begun is not None
        assert turn.ended is not None
        with Ledger(self.settings.ledger) as ledger:
            ledger.job_times.note(replace(turn, begun=turn.begun - span, ended=turn.ended - span))

    def start(self) -> subprocess.Popen[bytes]:
        """Start the service."""
        with self.log.open("ab") as log:
            argv = [OTHERROOF, "serve", "--config", str(self.where / "settings")]
            self.process = subprocess.Popen(argv, stderr=log, stdin=subprocess.DEVNULL)
        return self.process

    def kill(self) -> None:
        """End it as a power cut does."""
        if self.process is not None:
            self.process.kill()
            self.process.wait(10)

    def otherroof(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Another command on the same settings."""
        return self.verbs.run([*words, "--config", str(self.where / "settings")], timeout=60)

    def told(self) -> str:
        """All that the service has said."""
        return self.log.read_text()

    def runs(self, job: str = "") -> list[RunRow]:
        """The ledger's runs, oldest first."""
        with Ledger(self.settings.ledger) as ledger:
            return ledger.runs.rows(job=job)[::-1]

    def busy(self) -> bool:
        """Whether a run is under way."""
        with Ledger(self.settings.ledger) as ledger:
            return any(one.begun is not None and one.ended is None for one in ledger.job_times.by_job().values())

    def turn(self, job: str) -> JobTimes:
        """How far the job is."""
        with Ledger(self.settings.ledger) as ledger:
            return ledger.job_times.by_job()[job]

    def same(self, job: str) -> bool:
        """Whether the far copy's newest files are those of the folder."""
        latest = Path(self.far.base_path) / job / "latest"
        return _content(latest) == _content(self.folders[job])


def _content(folder: Path) -> dict[str, bytes]:
    if not folder.is_dir():
        return {}
    return {str(one.relative_to(folder)): one.read_bytes() for one in folder.rglob("*") if one.is_file()}


@contextmanager
def household(
    where: Path, far: FarSshd, jobs: Mapping[str, Mapping[str, Any]], **far_more: object
) -> Iterator[Household]:
    made = Household(where, far, jobs, **far_more)
    try:
        with made.verbs:
            yield made
    finally:
        made.kill()
