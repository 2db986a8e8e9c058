"""A proof beside a run, and two at once: nothing whole is called damaged, and healing waits or says it is busy."""

from __future__ import annotations

import random
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.far_copy.entry import Entry
from otherroof.jobs.context import JobContext
from otherroof.jobs.locks import job_lock
from otherroof.jobs.prove import ProofResult, ProveOptions, prove
from otherroof.ledger import Ledger
from otherroof.restore.proving.read_back import ReadBack
from otherroof.restore.proving.report import ProofProgress
from support.main_job import JOB, OneJob, one_job
from support.open_versions import broken_in_folder

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        chance = random.Random(6)
        for number in range(40):
            made.put(f"folder {number % 4}/file {number}", chance.randbytes(3_000))
        made.done()
        made.put("folder 1/file 1", "other")
        made.done()
        yield made


def proved(job: OneJob, *, heal: bool = True, **options: object) -> ProofResult:
    with Ledger(job.settings.ledger) as ledger:
        context = JobContext(ProofProgress(), ledger, job.clock)
        return prove(job.settings, JOB, context, ProveOptions(heal=heal, **options))  # type: ignore[arg-type]


def spoil(job: OneJob) -> None:
    for number in (4, 9, 22):
        (job.latest / f"folder {number % 4}" / f"file {number}").write_bytes(b"rot")


@pytest.mark.parametrize("options", [{"whole": True}, {"budget_mb": 50}], ids=["all", "a share"])
def test_run_that_replaces_removes_and_moves_while_a_proof_reads_makes_no_damage(
    job: OneJob, monkeypatch: pytest.MonkeyPatch, options: dict[str, object]
) -> None:
    begun, runs = ReadBack.read, list[str]()

    def read(reading: ReadBack, files: Iterator[Entry]) -> None:
        if len(runs) < 2:
            for number in range(len(runs), 40, 3):
                job.put(f"folder {number % 4}/file {number}", f"of run {len(runs)}, {number}")
            job.path(f"folder 0/file {4 + 4 * len(runs)}").rename(job.path(f"moved {len(runs)}"))
            job.path(f"folder 2/file {10 + 4 * len(runs)}").unlink()
            runs.append(job.done().run)
        begun(reading, files)

    monkeypatch.setattr(ReadBack, "read", read)
    result = proved(job, **options)
    assert len(runs) == 2
    assert not result.found_damage, [(damage.shown, damage.why) for damage in result.report.damaged]
    assert not any(broken_in_folder(job.far, job.trees).values())
    job.all_come_back()


def test_healing_does_not_begin_while_a_run_has_the_job_and_says_so(job: OneJob) -> None:
    spoil(job)
    with job_lock(job.settings, JOB, job.clock):
        result = proved(job, whole=True)
    assert (len(result.report.damaged), result.healing.healed) == (3, [])
    assert any("nothing was healed: a run of this job is under way" in note.why for note in result.notes)
    with Ledger(job.settings.ledger) as ledger:
        assert len(ledger.damages.of(JOB)) == 3
    assert len(proved(job, budget_mb=0).healing.healed) == 3


def test_two_proofs_at_once_find_the_same_and_one_of_them_heals_it(job: OneJob) -> None:
    spoil(job)
    before = {path: path.read_bytes() for path in job.far.rglob("file *")}
    results: list[ProofResult] = []

    def go() -> None:
        results.append(proved(job, whole=True))  # what fails is missed below

    threads = [threading.Thread(target=go) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    assert len(results) == 2
    healed = {mark.path for result in results for mark in result.healing.healed}
    assert len(healed) == 3
    for path, content in before.items():
        assert path.read_bytes() == content or content == b"rot"
    with Ledger(job.settings.ledger) as ledger:
        assert ledger.damages.of(JOB) == []
    assert not proved(job, whole=True).found_damage
    job.all_come_back()


def test_missing_kept_file_goes_back_among_the_kept_and_never_over_the_newest_copy(job: OneJob) -> None:
    content = job.path("folder 2/file 2").read_bytes()
    job.path("folder 2/file 2").rename(job.path("folder 2/its new name"))
    job.put("folder 2/file 2", "another file now")
    run = job.done().run
    kept = job.earlier(run) / "folder 2" / "file 2"
    kept.unlink()
    assert proved(job, whole=True).healing.healed
    assert (job.latest / "folder 2" / "file 2").read_bytes() == b"another file now"
    assert kept.read_bytes() == content
    job.all_come_back()


def test_proof_ends_at_its_budget_even_if_files_cost_more_than_was_thought(
    job: OneJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("otherroof.restore.proving.prove.cost", lambda size: size // 10)
    monkeypatch.setattr("otherroof.restore.proving.choice.cost", lambda size: size // 10)
    result = proved(job, budget_mb=0.06, heal=False)
    assert 0 < result.report.files < 25
    login_and_look = 12_000
    assert result.row.wire_down <= 1.05 * 0.06e6 + login_and_look
