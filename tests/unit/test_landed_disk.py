"""A disk that was carried stands at the far box: found, read of, and counted from then on; or one line says why not."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.base.errors import Damaged, FarTrouble, OtherroofError
from otherroof.copying.compare.catalogue_repair import JobStateFiles
from otherroof.copying.compare.plan_file import COUNT_END
from otherroof.jobs.carried.landed import LandedDisk, land, runs_on_their_way
from otherroof.jobs.context import JobContext
from otherroof.jobs.prove import ProveOptions, prove
from otherroof.ledger import Ledger
from otherroof.restore.proving.report import ProofProgress
from support.carried_disk import carry, cut_onto, done_onto
from support.main_job import FAR, JOB, OneJob, one_job


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path, job_more={"prove_mb": 50}) as made:
        made.put("letters/one.txt", "one")
        made.put("letters/two.txt", "two")
        made.put("large.bin", bytes(range(256)) * 8192)
        yield made


@pytest.fixture
def disk(tmp_path: Path) -> Path:
    (tmp_path / "disk").mkdir()
    return tmp_path / "disk"


def landed(job: OneJob, place: str = "") -> LandedDisk:
    return land(job.settings, JOB, place, JobContext(ProofProgress(), clock=job.clock))


def refused(job: OneJob, place: str = "") -> OtherroofError:
    with pytest.raises(OtherroofError) as caught:
        landed(job, place)
    assert "\n" not in str(caught.value)
    assert caught.value.advice
    return caught.value


def newest_good(job: OneJob) -> str:
    with Ledger(job.settings.ledger) as ledger:
        row = ledger.runs.newest_good(JOB, far=FAR)
        return row.report.run if row is not None else ""


def test_disk_that_stands_in_the_jobs_place_counts_and_is_gone_on_from(job: OneJob, disk: Path) -> None:
    runs = [done_onto(job, disk).report.run]
    job.put("letters/one.txt", "one, later")
    runs.append(done_onto(job, disk).report.run)
    assert newest_good(job) == ""
    carry(job, disk)
    found = landed(job)
    assert (found.header.run, found.listings, found.goes_on) == (runs[1], 2, True)
    assert sorted(found.landed) == runs
    assert found.proof is not None
    assert found.proof.report.files > 0
    assert not found.found_damage
    assert newest_good(job) == runs[1]
    assert not (job.state / "carried").exists() or list((job.state / "carried").iterdir()) == []
    job.put("new.txt", "new")
    after = job.done()
    assert (after.bytes.sent, after.files.new, after.files.changed) == (len("new"), 1, 0)
    job.all_come_back()


def test_what_home_knew_of_the_disk_is_what_it_knows_of_the_far_box_then(job: OneJob, disk: Path) -> None:
    """So the next run need not read again what the disk holds."""
    job.done()
    shutil.rmtree(job.far)
    done_onto(job, disk)
    known = {}
    for kind in ("catalogues", "chunks"):
        (path,) = (job.state / "carried").glob(f"*/{kind}/{JOB}.db")
        known[kind] = path.read_bytes()
    carry(job, disk)
    landed(job)
    assert {kind: (job.state / kind / f"{JOB}.db").read_bytes() for kind in known} == known


def test_what_home_knew_of_a_disk_that_the_line_went_on_from_is_forgotten(job: OneJob, disk: Path) -> None:
    run = done_onto(job, disk).report.run
    carry(job, disk)
    assert job.done().bytes.sent == 0
    found = landed(job)
    assert (found.goes_on, found.landed) == (False, [run])
    assert list((job.state / "carried").iterdir()) == []
    assert job.done().bytes.sent == 0
    job.all_come_back()


def test_disk_lands_on_a_machine_that_lost_its_state(job: OneJob, disk: Path) -> None:
    done_onto(job, disk)
    carry(job, disk)
    job.forget_state()
    found = landed(job)
    assert (found.goes_on, found.landed) == (False, [])
    assert job.done().bytes.sent == 0


def test_disk_that_is_mounted_elsewhere_is_given_the_jobs_place(job: OneJob, disk: Path) -> None:
    run = done_onto(job, disk).report.run
    shutil.copytree(disk, Path(job.door.base_path).parent / "mounted", symlinks=True)
    found = landed(job, "/mounted")
    assert (found.header.run, found.goes_on) == (run, True)
    assert job.latest.is_dir()
    assert job.done().bytes.sent == 0


def test_disk_that_is_mounted_elsewhere_does_not_take_the_place_of_a_copy(job: OneJob, disk: Path) -> None:
    first = job.done().run
    done_onto(job, disk)
    shutil.copytree(disk, Path(job.door.base_path).parent / "mounted", symlinks=True)
    error = refused(job, "/mounted")
    assert isinstance(error, FarTrouble)
    assert "the copy stands in /mounted, and cannot be given its place /copies/papers" in str(error)
    assert 'mount the disk at /copies there, or write base = "/mounted" into [far.heron]' in str(error)
    assert newest_good(job) == first
    assert job.done().bytes.sent == 0


@pytest.mark.slow
def test_same_call_once_more_says_that_the_disk_has_its_place(job: OneJob, disk: Path) -> None:
    done_onto(job, disk)
    shutil.copytree(disk, Path(job.door.base_path).parent / "mounted", symlinks=True)
    landed(job, "/mounted")
    said = str(refused(job, "/mounted"))
    assert "there is no copy of it in /mounted; " in said
    assert "if it was brought from there already: `otherroof landed papers`" in said
    assert landed(job).landed


@pytest.mark.slow
def test_copy_that_went_over_the_line_meanwhile_and_is_hidden_is_told(job: OneJob, disk: Path) -> None:
    done_onto(job, disk)
    job.put("letters/three.txt", "three")
    newer = job.done().run
    job.far.rename(job.where / "beneath the disk")
    carry(job, disk)
    found = landed(job)
    assert any(f"run {newer}, which counted, is not on this disk" in note for note in found.notes)
    assert job.done().bytes.sent == len("three")
    assert not any("is not on this disk" in note for note in landed(job).notes)


def test_damaged_listing_is_named_once(job: OneJob, disk: Path) -> None:
    first = done_onto(job, disk).report.run
    job.put("letters/three.txt", "three")
    done_onto(job, disk)
    carry(job, disk)
    job.listing(first).write_bytes(b"nothing of that")
    found = landed(job)
    assert found.proof is not None
    said = [*found.damaged, *(damage.run for damage in found.proof.report.damaged)]
    assert said == [first]


def test_no_copy_there_is_said_with_those_that_are(job: OneJob, disk: Path) -> None:
    assert "papers: there is no copy of it in /copies; is the disk mounted there?" in str(refused(job))
    done_onto(job, disk)
    (disk / JOB).rename(disk / "photos")
    carry(job, disk)
    assert "there is no copy of it in /copies; it has photos;" in str(refused(job))


def test_folder_of_another_job_under_this_ones_name_is_refused(job: OneJob, disk: Path) -> None:
    done_onto(job, disk)
    listing = next((disk / JOB / "runs").iterdir())
    carry(job, disk)
    (job.far / "runs" / listing.name).write_bytes(b"of something else")
    error = refused(job)
    assert isinstance(error, Damaged)
    assert "the newest listing on this disk is damaged" in str(error)


def test_disk_of_another_home_is_refused(job: OneJob, disk: Path, tmp_path: Path) -> None:
    job.done()
    shutil.rmtree(job.far)
    (tmp_path / "other").mkdir()
    with one_job(tmp_path / "other") as other:
        other.put("theirs.txt", "theirs")
        done_onto(other, disk)
    carry(job, disk)
    assert "is another home's folder" in str(refused(job))


def test_disk_whose_run_was_cut_is_told_and_gone_on_from_over_the_line(job: OneJob, disk: Path) -> None:
    for number in range(20):
        job.put(f"more/{number}.txt", os.urandom(5000))

    cut_onto(job, disk)
    carry(job, disk)
    error = refused(job)
    assert "so it holds no whole copy yet; `otherroof run papers` sends the rest over the line" in str(error)
    assert newest_good(job) == ""
    after = job.done()
    assert after.bytes.sent == 0, "all had been written, only the listing was missing"
    job.all_come_back()


def test_notes_of_a_longer_run_over_the_line_make_those_of_the_disk_no_damage(job: OneJob, disk: Path) -> None:
    over_the_line = JobStateFiles(job.settings.state, JOB).notes + COUNT_END
    Path(over_the_line).parent.mkdir(parents=True, exist_ok=True)
    Path(over_the_line).write_text("999".zfill(20))  # as a run that was cut after many commits leaves it
    cut_onto(job, disk)
    carry(job, disk)
    refused(job)
    after = job.done()
    assert (after.bytes.sent, after.problems) == (0, [])
    assert not (Path(job.settings.state) / "carried").is_dir() or not any(Path(job.settings.state, "carried").iterdir())


def test_later_run_onto_the_disk_that_was_cut_leaves_the_version_before(job: OneJob, disk: Path) -> None:
    run = done_onto(job, disk).report.run
    job.put("letters/one.txt", "one, later")

    cut_onto(job, disk)
    carry(job, disk)
    found = landed(job)
    assert (found.header.run, found.landed) == (run, [run])
    assert any("the last run onto this disk stopped early" in note for note in found.notes)
    assert job.done().bytes.sent == 0
    job.all_come_back()


@pytest.mark.slow
def test_damaged_file_on_the_disk_is_found_named_and_sent_again(job: OneJob, disk: Path) -> None:
    done_onto(job, disk)
    carry(job, disk)
    (job.latest / "letters/one.txt").write_text("eno")
    found = landed(job)
    assert found.found_damage
    assert found.proof is not None
    assert [damage.shown for damage in found.proof.report.damaged] == ["letters/one.txt"]
    assert prove(job.settings, JOB, JobContext(ProofProgress()), ProveOptions(whole=True, heal=True)).healing.healed
    job.all_come_back()


def test_files_that_belong_to_nobody_there_are_told_with_the_line_that_helps(
    job: OneJob, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from otherroof.base.errors import Denied

    done_onto(job, disk)
    carry(job, disk)

    def denied(*_: object) -> None:
        raise Denied("listing the folder was refused")

    monkeypatch.setattr("otherroof.layouts.open.keeper.OpenKeeper.view", denied)
    said = str(refused(job))
    assert "account copykeeper may not use what lies there" in said
    assert "as root at heron: sudo chown -h copykeeper: /copies && sudo chown -hR copykeeper: /copies/papers" in said


def test_disk_that_is_there_counts_though_a_later_one_is_on_its_way(job: OneJob, disk: Path, tmp_path: Path) -> None:
    first = done_onto(job, disk).report.run
    (tmp_path / "later disk").mkdir()
    job.put("letters/three.txt", "three")
    later = done_onto(job, tmp_path / "later disk").report.run
    carry(job, disk)
    assert landed(job).landed == [first]
    with Ledger(job.settings.ledger) as ledger:
        assert runs_on_their_way(job.settings, JOB, ledger) == [later]


def test_run_onto_a_disk_that_was_cut_is_no_copy_on_its_way(job: OneJob, disk: Path) -> None:
    cut_onto(job, disk)
    with Ledger(job.settings.ledger) as ledger:
        assert runs_on_their_way(job.settings, JOB, ledger) == []
