"""What is known to be damaged at the far end is not made anything of: no copy, no link, no range, no listing."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.copying.compare.change import LARGE
from otherroof.jobs.context import JobContext
from otherroof.jobs.prove import ProveOptions, prove
from otherroof.jobs.restore import THINNED
from otherroof.ledger import Ledger
from otherroof.restore.proving.report import ProofProgress, ProofReport
from otherroof.restore.target import Existing, TargetFolder
from support.main_job import JOB, OneJob, one_job

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

BIG = random.Random(6).randbytes(3 * LARGE)


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        yield made


def look(job: OneJob) -> ProofReport:
    with Ledger(job.settings.ledger) as ledger:
        options = ProveOptions(whole=True, heal=False)
        return prove(job.settings, JOB, JobContext(ProofProgress(), ledger, job.clock), options).report


def rot(path: Path, at: int = 1000) -> None:
    with open(path, "r+b") as file:
        file.seek(at)
        byte = file.read(1)
        file.seek(at)
        file.write(bytes([byte[0] ^ 1]))


def test_ranges_of_a_damaged_large_file_are_not_copied_into_its_next_state(job: OneJob) -> None:
    job.put("big", BIG)
    job.done()
    rot(job.latest / "big")
    assert len(look(job).damaged) == 1
    job.put("big", BIG[: 2 * LARGE] + b"changed here" + BIG[2 * LARGE :])
    run = job.done().run
    assert (job.latest / "big").read_bytes() == job.path("big").read_bytes()
    assert job.unlike(run) == []


def test_without_the_ledgers_word_the_rot_would_be_passed_on(job: OneJob) -> None:
    """What the two tests around this one guard against does happen."""
    job.put("big", BIG)
    job.done()
    rot(job.latest / "big")
    job.put("big", BIG[: 2 * LARGE] + b"changed here" + BIG[2 * LARGE :])
    job.done()
    assert (job.latest / "big").read_bytes() != job.path("big").read_bytes()


@pytest.mark.parametrize("how", ["moved", "copied", "further name", "unchanged"])
def test_a_damaged_file_is_sent_anew_and_nothing_is_linked_to_it(job: OneJob, how: str) -> None:
    job.put("folder/a", b"content of some length, long enough to be found again" * 9)
    job.put("other", b"something else")
    job.done()
    rot(job.latest / "folder" / "a", 5)
    assert len(look(job).damaged) == 1
    if how == "moved":
        os.rename(job.path("folder/a"), job.path("b"))
    elif how == "copied":
        job.put("b", job.path("folder/a").read_bytes())
    elif how == "further name":
        os.link(job.path("folder/a"), job.path("b"))
    run = job.done().run
    assert job.unlike(run) == []
    with Ledger(job.settings.ledger) as ledger:
        assert not any(mark.in_newest for mark in ledger.damages.of(JOB)), "it is not sent anew once more"
    assert not look(job).damaged or {damage.run for damage in look(job).damaged} == {min(job.trees)}
    sent = job.done().bytes.sent
    assert sent == 0, "what was sent anew once is not sent anew each night"


def test_a_run_that_changed_nothing_names_no_damaged_listing(job: OneJob) -> None:
    job.put("a", b"content")
    first = job.done().run
    job.done()
    text = job.listing(first).read_bytes()
    job.listing(first).write_bytes(text[:-10])
    look(job)
    third = job.done().run
    assert job.unlike(third) == []
    job.listing(first).write_bytes(text)
    assert not look(job).damaged


def test_damage_that_a_restore_met_is_not_made_anything_of_either(job: OneJob) -> None:
    job.put("a", b"content of some length, long enough to be found again" * 9)
    job.done()
    rot(job.latest / "a", 5)
    assert len(job.restore()[0].damaged) == 1
    os.rename(job.path("a"), job.path("b"))
    assert job.unlike(job.done().run) == []


def test_a_whole_older_version_says_nothing_of_damage_in_a_later_one(job: OneJob) -> None:
    job.put("a", "content of Monday")
    older = job.done().run
    job.put("a", "another content of Tuesday")
    newer = job.done().run
    rot(job.latest / "a", 5)
    assert len(job.restore()[0].damaged) == 1
    found, back = job.restore(older)
    assert (found.damaged, (back / "a").read_text()) == ([], "content of Monday")
    with Ledger(job.settings.ledger) as ledger:
        assert [(mark.path, mark.run) for mark in ledger.damages.of(JOB)] == [("a", newer)]
        rot(job.latest / "a", 5)  # the same bit back
        assert job.restore()[0].damaged == []
        assert ledger.damages.of(JOB) == []


def test_a_version_that_goes_while_it_comes_back_is_told_and_is_no_damage(
    job: OneJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    job.put("a", "content of Monday")
    older = job.done().run
    job.put("a", "another content of Tuesday")
    newer = job.done().run

    def goes(into: bytes, existing: Existing) -> TargetFolder:
        """Its listing was read by now. As when it is removed: first its listing, then what only it needs."""
        job.listing(older).unlink()
        (job.earlier(newer) / "a").unlink()
        return TargetFolder(into, existing)

    monkeypatch.setattr("otherroof.jobs.restore.TargetFolder", goes)
    found, _ = job.restore(older)
    assert [problem.path for problem in found.damaged] == ["a"]
    assert THINNED in found.problems[0].why
    with Ledger(job.settings.ledger) as ledger:
        assert ledger.damages.of(JOB) == []
