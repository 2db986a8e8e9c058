"""A rehearsal must be able to fail: whatever a copy does wrong, the play names it. And its stage leaves nothing behind.

The keeper here is `cp -a`, a program that no one here wrote, made to go wrong in one way at a time.
"""

from __future__ import annotations

import os
import subprocess
import tempfile
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import WrongUse
from otherroof.copying.report import ByteCounts, FileCounts, Outcome, Problem, RunReport
from otherroof.rehearsal import household
from otherroof.rehearsal.household import DATABASE
from otherroof.rehearsal.play import Rehearsal, RehearsalResult, RestoredCounts
from otherroof.rehearsal.stage import JOB, RehearsalSetup, set_up
from otherroof.settings import check_machine, read_parts

pytestmark = [pytest.mark.slow, pytest.mark.lasts(14)]


@dataclass
class CpKeeper:
    """Keeps whole copies with `cp -a`; holds a run when the mail store is gone."""

    stage: RehearsalSetup
    spoil: Callable[[str, str], None] = lambda run, folder: None
    holds: bool = True
    complaints: tuple[str, ...] = ()
    afresh: list[bool] = field(default_factory=list)
    outcomes: dict[str, Outcome] = field(default_factory=dict)
    runs: int = 0

    def run(self) -> RunReport:
        self.runs += 1
        run = f"r{self.runs}"
        if self.holds and not os.path.exists(os.path.join(self.stage.household, "mail")):
            return RunReport(JOB, run, "held", reason="too many files would go")
        outcome = self.outcomes.get(run, "done")
        problems = [Problem("a", "b")] if outcome == "done with problems" else []
        if outcome != "failed":
            self._copy(self.stage.household, os.path.join(self.stage.folder, "far-box", run))
        return RunReport(JOB, run, outcome, FileCounts(seen=3000), ByteCounts(sent=5), problems=problems)

    def restore(self, run: str, into: str, *, new_machine: bool) -> RestoredCounts:
        self.afresh.append(new_machine)
        self._copy(os.path.join(self.stage.folder, "far-box", run), into)
        self.spoil(run, into)
        return RestoredCounts(3000, 10, 20, self.complaints)

    def _copy(self, source: str, target: str) -> None:
        subprocess.run(["cp", "-a", "--sparse=auto", source, target], check=True, timeout=60)


SMALLER_DATABASE = 4_800_000  # what is told does not hang on its size, and each play copies and reads it ten times


@pytest.fixture
def stage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> RehearsalSetup:
    monkeypatch.setattr(household, "DATABASE_BYTES", SMALLER_DATABASE)
    # The play needs no far box that answers; the stage's own test has one.
    for name in ("household", "far-box", "restored"):
        (tmp_path / name).mkdir()
    return RehearsalSetup(str(tmp_path), _NoBox())  # type: ignore[arg-type]


class _NoBox:
    address, port = "127.0.0.1", 1


def perform(stage: RehearsalSetup, keeper: CpKeeper) -> tuple[RehearsalResult, list[str]]:
    told: list[str] = []
    return Rehearsal(stage, keeper, SystemClock(), told.append, owners=os.geteuid() == 0).perform(), told


@pytest.mark.slow
def test_true_copy_is_well_and_every_act_is_in_the_table(stage: RehearsalSetup) -> None:
    keeper = CpKeeper(stage)
    verdict, told = perform(stage, keeper)
    assert keeper.afresh == [False, True], "one restore must do without any state"
    assert verdict.wrong == []
    assert [one.line() for one in verdict.unlike] == []
    assert verdict.well
    assert [act.name for act in verdict.acts] == [
        "household invented",
        "first copy",
        "second copy",
        "restored the newest version",
        "restored the version before",
        "held run",
    ]
    assert any("all is as it was, 3" in line and "entries" in line for line in told)
    assert verdict.as_json()["well"] is True


def _wrong_byte(run: str, folder: str) -> None:
    path = os.path.join(folder, os.fsdecode(DATABASE))
    status = os.stat(path)
    with open(path, "r+b") as file:
        file.seek(2_000_000)
        byte = file.read(1)
        file.seek(2_000_000)
        file.write(bytes([byte[0] ^ 1]))
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def _lost_time(run: str, folder: str) -> None:
    if run == "r1":
        os.utime(os.path.join(folder, "keepsakes/links/target"), (5, 5))


def _wrong_byte_and_lost_time(run: str, folder: str) -> None:
    _wrong_byte(run, folder)
    _lost_time(run, folder)


@pytest.mark.slow
def test_everything_that_is_not_as_it_should_be_is_named(stage: RehearsalSetup) -> None:
    keeper = CpKeeper(stage, spoil=_wrong_byte_and_lost_time, holds=False, complaints=("letters/x: damaged",))
    verdict, told = perform(stage, keeper)
    assert not verdict.well
    assert [(one.path, one.what) for one in verdict.unlike] == [
        (DATABASE, "digest"),
        (DATABASE, "digest"),
        (b"keepsakes/links/target", "mtime"),
    ]
    assert all(any(one.line() in line for line in told) for one in verdict.unlike)
    assert verdict.wrong[:2] == [
        "restoring the newest version: letters/x: damaged",
        "restoring the version before: letters/x: damaged",
    ]
    assert "should be held" in verdict.wrong[2]
    assert len(verdict.as_json()["differences"]) == 3


@pytest.mark.slow
def test_copies_that_fail_or_have_problems_are_faults(stage: RehearsalSetup) -> None:
    verdict, _ = perform(stage, CpKeeper(stage, outcomes={"r1": "done with problems", "r2": "failed"}))
    assert [line.partition(",")[0] for line in verdict.wrong] == [
        "the first copy should be done",
        "the second copy should be done",
    ]
    assert "a: b" in verdict.wrong[0]
    assert "restored the newest version" not in [act.name for act in verdict.acts]
    assert not verdict.well


# ---- the stage


def test_stage_has_sound_settings_for_a_far_box_that_is_up(tmp_path: Path) -> None:
    with set_up(str(tmp_path / 'with "quotes" and \\')) as stage:
        parts = read_parts(stage.settings)
        assert parts.mistakes + check_machine(parts) == []
        assert parts.jobs[JOB].folder == stage.household
        assert parts.far["stand-in"].port == stage.box.port
        assert parts.far["stand-in"].host_key == stage.box.host_key_line
    assert os.path.isdir(stage.household), "what is to be kept stays"
    tomllib.loads((Path(stage.settings) / "otherroof.toml").read_text())


def test_stage_goes_again_even_with_folders_that_cannot_be_written_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with set_up("") as stage:
        closed = Path(stage.household) / "closed"
        closed.mkdir()
        (closed / "file").write_text("x")
        closed.chmod(0o500)
    assert os.listdir(tmp_path) == []


def test_folder_that_is_not_empty_is_not_taken(tmp_path: Path) -> None:
    (tmp_path / "mine").write_text("mine")
    with pytest.raises(WrongUse, match="not empty"), set_up(str(tmp_path)):
        pass
    assert os.listdir(tmp_path) == ["mine"]
