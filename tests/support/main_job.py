"""One job between a folder at home and a far box, driven by the same calls that the verbs make.

`OneJob` remembers what the folder was at each run, so that a test can ask whether every version still comes back.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Protocol
from unittest.mock import patch

from otherroof.base.clock import Clock, SteppedClock, SystemClock
from otherroof.copying.progress import Progress
from otherroof.copying.report import RunReport
from otherroof.jobs.context import JobContext
from otherroof.jobs.restore import RestoreRequest, restore
from otherroof.jobs.run import RunOptions, RunResult, run_job
from otherroof.ledger import Ledger, RunRow
from otherroof.rehearsal.compare_trees import Tree, differences, read_tree
from otherroof.rehearsal.far_box.stand_in import fresh_key
from otherroof.restore.selection import RestoreReport
from otherroof.restore.target import Existing
from otherroof.settings import Settings, require_settings
from support.faulty_box import Faults, FaultyBox, Offers
from support.lab.household import write_settings

JOB = "papers"
FAR = "heron"


class Door(Protocol):
    """What settings need to know of a far box, real or not, and where its base is as this machine sees it."""

    address: str
    port: int
    account: str
    login_key: str
    base: str
    base_path: str

    @property
    def host_key_line(self) -> str: ...


@dataclass
class StandInDoor:
    """A stand-in as `write_settings` wants it."""

    box: FaultyBox
    login_key: str
    base_path: str
    account: str = "copykeeper"
    base: str = "/copies"

    @property
    def address(self) -> str:
        return self.box.address

    @property
    def port(self) -> int:
        return self.box.port

    @property
    def host_key_line(self) -> str:
        return self.box.host_key_line

    def misbehave(self, **faults: Any) -> None:
        """Put these faults in force; none: all is well again."""
        self.box.misbehave(Faults(**faults))


@contextmanager
def stand_in_door(where: Path, offers: Offers | None = None) -> Iterator[StandInDoor]:
    """A stand-in far box with its files below `where`."""
    disk = where / "far-box"
    (disk / "copies").mkdir(parents=True)
    private, public = fresh_key()
    key = where / "login_key"
    key.write_bytes(private)
    key.chmod(0o600)
    with FaultyBox(str(disk), public, offers=offers) as box:
        yield StandInDoor(box, str(key), str(disk / "copies"))


@dataclass
class OneJob:
    """A household with one job. `trees` holds the folder as each run that counted found it."""

    where: Path
    door: Door
    far_more: Mapping[str, Any] = field(default_factory=dict)
    job_more: Mapping[str, Any] = field(default_factory=dict)
    clock: Clock = field(default_factory=SystemClock)
    trees: dict[str, Tree] = field(default_factory=dict)
    restores: int = 0
    _read: tuple[object, Settings] | None = field(default=None, init=False, repr=False)

    def __post_init__(self) -> None:
        self.folder = self.where / "home" / JOB
        self.folder.mkdir(parents=True, exist_ok=True)
        self.write_settings()

    def write_settings(self) -> None:
        """Write the settings folder; once more after something in them changed."""
        quick = {"connections": 1, "pause_s": 0.01, "answer_s": 20.0}
        job = {"folder": str(self.folder), **self.job_more}
        self.config = write_settings(
            self.where / "settings",
            self.door,
            {JOB: job},
            far_more={**quick, **self.far_more},  # type: ignore[arg-type]
        )

    @property
    def settings(self) -> Settings:
        """As they stand in their files now, which are read again only if one of them is another: it takes longer than
        most of what is asked of the job."""
        here = Path(self.config)
        found = [(str(path), path.stat()) for path in sorted((*here.glob("*.toml"), *here.glob("jobs/*.toml")))]
        stand = tuple((name, seen.st_ino, seen.st_size, seen.st_mtime_ns, seen.st_ctime_ns) for name, seen in found)
        if self._read is None or self._read[0] != stand:
            self._read = (stand, require_settings(self.config))
        return self._read[1]

    @property
    def state(self) -> Path:
        return Path(self.settings.state)

    @property
    def far(self) -> Path:
        """The job's far folder, seen from this machine."""
        return Path(self.door.base_path) / JOB

    @property
    def latest(self) -> Path:
        return self.far / "latest"

    def earlier(self, run: str) -> Path:
        return self.far / "earlier" / run

    def listing(self, run: str) -> Path:
        return self.far / "runs" / f"{run}.jsonl.gz"

    # -- at home --

    def put(self, name: str | bytes, content: bytes | str = b"", *, mode: int = 0o644) -> Path:
        """A file in the folder, with the folders above it."""
        path = self.folder / os.fsdecode(name)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        path.chmod(mode)
        return path

    def path(self, name: str | bytes) -> Path:
        return self.folder / os.fsdecode(name)

    # -- runs --

    def run(
        self, *, dry: bool = False, reread: bool = False, tick: Callable[[Progress], None] = lambda _: None
    ) -> RunResult:
        """One run, however it ends."""
        settings = self.settings
        progress = Progress()
        with Ledger(settings.ledger) as ledger:
            context = JobContext(progress, ledger, self.clock, tick=lambda: tick(progress))
            ran = run_job(settings, JOB, context, RunOptions(dry, reread))
        if ran.error is None and not dry:
            self.trees[ran.report.run] = read_tree(str(self.folder))
        return ran

    def done_at(self, moment: datetime) -> str:
        """A run at this moment by home's clock, which must go well; its id."""
        self.clock = SteppedClock(moment)
        ran = self.run()
        assert ran.error is None, ran.error
        return ran.report.run

    def done(self, *, reread: bool = False) -> RunReport:
        """One run that must go well to the last file."""
        ran = self.run(reread=reread)
        assert ran.error is None, ran.error
        assert (ran.report.outcome, ran.report.problems) == ("done", []), ran.report
        return ran.report

    def release(self) -> None:
        """What the verb `release` does."""
        with Ledger(self.settings.ledger) as ledger:
            assert ledger.holds.release(JOB, self.clock.now())

    def rows(self) -> list[RunRow]:
        """The ledger's runs, newest first."""
        with Ledger(self.settings.ledger) as ledger:
            return ledger.runs.rows()

    def go_on_from(self, other: OneJob) -> None:
        """Take over folder, state, listing key and far copy of another household, at the paths of this one.

        For tests that all begin at the same point: to copy it costs less than to get there again.
        """
        key = self.settings.home.listing_key
        shutil.copy(other.settings.path(key), self.settings.path(key))
        for name in ("folder", "state", "far"):
            theirs, ours = getattr(other, name), getattr(self, name)
            ours.mkdir(exist_ok=True)
            subprocess.run(["cp", "-a", f"{theirs}/.", str(ours)], check=True, timeout=60)
        self.trees = dict(other.trees)

    def forget_state(self) -> None:
        """The state folder is gone, as after a disk was exchanged."""
        shutil.rmtree(self.state)

    # -- back --

    def restore(
        self, as_of: str = "", *, paths: tuple[bytes, ...] = (), existing: Existing = "refuse", into: Path | None = None
    ) -> tuple[RestoreReport, Path]:
        """Bring a version back into a new folder."""
        self.restores += 1
        target = into or self.where / "restored" / str(self.restores)
        target.parent.mkdir(parents=True, exist_ok=True)
        return restore(self.settings, RestoreRequest(JOB, os.fsencode(target), as_of, existing, paths)), target

    def unlike(self, run: str) -> list[str]:
        """Every difference between what `run` found and what its restore brings back."""
        found, target = self.restore(run)
        told = [f"{one.path}: {one.why}" for one in (*found.damaged, *found.problems)]
        return told + [one.line() for one in differences(self.trees[run], read_tree(str(target)))]

    def all_come_back(self) -> None:
        """Every version that a run made comes back exactly."""
        assert self.trees, "no run counted"
        for run in self.trees:
            assert self.unlike(run) == [], run


@contextmanager
def one_job(where: Path, *, offers: Offers | None = None, **more: Any) -> Iterator[OneJob]:
    """A household with a stand-in far box; `more` goes to OneJob."""
    with stand_in_door(where, offers) as door, level_way():
        yield OneJob(where, door, **more)


@contextmanager
def level_way() -> Iterator[None]:
    """No network rungs are climbed: they have tests of their own, and take longer than these copies."""

    @contextmanager
    def no_rungs(*_: object, **__: object) -> Iterator[SimpleNamespace]:
        yield SimpleNamespace(trouble="")

    with patch("otherroof.jobs.open_job.open_way", no_rungs):
        yield
