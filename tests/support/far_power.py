"""A household whose far box may lose its power at any moment: a real sshd on an emulated disk, and what is left of it.

Each day a run goes on for real while moments are picked: home is halted, its state is copied, and the disk's log
tells which moment that was. Afterwards the disk as a power cut would have left it is mounted in its place, each version
on it is looked at, and the next run goes against it. `run_with_fall` lets the power go while the run goes on.

Disks are unmounted and mounted again in one place, which must not be held by another process's mounts meanwhile: only
for programs that have mounts of their own (`tests/campaign/power_cuts.py`).
"""

from __future__ import annotations

import os
import random
import shutil
import signal
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from otherroof.copying.report import GOOD
from otherroof.rehearsal.compare_trees import read_tree
from support.killable import Killable
from support.lab import FarSshd, LabFault, call
from support.main_job import OneJob, level_way
from support.open_versions import broken_in_folder
from support.power_days import GUARD_OFF, PowerDays
from support.slow_disk import DiskTimes, SlowDisk, mounted_image

# Quick, so that a run takes a second or two; slow enough that moments fall into all parts of it.
TIMES = DiskTimes(0.0004, 0.0006, 0.0)
HALT_S = 10.0


@dataclass(frozen=True, slots=True)
class Moment:
    """A moment at which the power may have gone. `state`: home's state folder as it was then, if that is known."""

    at: int
    told: str
    state: Path | None = None
    counted: str = ""  # the run that had been reported as done by then


@dataclass
class FarPower:
    """One household with one job, its sshd, and the disk that is mounted as the far box's base."""

    where: Path
    system: str
    seed: int
    job: OneJob
    sshd: FarSshd
    runs: Killable
    disks: ExitStack
    kinds: bool = True
    wrong: list[str] = field(default_factory=list)
    images: int = 0
    took: float = 1.0

    def __post_init__(self) -> None:
        self.dice = random.Random(f"{self.system} {self.seed}")
        self.days = PowerDays(self.job, self.seed, kinds=self.kinds)
        self._kept = 0
        self._number = 0
        self.disk = self._new_disk(None)

    # -- days --

    def run_with_moments(self, count: int, more: int) -> None:
        """A run, halted at `count` random moments; then images of these, of `more` from the log, and of its success."""
        begun, moments = self.disk.moment(), []
        pid = self.runs.start(["run", "--config", self.job.config])
        started = time.monotonic()
        for wait in sorted(self.dice.uniform(0.0, self.took) for _ in range(count)):
            time.sleep(max(0.0, started + wait - time.monotonic()))
            moments.append(self._halted(pid))
        run = self._ended(started)
        ended = self.disk.moment()
        moments.append(Moment(ended, "when the run had ended", self._keep_state(), run))
        if more:
            moments += [Moment(self.dice.randint(begun, ended), "at some moment of the run") for _ in range(more)]
        self.disk.unmount()
        for moment in sorted(moments, key=lambda moment: moment.at):
            self._look_at(moment)
        self.disk.mount()
        self._own_disk()

    def run_with_fall(self) -> None:
        """A run during which the power goes; the box is there again at once, and the same run goes on."""
        self.runs.start(["run", "--config", self.job.config])
        started = time.monotonic()
        time.sleep(self.dice.uniform(0.05, self.took))
        self.sshd.kill()
        image = self._image(self.disk.moment())
        self.disks.close()
        self.disk = self._new_disk(image)
        self.sshd.start()
        told = f"{self.system}, seed {self.seed}, power gone while the run went on"
        self._compare(told, self._ended(started, may_lack=True))
        self.runs.start(["run", "--config", self.job.config])
        self._compare(f"{told}, and a run later", self._ended(time.monotonic()))

    def _ended(self, started: float, *, may_lack: bool = False) -> str:
        """Wait until the run has ended, note what it found, and answer its id.

        `may_lack`: it may tell of files that it left out, and it may not even have logged in when the power went; then
        nothing is expected of its version, and no id is answered.
        """
        code, _ = self.runs.end()
        report = self.job.rows()[0].report
        if code == 3 and may_lack:
            return ""
        lacking = [problem for problem in report.problems if problem.path]
        if code not in (0, 1) or report.outcome not in GOOD or (lacking and not may_lack):
            told = report.reason or "; ".join(map(str, lacking))
            raise LabFault(f"{self.system}, seed {self.seed}: the run ended with {code}: {told}")
        self.took = 0.5 * self.took + 0.5 * (time.monotonic() - started)
        if not lacking:
            self.job.trees[report.run] = read_tree(str(self.job.folder))
        return report.run if not lacking else ""

    def _halted(self, pid: int) -> Moment:
        os.kill(pid, signal.SIGSTOP)
        until = time.monotonic() + HALT_S
        while _state_of(pid) not in "TtZ":
            assert time.monotonic() < until, "the run cannot be halted"
            time.sleep(0.001)
        state = self._keep_state()
        moment = Moment(self.disk.moment(), "while home was halted", state)
        if self.dice.random() < 0.3:
            call(["sync", "-f", str(self.disk.path)])  # as the kernel may at any time
        os.kill(pid, signal.SIGCONT)
        return moment

    # -- what is left --

    def _look_at(self, moment: Moment) -> None:
        self._number += 1
        told = f"{self.system}, seed {self.seed}, image {self._number}, {moment.told}"
        image = self._image(moment.at)
        again = self.where / "again.img"
        again.unlink(missing_ok=True)
        shutil.copyfile(image, again)
        with mounted_image(image, self.system, self.disk.path):
            self._compare(told, moment.counted)
            if moment.state is not None:
                self._next_run(f"{told}, then a run with home's state", moment.state)
        with mounted_image(again, self.system, self.disk.path):
            self._next_run(f"{told}, then a run without home's state", None)
        if moment.state is not None:
            shutil.rmtree(moment.state)

    def _compare(self, told: str, counted: str) -> None:
        """Every version that stands is whole, by the layout's rule and by the product's own restore."""
        for run, broken in broken_in_folder(self.job.far, self.job.trees).items():
            self.wrong.append(f"{told}: version {run}: {len(broken)} wrong, first {broken[0]}")
        runs = sorted(run for run in self.job.trees if self.job.listing(run).exists())
        if counted and counted not in runs:
            self.wrong.append(f"{told}: the listing of {counted} is gone")
        for run in runs[-1:]:
            self.wrong += [f"{told}: restored {run}: {line}" for line in self.job.unlike(run)[:1]]

    def _next_run(self, told: str, state: Path | None) -> None:
        with self._state_as(state):
            ran = self.job.run()
        run = ran.report.run
        if ran.error is not None or ran.report.outcome not in GOOD:
            self.wrong.append(f"{told}: ended with {ran.error or ran.report.reason}")
        else:
            self._compare(told, run)
            self.wrong += [f"{told}: {problem}" for problem in ran.report.problems if problem.path]
        self.job.trees.pop(run, None)

    def _image(self, at: int) -> Path:
        self.images += 1
        return self.disk.power_cut(at, self.dice, self.where / "after.img")

    def _new_disk(self, begin: Path | None) -> SlowDisk:
        self._kept += 1
        folder = self.where / f"disk {self._kept}"
        disk = SlowDisk(folder, self.system, at=self.sshd.base_path, times=TIMES, record=True, begin=begin)
        self.disks.enter_context(disk)
        self._own_disk()
        return disk

    def _own_disk(self) -> None:
        os.chmod(self.sshd.base_path, 0o700)

    # -- home's state --

    def _keep_state(self) -> Path:
        self._kept += 1
        kept = self.where / f"state {self._kept}"
        shutil.copytree(self.job.state, kept)
        return kept

    @contextmanager
    def _state_as(self, kept: Path | None) -> Iterator[None]:
        """Home's state folder is as `kept`, or lost; afterwards it is again what it was."""
        state, aside = self.job.state, self.where / "state aside"
        state.rename(aside)
        try:
            if kept is not None:
                shutil.copytree(kept, state)
            yield
        finally:
            shutil.rmtree(state, ignore_errors=True)
            aside.rename(state)


@contextmanager
def far_power(where: Path, system: str, seed: int, *, kinds: bool = True) -> Iterator[FarPower]:
    """The household, before its first day. `kinds`: files become folders there, and the like."""
    with FarSshd() as sshd, Killable(where / "told") as runs, level_way(), ExitStack() as disks:
        far_more = {"connections": 2, "tries": 12, "pause_s": 0.05}
        job = OneJob(where, sshd, far_more=far_more, job_more=GUARD_OFF)
        yield FarPower(where, system, seed, job, sshd, runs, disks, kinds)


def _state_of(pid: int) -> str:
    with open(f"/proc/{pid}/stat", encoding="utf-8", errors="replace") as file:
        return file.read().rpartition(")")[2].split()[0]
