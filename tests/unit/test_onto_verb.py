"""`run --onto` and `landed` as a person types them: what is said, in which order, and how the verb leaves."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.carried_disk import carry, own_device
from support.lab.household import write_settings
from support.main_job import JOB, OneJob, one_job
from support.verbs import Verb, verb_of

MOUNTED = "is the disk mounted there? if it is mounted elsewhere, name that with --place"


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    where = tmp_path / "disk"
    where.mkdir()
    with own_device(where):
        yield where


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        made.put("a.txt", "a")
        made.put("b/c.bin", b"c" * 100_000)
        yield made


@pytest.fixture
def verb(job: OneJob, capsys: pytest.CaptureFixture[str]) -> Verb:
    return verb_of(job, capsys)


def with_second_job(job: OneJob, where: Path) -> Path:
    """The household has a job `music` too; its folder."""
    music = where / "home" / "music"
    music.mkdir()
    (music / "song.bin").write_bytes(b"s" * 50_000)
    jobs = {JOB: {"folder": str(job.folder)}, "music": {"folder": str(music)}}
    write_settings(job.config, job.door, jobs, far_more={"connections": 1, "pause_s": 0.01, "answer_s": 20.0})  # type: ignore[arg-type]
    return music


def with_two_far_boxes(job: OneJob, where: Path) -> None:
    """That job goes to a far box `wren`."""
    with_second_job(job, where)
    main = Path(job.config) / "otherroof.toml"
    table = main.read_text().partition("[far.heron]")[2]
    main.write_text(main.read_text() + "\n[far.wren]" + table)
    music = Path(job.config) / "jobs" / "music.toml"
    music.write_text(music.read_text().replace(json.dumps("heron"), json.dumps("wren")))


def test_caution_comes_first_and_what_to_do_comes_last(job: OneJob, verb: Verb, disk: Path) -> None:
    told = verb("run", JOB, "--onto", str(disk))
    assert told.code == 0
    said = [line for line in told.err.splitlines() if not line.startswith("made ")]
    assert said[0] == f"writes into {disk}, a folder for each job, and removes nothing there"
    assert said[1].startswith("CAUTION: whoever has this disk in hand can read the copy")
    assert "LUKS" in said[1]
    assert said[2:] == [
        "next:",
        f"  sudo umount {disk}   (or where it is mounted; wait until it returns), and carry it to heron",
        f"  mount it there so that what is in {disk} now stands in /copies, and write that into /etc/fstab",
        "     (/copies is what account copykeeper sees: if sshd shuts it into a folder, put that folder before it)",
        "  set owner and rights there, once, as root:",
        "     sudo chown -h copykeeper: /copies",
        "     sudo chown -hR copykeeper: /copies/papers",
        "  otherroof landed papers   (here; until then it does not count as a copy)",
    ]
    assert "100 kB of content written onto the disk" in told.out
    assert "papers: no copy in the other house yet, but one on a disk (" in (said := verb("status").out)
    assert ": otherroof landed papers, once it is there" in said
    assert "otherroof run papers" not in said
    runs = verb("ledger", "--json").json["runs"]
    assert [(run["onto"], run["landed"]) for run in runs] == [(str(disk), None)]
    assert "done, onto a disk" in verb("ledger").out
    carry(job, disk)
    told = verb("landed", JOB)
    assert (told.code, told.err) == (0, "")
    assert told.out.startswith("papers: the disk has landed: 2 files (100 kB) as of ")
    assert "1 listing proved" in told.out
    assert "it counts from now on, and the next run goes on from there: otherroof run papers" in told.out
    assert "one on a disk" not in verb("status").out
    assert "done, onto a disk that is there" in verb("ledger").out
    told = verb("run", JOB, "--json")
    assert told.json["runs"][0]["bytes"]["sent"] == 0


def test_landed_tells_the_same_in_json(job: OneJob, verb: Verb, disk: Path) -> None:
    verb("run", JOB, "--onto", str(disk))
    carry(job, disk)
    found = verb("landed", JOB, "--json").json
    assert (found["files"], found["listings"], found["goes_on"], found["damaged"]) == (2, 1, True, [])
    assert found["landed"] == [found["run"]]
    assert found["read_back"]["files"] == 2


def test_several_jobs_go_onto_one_disk(job: OneJob, verb: Verb, disk: Path, tmp_path: Path) -> None:
    with_second_job(job, tmp_path)
    told = verb("run", "--onto", str(disk))
    assert told.code == 0, told.err
    assert sorted(path.name for path in disk.iterdir()) == ["OTHERROOF-DISK.txt", "music", "papers"]
    assert "sudo chown -hR copykeeper: /copies/music /copies/papers" in told.err
    assert "  otherroof landed music papers   (here; until then none of them counts as a copy)" in told.err
    carry(job, disk)
    told = verb("landed")
    assert (told.code, told.err) == (0, "")
    assert [line.split(":")[0] for line in told.out.splitlines() if "the disk has landed" in line] == ["music", JOB]
    told = verb("run", "--json")
    assert [run["bytes"]["sent"] for run in told.json["runs"]] == [0, 0]


def test_landed_without_a_name_means_what_is_on_its_way(job: OneJob, verb: Verb, disk: Path, tmp_path: Path) -> None:
    with_second_job(job, tmp_path)
    told = verb("landed")
    assert told.code == 2
    assert "no copy is on its way on a disk, as far as this machine knows; `otherroof run JOB --onto" in told.one_line()
    verb("run", JOB, "--onto", str(disk))
    carry(job, disk)
    found = verb("landed", "--json").json
    assert [(one["job"], one["files"]) for one in found["jobs"]] == [(JOB, 2)]
    assert "no copy is on its way" in verb("landed").err


def test_what_stands_against_one_job_keeps_no_other_from_counting(
    job: OneJob, verb: Verb, disk: Path, tmp_path: Path
) -> None:
    with_second_job(job, tmp_path)
    verb("run", "--onto", str(disk))
    shutil.rmtree(disk / "music")
    carry(job, disk)
    told = verb("landed", "music", JOB, "music", "--json")
    assert told.code == 1
    assert told.err == f"music: there is no copy of it in /copies; it has papers; {MOUNTED}\n"
    music, papers = told.json["jobs"]
    assert music == {"job": "music", "error": f"music: there is no copy of it in /copies; it has papers; {MOUNTED}"}
    assert papers["landed"] == [papers["run"]]
    told = verb("landed")
    assert (told.code, told.out) == (1, ""), "that one is on its way yet"
    assert told.err.startswith("music: there is no copy of it")


def test_copy_that_went_over_the_line_is_not_taken_for_the_one_on_the_disk(job: OneJob, verb: Verb, disk: Path) -> None:
    verb("run", JOB, "--onto", str(disk))
    (carried,) = verb("ledger", "--json").json["runs"]
    job.done()
    told = verb("landed", JOB)
    assert told.code == 1
    said = f"what stands in /copies is another copy than that on the disk, which has run {carried['run']}; {MOUNTED}"
    assert said in told.one_line()
    assert [row["landed"] for row in verb("ledger", "--json").json["runs"] if row.get("onto")] == [None]


def test_damage_is_told_where_other_verbs_tell_it(job: OneJob, verb: Verb, disk: Path) -> None:
    verb("run", JOB, "--onto", str(disk))
    carry(job, disk)
    (job.latest / "a.txt").write_text("b")
    told = verb("landed", JOB)
    assert told.code == 5
    assert "damaged: a.txt" not in told.out
    assert "  damaged: a.txt: " in told.err
    assert "`otherroof prove papers --heal" in told.err


def test_disks_of_two_far_boxes_are_not_looked_for_in_one_place(
    job: OneJob, verb: Verb, disk: Path, tmp_path: Path
) -> None:
    with_two_far_boxes(job, tmp_path)
    told = verb("landed", "music", JOB, "--place", "/mnt/disk")
    assert told.code == 2
    assert "these jobs have heron and wren" in told.one_line()


def test_room_is_asked_for_all_jobs_before_the_first_writes(
    job: OneJob, verb: Verb, disk: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dataclasses import replace

    from otherroof.jobs.carried import onto

    real = onto.look_at_disk
    monkeypatch.setattr(onto, "look_at_disk", lambda folder: replace(real(folder), free=200_000))
    assert verb("run", JOB, "--onto", str(disk), "--dry").code == 0, "there is room for this one"
    with_second_job(job, tmp_path)
    told = verb("run", "--onto", str(disk))
    assert told.code == 1
    assert "would come onto the disk, and 200 kB are free; nothing was written" in told.err
    assert list(disk.iterdir()) == []
    assert list((job.state / "carried").iterdir()) == []


def test_jobs_of_two_far_boxes_do_not_go_onto_one_disk(job: OneJob, verb: Verb, disk: Path, tmp_path: Path) -> None:
    with_two_far_boxes(job, tmp_path)
    told = verb("run", "--onto", str(disk))
    assert told.code == 2
    assert "a disk is carried to one far box, and these jobs have heron and wren" in told.one_line()
    assert list(disk.iterdir()) == []


def test_dry_run_onto_a_disk_writes_nothing(job: OneJob, verb: Verb, disk: Path) -> None:
    told = verb("run", JOB, "--onto", str(disk), "--dry")
    assert told.code == 0
    assert "papers: would be done; nothing was sent" in told.out
    assert "next:" not in told.err
    assert list(disk.iterdir()) == []


def test_refusal_is_one_line_and_leaves_with_its_code(verb: Verb, job: OneJob) -> None:
    told = verb("run", JOB, "--onto", str(job.folder))
    assert told.code == 2
    assert "lies inside the folder of job papers; name a folder on another disk" in told.one_line()


def test_place_at_the_far_box_is_named_from_its_top(verb: Verb) -> None:
    told = verb("landed", JOB, "--place", "disk")
    assert told.code == 2
    assert "'disk' does not begin with /" in told.one_line()
