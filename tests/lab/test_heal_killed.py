"""Healing that is killed at random moments, over a real OpenSSH: no version is less whole than before, and the next
proof mends what is left.

`OTHERROOF_SEED` chooses other moments; every failure names the seed.
"""

from __future__ import annotations

import os
import random
import signal
from collections.abc import Iterator
from contextlib import suppress
from functools import partial
from pathlib import Path

import pytest

from otherroof.jobs.context import JobContext
from otherroof.jobs.prove import ProveOptions, prove
from otherroof.ledger import Ledger
from otherroof.restore.proving.report import ProofProgress
from support.killable import Killable, Once
from support.lab import FarSshd
from support.lab.need import require_sshd
from support.main_job import JOB, OneJob, level_way
from support.open_versions import broken_in_folder

pytestmark = [pytest.mark.lab, pytest.mark.slow]

SEED = int(os.environ.get("OTHERROOF_SEED", "20310512"))
KILLS = 20
SPOILT, ROT = 30, b"rot"
START = "import otherroof.jobs.prove, support.killable as k; k.serve()"
# Reads nothing but what is known to be damaged, so that kills fall into healing.
HEAL = ["prove", JOB, "--budget-mb", "0", "--heal", "--config"]


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    require_sshd()
    with FarSshd() as sshd, level_way():
        yield OneJob(tmp_path, sshd, far_more={"connections": 2, "limit_mbit": 80})


def furnish(job: OneJob) -> None:
    """Two versions; what the older one keeps stands at home under other names."""
    chance = random.Random(SEED)
    for number in range(60):
        job.put(f"folder {number % 5}/file {number}", chance.randbytes(9_000 + 300_000 * (number % 20 == 7)))
    job.done()
    for number in range(0, 60, 5):
        os.rename(job.path(f"folder 0/file {number}"), job.path(f"folder 0/moved {number}"))
    for number in range(1, 60, 5):
        here = job.path(f"folder 1/file {number}")
        os.rename(here, job.path(f"folder 1/was {number}"))
        here.write_bytes(b"other now")
    job.done()


def spoil(job: OneJob, dice: random.Random) -> list[Path]:
    """Spoils some files at the far end, and answers which."""
    files = [path for part in ("latest", "earlier") for path in sorted((job.far / part).rglob("*")) if path.is_file()]
    spoilt = dice.sample(files, SPOILT)
    for path in spoilt:
        path.unlink()  # another name of the same file keeps what it has
        if dice.random() < 0.7:
            path.write_bytes(ROT)
    return spoilt


def healed(spoilt: list[Path]) -> int:
    """How many of them are as they were. A healing is taking the name of one from it just now, perhaps."""
    found = 0
    for path in spoilt:
        with suppress(FileNotFoundError):
            found += path.stat().st_size > len(ROT)
    return found


def proved(job: OneJob, *, whole: bool, heal: bool) -> None:
    with Ledger(job.settings.ledger) as ledger:
        options = ProveOptions(whole=whole, budget_mb=None if whole else 0, heal=heal)
        prove(job.settings, JOB, JobContext(ProofProgress(), ledger, job.clock), options)


def broken(job: OneJob) -> dict[str, set[str]]:
    """By version the paths that are not whole, whatever is wrong with them."""
    found = broken_in_folder(job.far, job.trees)
    return {run: {line.split("' ")[0] for line in wrong} for run, wrong in found.items() if wrong}


@pytest.mark.lasts(120)
def test_killed_at_twenty_moments_of_healing(job: OneJob, tmp_path: Path) -> None:
    furnish(job)
    dice = random.Random(SEED)
    cut, partly, number = 0, 0, 0
    with Killable(tmp_path / "told", START) as verbs:
        while cut < KILLS:
            number += 1
            assert number < 2 * KILLS + 5, "too few kills fall into healing: the test would say little"
            spoilt = spoil(job, dice)
            proved(job, whole=True, heal=False)
            before = broken(job)
            assert sum(map(len, before.values())) >= SPOILT
            kill = partial(verbs.kill, verbs.start([*HEAL, job.config]))
            least = dice.randrange(SPOILT)
            watch = Once(lambda spoilt=spoilt, least=least: healed(spoilt) >= least, kill)
            watch.start()
            code, _ = verbs.end_after(watch)
            assert code in (5, -signal.SIGKILL), f"seed {SEED}, kill {number}: see {tmp_path}/told"
            cut += code != 5
            now = broken(job)
            assert all(wrong <= before[run] for run, wrong in now.items()), f"seed {SEED}, kill {number}"
            partly += 0 < sum(map(len, now.values())) < sum(map(len, before.values()))
            proved(job, whole=False, heal=True)
            assert broken(job) == {}, f"seed {SEED}, kill {number}"
            assert os.listdir(job.far / "incoming") == [], f"seed {SEED}, kill {number}"
            with Ledger(job.settings.ledger) as ledger:
                assert ledger.damages.of(JOB) == []
    print(f"\n{cut} of {number} were killed, {partly} of them with part of it healed")
    assert partly >= KILLS / 2, "most kills fell before or after the work: the test would say little"
    job.done()
    for run in job.trees:
        assert job.unlike(run) == []
