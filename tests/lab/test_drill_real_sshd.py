"""Drills of a copy behind a real OpenSSH: seeded damage is found, and one that is killed leaves nothing for long."""

from __future__ import annotations

import os
import random
import signal
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.rehearsal.compare_trees import read_tree
from otherroof.schedule.chores import ChoreInputs
from otherroof.schedule.drills import sweep_chore
from support.drills import brought_back, drill_rows, drilled, left_over
from support.far_damage import FarDamages, fingerprint
from support.killable import Killable, Once
from support.lab import FarSshd
from support.lab.need import require_sshd
from support.main_job import JOB, OneJob

pytestmark = [pytest.mark.lab, pytest.mark.lasts(25)]


@pytest.fixture(autouse=True)
def _lab() -> None:
    require_sshd()


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with FarSshd() as sshd:
        made = OneJob(tmp_path, sshd, far_more={"connections": 0})
        chance = random.Random(33)
        for number in range(300):
            size = 2_500_000 if number % 75 == 0 else 100 + 90 * number
            made.put(f"folder {number % 6}/file {number}", chance.randbytes(size))
        made.done()
        yield made


def names_of(damages: FarDamages) -> set[str]:
    return {os.fsdecode(name).removeprefix("latest/") for name in damages.spoilt}


def test_seeded_damage_is_all_found_by_a_whole_drill_and_by_a_part_if_it_was_drawn(job: OneJob) -> None:
    damages = FarDamages(job.far, random.Random(8))
    damages.spoil(60)
    assert len(damages.kinds) >= 7
    before = fingerprint(job.far)
    found = drilled(job)
    assert {one.path for one in found.wrong} == names_of(damages)
    assert found.compared.same_at_home == 300 - len(damages.spoilt)
    whole = found.files
    parts: set[str] = set()
    for seed in range(8):
        part = drilled(job, most=2_000_000, seed=seed)
        assert part.files < whole
        parts |= {one.path for one in part.wrong}
    assert parts < names_of(damages), "nothing that is whole was called damaged, and a part is not the whole"
    assert parts
    assert fingerprint(job.far) == before, "a drill changes nothing there"
    assert left_over(job) == []


def test_killed_while_it_restores_nothing_is_lost_and_the_service_clears_it_away(job: OneJob, tmp_path: Path) -> None:
    argv = ["drill", JOB, "--config", job.config]
    home, far = read_tree(str(job.folder)), fingerprint(job.far)
    killed = left = 0
    with Killable(tmp_path / "told") as machine:
        machine.start(argv)
        assert machine.end()[0] == 0
        for step in range(8):
            kill = partial(machine.kill, machine.start(argv))
            watch = Once(lambda least=step * 35: brought_back(job) >= least, kill)
            watch.start()
            killed += machine.end_after(watch)[0] == -signal.SIGKILL
            if left_over(job):
                left += 1
                sweep_chore(SystemClock()).do(ChoreInputs(job.settings))
                assert left_over(job) == []
    assert killed >= 4
    assert left >= 1, "no kill fell into the restore"
    assert (read_tree(str(job.folder)), fingerprint(job.far)) == (home, far)
    assert drilled(job).wrong == []
    rows = drill_rows(job)
    assert rows[0].outcome == "whole"
    assert "cut" in {row.outcome for row in rows}
