"""A far copy behind a real OpenSSH is proved and healed: seeded damage is found, and a night keeps to its budget.

Proving is told what `b2sum` of this machine says of the far files, too: that is the far box's own word.
"""

from __future__ import annotations

import os
import random
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.jobs.context import JobContext
from otherroof.jobs.prove import ProofResult, ProveOptions, prove
from otherroof.ledger import Ledger
from otherroof.restore.proving.report import ProofProgress
from support.far_damage import FarDamages, fingerprint
from support.lab import FarSshd
from support.lab.need import require_sshd
from support.main_job import JOB, OneJob
from support.open_versions import broken_in_folder

pytestmark = pytest.mark.lab

OWN_READING = (
    'find . -type f -printf "%P\\0" | while IFS= read -r -d "" name; do '
    'printf "%s %s %s %s\\0" "$(b2sum -l 256 < "$name" | cut -c1-64)" "$(date +%s)" "$(stat -c %s "$name")" "$name"; '
    "done"
)


@pytest.fixture(autouse=True)
def _lab() -> None:
    require_sshd()


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with FarSshd() as sshd:
        yield OneJob(tmp_path, sshd, far_more={"connections": 0})


def proved(job: OneJob, options: ProveOptions) -> ProofResult:
    with Ledger(job.settings.ledger) as ledger:
        return prove(job.settings, JOB, JobContext(ProofProgress(), ledger, job.clock), options)


def furnish(job: OneJob) -> None:
    chance = random.Random(12)
    for day in range(3):
        for number in range(240):
            if day == 0 or number % 5 == day:
                size = 3_000_000 if number == 60 else 60 + 70 * number
                job.put(f"folder {number % 6}/file {number}", chance.randbytes(size // 2).hex())
        os.link(job.path("folder 3/file 3"), job.path(f"second name {day}"))
        job.done()


@pytest.mark.lasts(40)
def test_seeded_damage_behind_a_real_server_is_found_and_healed(job: OneJob) -> None:
    furnish(job)
    sound = fingerprint(job.far)
    damages = FarDamages(job.far, random.Random(40))
    damages.spoil(40)
    result = proved(job, ProveOptions(whole=True, heal=False))
    assert len(result.report.damaged) == len(damages.spoilt)
    proved(job, ProveOptions(whole=True, heal=True))
    after = fingerprint(job.far)
    assert all(after[name] == seen for name, seen in sound.items() if name not in damages.spoilt)
    newest = max(job.trees)
    left = broken_in_folder(job.far, {newest: job.trees[newest]})
    in_the_way = [name for name in damages.spoilt if (job.far / os.fsdecode(name)).is_dir()]
    assert sum(map(len, left.values())) == sum(name.startswith(b"latest/") for name in in_the_way)


def test_a_nights_share_over_a_real_server_keeps_to_its_budget_and_hears_the_boxs_own_word(job: OneJob) -> None:
    furnish(job)
    box = Path(job.door.base_path).parent / "box"
    box.mkdir()
    said = subprocess.run(["bash", "-c", OWN_READING], cwd=job.far, capture_output=True, check=True, timeout=120).stdout
    (box / f"{JOB}.read").write_bytes(said)
    result = proved(job, ProveOptions(budget_mb=1.5, heal=False))
    assert 0.95 * 1.5e6 <= result.row.wire_down <= 1.05 * 1.5e6
    assert result.report.word_files >= 240
    assert not result.found_damage
