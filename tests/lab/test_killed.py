"""Killed at any instant, home or far: every earlier version comes back, the next run completes, nothing is sent twice.

SIGKILL meets thirty runs, and the far box's server twelve times; with `OTHERROOF_ALL=1` fifty and twenty.
`OTHERROOF_SEED` chooses other moments and other changes; every failure names the seed.
"""

from __future__ import annotations

import hashlib
import os
import random
import signal
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from otherroof.copying.compare.change import LARGE
from otherroof.copying.send.under_way import RELEASE_BYTES
from otherroof.rehearsal.compare_trees import read_tree
from support.commits import AGES
from support.far_disks import far_disk
from support.killable import Killable
from support.lab import FarSshd
from support.lab.need import require_sshd
from support.main_job import OneJob, level_way
from support.quick import ALL
from support.random_days import RandomDays

pytestmark = [pytest.mark.lab, pytest.mark.slow]

SEED = int(os.environ.get("OTHERROOF_SEED", "20310405"))
HOME_KILLS = 50 if ALL else 30
FEWER_KILLS = 5
FAR_KILLS = 20 if ALL else 12
RATE_MBIT = 160  # slow enough that kills fall among the sending too
PIECE = 261_120  # bytes of one write
IN_FLIGHT = 2 * RELEASE_BYTES + 8 * PIECE  # small files and writes that may be on their way, and are sent once more


@dataclass
class Scene:
    """A household whose runs are killed, and what is known of each of its days."""

    job: OneJob
    sshd: FarSshd
    runs: Killable
    dice: random.Random
    days: RandomDays
    took: float = 0.5
    digests: dict[tuple[int, int, int], bytes] = field(default_factory=dict)

    @property
    def argv(self) -> list[str]:
        return ["run", "--config", self.job.config]

    def pass_a_day(self) -> None:
        """Deeds on names that are used again and again, and now and then something large."""
        self.days.pass_one(self.dice.randint(4, 16))
        if self.dice.random() < 0.5:
            self.job.put(f"new/{self.dice.randrange(10**6)}", self.dice.randbytes(self.dice.randrange(2 * LARGE)))
        if self.dice.random() < 0.4:
            self.job.put("film", self.dice.randbytes(self.dice.randrange(2 * LARGE, 6 * LARGE)))

    def note_what_counts(self) -> None:
        """A run that was killed after its commit counts all the same: it is what the folder is now."""
        known = {path.name.removesuffix(".jsonl.gz") for path in (self.job.far / "runs").glob("*")}
        for run in known - self.job.trees.keys():
            self.job.trees[run] = read_tree(str(self.job.folder))

    def missing(self) -> int:
        """Bytes of content at home that are not at the far end, neither whole nor in a half-sent file.

        What stands aside for older versions alone counts as missing: it was sent for them, not by the run that was cut.
        """
        wanted = {self._digest(path): path for path in self.job.folder.rglob("*") if self._is_file(path)}
        newest = max(self.job.trees)
        older = {aside for aside in (self.job.far / "earlier").glob("*") if aside.name <= newest}
        there = {
            self._digest(path)
            for path in self.job.far.rglob("*")
            if self._is_file(path) and not older.intersection(path.parents)
        }
        parts = [path for path in (self.job.far / "incoming").glob("*.part") if path.stat().st_size > LARGE]
        total = 0
        for digest, path in wanted.items():
            if digest not in there:
                total += path.stat().st_size - max((self._arrived(path, part) for part in parts), default=0)
        return total

    def _is_file(self, path: Path) -> bool:
        return path.is_file() and not path.is_symlink()

    def _digest(self, path: Path) -> bytes:
        found = path.stat()
        key = (found.st_ino, found.st_size, found.st_mtime_ns ^ found.st_ctime_ns)
        if key not in self.digests:
            self.digests[key] = hashlib.blake2b(path.read_bytes()).digest()
        return self.digests[key]

    def _arrived(self, path: Path, part: Path) -> int:
        """How much of the beginning of a large file stands in a half-sent one, in whole writes."""
        if path.stat().st_size <= LARGE:
            return 0
        with path.open("rb") as one, part.open("rb") as two:
            arrived = 0
            while (piece := one.read(PIECE)) and piece == two.read(PIECE):
                arrived += len(piece)
        return arrived

    def complete(self) -> None:
        """The next run completes, sends only what is not there, and leaves no run of the ledger without an end."""
        missing = self.missing()
        ran = self.job.run()
        assert ran.error is None, f"seed {SEED}: {ran.error}"
        assert ran.report.problems == [], f"seed {SEED}"
        assert ran.report.bytes.sent <= missing + IN_FLIGHT, f"seed {SEED}"
        self.sent_again = ran.report.bytes.sent - missing
        assert not [row.report.run for row in self.job.rows() if row.under_way], f"seed {SEED}"


@pytest.fixture
def scene(tmp_path: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Scene]:
    """A household; the parameter, if there is one, is the file system of its far disk."""
    require_sshd()
    for module, name, value in AGES:
        monkeypatch.setattr(module, name, value)
    system = getattr(request, "param", "")
    with ExitStack() as stack:
        sshd = stack.enter_context(FarSshd())
        if system:
            stack.enter_context(far_disk(system, tmp_path, sshd.base_path))
        runs = stack.enter_context(Killable(tmp_path / "told"))
        stack.enter_context(level_way())
        far_more = {"connections": 2, "limit_mbit": RATE_MBIT, "tries": 3, "pause_s": 0.1}
        job = OneJob(tmp_path, sshd, far_more=far_more, job_more={"guard": {"from_files": 100_000}})
        dice = random.Random(SEED)
        made = Scene(job, sshd, runs, dice, RandomDays(job.folder, SEED, largest=2 * LARGE))
        made.pass_a_day()
        job.put("stays", b"always here")  # so that the folder is never empty
        made.runs.start(made.argv)
        code, made.took = made.runs.end()
        assert code == 0
        made.note_what_counts()
        yield made


def all_come_back(scene: Scene, told: str) -> None:
    for run in sorted(scene.job.trees):
        assert scene.job.unlike(run) == [], f"seed {SEED}, {told}: version {run}"


@pytest.mark.lasts(100)
def test_killed_at_home_at_many_moments(scene: Scene) -> None:
    """Invariants 1, 2, 3 and 8."""
    kill_at_home(scene, HOME_KILLS)


@pytest.mark.lasts(60)
@pytest.mark.parametrize("scene", ["xfs", "btrfs", "exfat"], indirect=True)
def test_killed_at_home_with_a_far_disk_of_another_kind(scene: Scene) -> None:
    """Invariants 1, 2, 3 and 8."""
    kill_at_home(scene, FEWER_KILLS)


def kill_at_home(scene: Scene, kills: int) -> None:
    """Runs are killed at so many random moments, most of them once the run stands in the ledger; each time the next one
    completes."""
    job, cut, number = scene.job, 0, 0
    again: list[int] = []
    while cut < kills or in_ledger_as_cut(scene) < kills * 0.7:
        number += 1
        assert number < 4 * kills + 5, "too few kills fall into a run: the test would say little"
        scene.pass_a_day()
        pid = scene.runs.start(scene.argv)
        timer = threading.Timer(scene.dice.uniform(0.02, scene.took), scene.runs.kill, [pid])
        timer.start()
        code, seconds = scene.runs.end_after(timer)
        assert code in (0, -signal.SIGKILL), f"seed {SEED}, kill {number}: see {job.where}/told"
        cut += code != 0
        scene.took = 0.8 * scene.took + 0.2 * seconds if code == 0 else scene.took * 1.02
        scene.note_what_counts()
        newest = max(job.trees)
        assert job.unlike(newest) == [], f"seed {SEED}, kill {number}"
        scene.complete()
        again.append(scene.sent_again)
    print(f"\n{cut} of {number} runs were killed, {in_ledger_as_cut(scene)} are in the ledger as cut;")
    print(f"sent once more: at most {max(again)} bytes, {sum(one > 0 for one in again)} times at all")
    assert {row.report.outcome for row in job.rows()} == {"cut", "done"}
    all_come_back(scene, "in the end")


def in_ledger_as_cut(scene: Scene) -> int:
    """How many runs were killed after they had begun, and not while the program started."""
    return [row.report.outcome for row in scene.job.rows()].count("cut")


@pytest.mark.lasts(60)
def test_far_server_killed_at_many_moments(scene: Scene) -> None:
    """Its sessions alone, so that the run connects anew; or all of it, until the run has given up."""
    job, hit, number = scene.job, 0, 0
    while hit < FAR_KILLS:
        number += 1
        assert number < 3 * FAR_KILLS, "too few falls meet a session: the test would say little"
        scene.pass_a_day()
        alone = number % 2 == 0
        ended: list[int] = []

        def fall(alone: bool = alone, ended: list[int] = ended) -> None:
            if alone:
                ended.append(scene.sshd.cut_sessions())
            else:
                scene.sshd.kill()
                ended.append(1)

        missing = scene.missing()
        scene.runs.start(scene.argv)
        timer = threading.Timer(scene.dice.uniform(0.02, scene.took), fall)
        timer.start()
        code, seconds = scene.runs.end_after(timer)
        if not alone:
            scene.sshd.start()
        hit += bool(ended and ended[0])
        if not ended:
            scene.took = 0.8 * scene.took + 0.2 * seconds
        assert code in (0, 3), f"seed {SEED}, fall {number}: see {job.where}/told"
        scene.note_what_counts()
        row = job.rows()[0].report
        if alone:
            assert (code, row.outcome) == (0, "done"), f"seed {SEED}, fall {number}: {row.reason}"
            assert row.bytes.sent <= missing + IN_FLIGHT, f"seed {SEED}, fall {number}"
        newest = max(job.trees)
        assert job.unlike(newest) == [], f"seed {SEED}, fall {number}"
        scene.complete()
    rows = [row.report.outcome for row in job.rows()]
    print(f"\n{hit} of {number} falls met a session; {rows.count('failed')} runs failed and were made good")
    all_come_back(scene, "in the end")
