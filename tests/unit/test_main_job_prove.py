"""A far copy is proved by reading it back: whatever is damaged is found, named, and healed if home has it."""

from __future__ import annotations

import gzip
import os
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.jobs.context import JobContext
from otherroof.jobs.prove import ProofResult, ProveOptions, prove
from otherroof.ledger import Ledger
from otherroof.restore.proving.report import ProofProgress
from support.far_damage import KINDS, FarDamages, fingerprint
from support.main_job import JOB, OneJob, one_job

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

ALL = ProveOptions(whole=True, heal=False)
HEAL_ALL = ProveOptions(whole=True, heal=True)


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        yield made


def proved(job: OneJob, options: ProveOptions = ALL) -> ProofResult:
    with Ledger(job.settings.ledger) as ledger:
        return prove(job.settings, JOB, JobContext(ProofProgress(), ledger, job.clock), options)


def known_damage(job: OneJob) -> list[str]:
    with Ledger(job.settings.ledger) as ledger:
        return sorted(mark.path for mark in ledger.damages.of(JOB))


def three_versions(job: OneJob, files: int = 12) -> list[str]:
    """Versions in which files change, go, move and come back."""
    chance = random.Random(8)
    runs = []
    for version in range(3):
        for number in range(files):
            if version == 0 or number % 3 == version:
                job.put(f"folder {number % 4}/file {number}", chance.randbytes(100 + 20 * number).hex())
        if version == 1:
            job.path("folder 0/file 0").unlink()
            os.rename(job.path("folder 1/file 5"), job.path("moved"))
        runs.append(job.done().run)
    return runs


def test_all_that_is_whole_is_proved_and_nothing_is_said_against_it(job: OneJob) -> None:
    three_versions(job)
    job.done()  # changes nothing
    result = proved(job)
    assert (result.report.damaged, result.report.extra, result.notes) == ([], [], [])
    kept = sum(len(names) for _, _, names in os.walk(job.far / "earlier"))
    assert result.report.files == sum(len(names) for _, _, names in os.walk(job.latest)) + kept
    assert result.report.listings == 4
    assert not result.found_damage
    with Ledger(job.settings.ledger) as ledger:
        assert ledger.proofs.of(JOB)[0].never == 0
        assert ledger.proofs.of(JOB)[0].since is not None


def test_damaged_file_is_named_healed_and_read_back(job: OneJob) -> None:
    runs = three_versions(job)
    bad = job.latest / "folder 3" / "file 11"
    content = bad.read_bytes()
    bad.write_bytes(b"\0" * len(content))
    result = proved(job)
    (damage,) = result.report.damaged
    assert (damage.path, damage.run, damage.in_newest, damage.healed) == (b"folder 3/file 11", runs[2], True, False)
    assert known_damage(job) == ["folder 3/file 11"]
    result = proved(job, HEAL_ALL)
    assert [damage.healed for damage in result.report.damaged] == [True]
    assert known_damage(job) == []
    assert bad.read_bytes() == content
    assert os.listdir(job.far / "incoming") == []
    assert proved(job).report.damaged == []
    job.all_come_back()


def test_seeded_damage_in_two_hundred_places_is_all_found_and_healed_if_home_has_it(job: OneJob) -> None:
    runs = three_versions(job, files=260)
    sound = fingerprint(job.far)
    damages = FarDamages(job.far, random.Random(200))
    damages.spoil(200)
    damages.add_extra(12)
    assert set(damages.kinds) == set(KINDS)
    before = fingerprint(job.far)
    result = proved(job)
    found = {damage.name for damage in result.report.damaged}
    # A kept file that is gone is looked for where its path stands now, and that is another one.
    gone = {name for name in damages.spoilt if name.startswith(b"earlier/") and not _stands(job, name)}
    told = {damage.path for damage in result.report.damaged}
    assert damages.spoilt - gone <= found
    assert all(name.split(b"/", 2)[-1] in told for name in gone)
    assert len(result.report.damaged) == len(damages.spoilt)
    assert set(result.report.extra) == damages.extra
    assert fingerprint(job.far) == before, "proving alone changes nothing"

    content = {seen[3] for path in home_files(job) for seen in [(0, 0, 0, path.read_bytes())]}
    result = proved(job, HEAL_ALL)
    after = fingerprint(job.far)
    untouched = set(sound) - damages.spoilt
    assert {name: after[name] for name in untouched} == {name: before[name] for name in untouched}
    mended = {name for name in damages.spoilt if name in after and after[name][3] == sound[name][3]}
    can_be = {name for name in damages.spoilt if sound[name][3] in content}
    in_the_way = {name for name in can_be if (job.far / os.fsdecode(name)).is_dir()}
    assert mended == can_be - in_the_way
    assert len(mended) > 60
    left = {(damage.run, damage.path) for damage in result.healing.left}
    assert len(left) == len(damages.spoilt) - len(mended)
    assert all(damage.left for damage in result.healing.left)
    assert runs[-1] in {damage.run for damage in result.report.damaged}


def _stands(job: OneJob, name: bytes) -> bool:
    path = job.far / os.fsdecode(name)
    return path.is_symlink() or path.is_file()


def home_files(job: OneJob) -> list[Path]:
    return [path for path in job.folder.rglob("*") if path.is_file()]


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["tampered", "other's", "cut", "gone", "noise"])
def test_every_listing_that_is_not_as_it_was_written_is_found(job: OneJob, kind: str) -> None:
    runs = three_versions(job)
    bad = job.listing(runs[1])
    if kind == "tampered":
        bad.write_bytes(gzip.compress(gzip.decompress(bad.read_bytes()).replace(b'"mode":"0644"', b'"mode":"0666"', 1)))
    elif kind == "other's":
        bad.write_bytes(job.listing(runs[0]).read_bytes())
    elif kind == "cut":
        bad.write_bytes(bad.read_bytes()[:-40])
    elif kind == "gone":
        bad.unlink()
    else:
        bad.write_bytes(random.Random(4).randbytes(900))
    result = proved(job)
    assert [(damage.path, damage.run) for damage in result.report.damaged] == [(b"", runs[1])]
    assert known_damage(job) == [f"(the listing of {runs[1]})"]
    assert result.report.extra == [] or kind == "gone", "what it held is needed by the version before it"
