"""Whose disk it is, where it may lie, and which of several disks it was that landed."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from otherroof.base.errors import FarTrouble, HomeTrouble, LinkLost, WrongUse
from otherroof.copying.compare.catalogue_repair import JobStateFiles
from otherroof.far import requests
from otherroof.far.local.disk import look_at_disk
from otherroof.far.local.disk_place import DiskPlace
from otherroof.jobs.carried import disk as carried
from otherroof.jobs.carried import known, landed
from otherroof.jobs.carried.disk import CarriedDisk, disk_to_write, note_at
from otherroof.jobs.carried.landed import LandedDisk, land
from otherroof.jobs.context import JobContext
from otherroof.jobs.open_job import OpenedJob
from otherroof.ledger import Ledger
from otherroof.restore.proving.report import ProofProgress
from otherroof.settings import Settings
from support.carried_disk import carry, cut_onto, done_onto, own_device
from support.main_job import FAR, JOB, OneJob, one_job

HOME = "0123456789abcdef"


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path, job_more={"prove_mb": 50}) as made:
        made.put("letters/one.txt", "one")
        yield made


@pytest.fixture
def disk(tmp_path: Path) -> Path:
    (tmp_path / "disk").mkdir()
    return tmp_path / "disk"


def with_music(job: OneJob, folder: Path) -> Settings:
    """The household has a job `music` too."""
    settings = job.settings
    music = settings.jobs[JOB].model_copy(update={"folder": str(folder)})
    return settings.model_copy(update={"jobs": {**settings.jobs, "music": music}})


# -- where it may lie --


def test_the_disk_of_every_job_is_looked_at_not_only_the_first(job: OneJob, disk: Path, tmp_path: Path) -> None:
    settings = with_music(job, tmp_path / "music")
    (tmp_path / "music").mkdir()
    with own_device(job.folder), pytest.raises(WrongUse, match=r"is on the same disk as .*music"):
        disk_to_write(settings, [JOB, "music"], str(disk))


def test_folder_inside_another_jobs_folder_is_refused(job: OneJob, disk: Path) -> None:
    """It would copy the copy, for ever."""
    (disk / "sub").mkdir()
    with own_device(disk), pytest.raises(WrongUse, match="lies inside the folder of job music"):
        disk_to_write(with_music(job, disk), [JOB], str(disk / "sub"))


def test_links_hide_no_source(job: OneJob, disk: Path, tmp_path: Path) -> None:
    (tmp_path / "way").symlink_to(job.folder)
    with own_device(job.folder), pytest.raises(WrongUse, match="lies inside the folder of job papers"):
        disk_to_write(job.settings, [JOB], str(tmp_path / "way"))
    (tmp_path / "music").symlink_to(disk)
    with own_device(disk), pytest.raises(WrongUse, match="lies inside the folder of job music"):
        disk_to_write(with_music(job, tmp_path / "music"), [JOB], str(disk))


def test_folder_beside_a_source_whose_name_begins_alike_is_another(job: OneJob) -> None:
    beside = job.folder.with_name(f"{JOB}-disk")
    beside.mkdir()
    with own_device(beside):
        assert disk_to_write(job.settings, [JOB], str(beside)).folder == str(beside)


def test_whether_it_gives_second_names_is_tried(job: OneJob, disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for gives in (True, False):
        monkeypatch.setattr(carried, "gives_second_names", lambda _, gives=gives: gives)
        with own_device(disk):
            assert disk_to_write(job.settings, [JOB], str(disk)).disk.links is gives


# -- whose it is --


def fresh(disk: Path, number: str = "f" * 16) -> CarriedDisk:
    return CarriedDisk(str(disk), look_at_disk(str(disk)), None, number)


def test_note_is_durable_before_it_has_its_name(disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A power cut leaves no empty note, which would be refused from then on."""
    done: list[type] = []
    real = DiskPlace._do

    def noting(place: DiskPlace, op: Any) -> Any:
        done.append(type(op))
        return real(place, op)

    monkeypatch.setattr(DiskPlace, "_do", noting)
    fresh(disk).claim("hearth", HOME, FAR)
    wanted = [requests.Write, requests.Sync, requests.Rename]
    assert [kind for kind in done if kind in wanted] == wanted


def test_who_was_too_late_leaves_nothing_and_the_note_as_it_was(disk: Path) -> None:
    first, late = fresh(disk), fresh(disk, "e" * 16)
    first.claim("hearth", HOME, FAR)
    with pytest.raises(FarTrouble, match="another run took this disk at this moment"):
        late.claim("hearth", HOME, FAR)
    assert os.listdir(disk) == ["OTHERROOF-DISK.txt"]
    note = note_at(str(disk))
    assert note == first.note
    assert note is not None
    assert note.number == "f" * 16


def test_note_that_cannot_be_read_is_not_taken_for_none(disk: Path, tmp_path: Path) -> None:
    """Else a disk that somebody uses would be claimed."""
    (disk / "OTHERROOF-DISK.txt").mkdir()
    with pytest.raises(HomeTrouble, match="cannot be read"):
        note_at(str(disk))
    (disk / "OTHERROOF-DISK.txt").rmdir()
    os.mkfifo(disk / "OTHERROOF-DISK.txt")
    with pytest.raises(HomeTrouble, match="cannot be read"):
        note_at(str(disk))


def test_each_disk_has_a_number_of_its_own_and_keeps_it(job: OneJob, tmp_path: Path) -> None:
    numbers = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        with own_device(tmp_path / name):
            found = disk_to_write(job.settings, [JOB], str(tmp_path / name))
            found.claim("hearth", HOME, FAR)
            assert disk_to_write(job.settings, [JOB], str(tmp_path / name)).number == found.number
        numbers.append(found.number)
    assert len(set(numbers)) == 2
    assert len({carried.disk_state(job.settings.state, number) for number in numbers}) == 2


# -- which of several landed --


def numbered(monkeypatch: pytest.MonkeyPatch, digit: str) -> None:
    """The next disk has this number: disks are looked through by their numbers."""
    real = carried.secrets.token_hex
    monkeypatch.setattr(carried.secrets, "token_hex", lambda size: digit * 16 if size == 8 else real(size))


@pytest.mark.parametrize("is_cut", [False, True], ids=["whole", "cut"])
def test_what_is_taken_over_is_of_the_disk_that_landed_and_of_no_other(
    job: OneJob, tmp_path: Path, is_cut: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    ours, other = tmp_path / "ours", tmp_path / "other"
    for folder, digit in ((ours, "b"), (other, "a")):
        folder.mkdir()
        numbered(monkeypatch, digit)
        (cut_onto if is_cut else done_onto)(job, folder)
        job.put(f"after {digit}.txt", digit)
    monkeypatch.undo()
    kept = {digit: job.state / "carried" / (digit * 16) for digit in "ab"}
    there = {path.relative_to(kept["a"]) for path in kept["a"].rglob("*") if path.is_file()}
    carry(job, ours)
    context = JobContext(ProofProgress(), clock=job.clock)
    if is_cut:
        with pytest.raises(FarTrouble, match="holds no whole copy yet"):
            land(job.settings, JOB, "", context)
        assert Path(JobStateFiles(job.settings.state, JOB).notes).exists(), (
            "what the cut run wrote need not be found out"
        )
    else:
        assert land(job.settings, JOB, "", context).goes_on
    assert {path.relative_to(kept["a"]) for path in kept["a"].rglob("*") if path.is_file()} == there
    assert not kept["b"].exists()
    assert job.unlike(job.done().run) == []


def test_notes_of_another_home_or_damaged_ones_are_believed_in_nothing(job: OneJob, disk: Path) -> None:
    run = done_onto(job, disk).report.run
    note = note_at(str(disk))
    assert note is not None
    files = JobStateFiles(carried.disk_state(job.settings.state, note.number), JOB)
    assert known._run_of(files, note.home_id) == run
    assert known._run_of(files, "0" * 16) is None
    Path(files.catalogue).write_bytes(b"nothing of that" * 1000)
    assert known._run_of(files, note.home_id) is None


# -- when it counts --


def test_disk_does_not_count_before_its_sample_was_read_back(
    job: OneJob, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done_onto(job, disk)
    carry(job, disk)

    def lost(*_: object, **__: object) -> None:
        raise LinkLost("the line broke")

    with Ledger(job.settings.ledger) as ledger:
        ledger.proved.note(JOB, [b"letters/one.txt"], 1)  # on the disk that was there before
        with monkeypatch.context() as patched:
            patched.setattr(landed, "prove", lost)
            with pytest.raises(LinkLost):
                land(job.settings, JOB, "", JobContext(ProofProgress(), clock=job.clock))
        assert ledger.runs.newest_good(JOB, far=FAR) is None
        assert ledger.proved.days(JOB).day(b"letters/one.txt") == 0, "nothing of this disk has been proved yet"
        found = land(job.settings, JOB, "", JobContext(ProofProgress(), clock=job.clock))
        assert found.landed
        ledger.proved.note(JOB, [b"letters/two.txt"], 7)
        land(job.settings, JOB, "", JobContext(ProofProgress(), clock=job.clock))
        assert ledger.proved.days(JOB).day(b"letters/two.txt") == 7, "it was known already"


def test_damaged_listing_of_a_disk_is_remembered_also_if_the_sample_does_not_meet_it(
    job: OneJob, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next runs and the digest go by it."""
    sample = SimpleNamespace(report=SimpleNamespace(damaged=[]), found_damage=False)
    monkeypatch.setattr(landed, "prove", lambda *_: sample)
    first = done_onto(job, disk).report.run
    job.put("letters/two.txt", "two")
    done_onto(job, disk)
    carry(job, disk)
    job.listing(first).write_bytes(b"nothing of that")
    assert land(job.settings, JOB, "", JobContext(ProofProgress(), clock=job.clock)).found_damage
    with Ledger(job.settings.ledger) as ledger:
        assert [mark.run for mark in ledger.damages.of(JOB)] == [first]


def test_copy_that_has_its_place_already_is_left_there_and_a_broken_line_is_told_as_that(
    job: OneJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = job.settings
    opened = cast(OpenedJob, SimpleNamespace(name=JOB, job=settings.jobs[JOB]))

    def lost(*_: object) -> None:
        raise LinkLost("the line broke")

    monkeypatch.setattr(landed, "open_place", lost)
    landed._bring_into_place(settings, opened, settings.far[FAR].base)
    with pytest.raises(LinkLost):
        landed._bring_into_place(settings, opened, "/mounted")


def test_run_that_stopped_early_is_told_if_it_was_the_last_and_not_if_a_later_one_went_well() -> None:
    for cut, told in (("2031-04-05", False), ("2031-04-07", True)):
        view = SimpleNamespace(runs=["2031-04-06"], cut=[cut], newest="2031-04-06")
        far = SimpleNamespace(base="/copies")
        opened = cast(OpenedJob, SimpleNamespace(name=JOB, view=view, far=far, notes=[]))
        landed._require_copy(opened, "")
        assert bool(opened.notes) is told


def test_any_damage_is_damage() -> None:
    header, proof = cast(Any, None), cast(Any, SimpleNamespace(found_damage=True))
    assert LandedDisk(header, damaged={"2031-04-06": "cut short"}).found_damage
    assert LandedDisk(header, proof=proof).found_damage
    assert not LandedDisk(header).found_damage
