"""A run onto a disk that will be carried: the copy is the one that a run over the line makes, home's knowledge of it is
kept apart, and what cannot be is refused before anything is written."""

from __future__ import annotations

import errno
import os
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import FarTrouble, HomeTrouble, OtherroofError, PlaceError, WrongUse
from otherroof.copying.progress import Progress
from otherroof.far import requests
from otherroof.far.local import disk_place
from otherroof.far.local import place as local_place
from otherroof.far.local.disk import look_at_disk
from otherroof.far.local.disk_place import DiskPlace
from otherroof.far.place import Meter, run_script
from otherroof.far.requests import Mode
from otherroof.jobs.carried import disk as carried
from otherroof.jobs.carried import onto
from otherroof.jobs.context import JobContext
from otherroof.jobs.run import RunOptions, run_job
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from support.carried_disk import carry, done_onto, own_device, run_onto
from support.main_job import FAR, JOB, OneJob, one_job
from support.places import ask
from support.quick import slow_but_for
from support.two_boxes import STEM, two_boxes


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        made.put("letters/one.txt", "one")
        made.put("letters/two.txt", "two")
        made.put("large.bin", bytes(range(256)) * 8192)
        (made.folder / "link").symlink_to("letters/one.txt")
        os.link(made.folder / "letters/one.txt", made.folder / "again.txt")
        yield made


@pytest.fixture
def disk(tmp_path: Path) -> Path:
    (tmp_path / "disk").mkdir()
    return tmp_path / "disk"


def names_below(folder: Path) -> list[str]:
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))


# -- what is written, and what is known of it --


def test_carried_copy_goes_on_over_the_line_without_any_content(job: OneJob, disk: Path) -> None:
    ran = done_onto(job, disk).report
    assert ran.bytes.sent > 0
    assert ran.bytes.wire_up == ran.bytes.wire_down == 0
    carry(job, disk)
    after = job.done()
    assert (after.bytes.sent, after.files.new, after.files.changed) == (0, 0, 0)
    job.all_come_back()


def test_carried_copy_lies_as_one_that_went_over_the_line(job: OneJob, disk: Path) -> None:
    carried_run = done_onto(job, disk).report.run
    line_run = job.done().run
    there = [name.replace(line_run, "RUN") for name in names_below(job.far)]
    assert [name.replace(carried_run, "RUN") for name in names_below(disk / JOB)] == there


def test_later_runs_onto_a_disk_keep_the_versions_before(job: OneJob, disk: Path) -> None:
    done_onto(job, disk)
    job.put("letters/one.txt", "one, as it is now")
    (job.folder / "letters/two.txt").unlink()
    later = done_onto(job, disk).report
    assert (later.files.changed, later.files.removed) == (2, 1)
    assert later.bytes.sent == len("one, as it is now")
    carry(job, disk)
    job.all_come_back()


def test_run_onto_a_disk_counts_for_nothing_at_the_far_box(job: OneJob, disk: Path) -> None:
    run = done_onto(job, disk).report.run
    with Ledger(job.settings.ledger) as ledger:
        (row,) = ledger.runs.rows(carried=True)
        assert (row.report.run, row.onto, row.landed, row.at_far_box) == (run, str(disk), None, False)
        assert ledger.runs.rows() == []
        assert ledger.runs.newest_good(JOB) is None
        assert ledger.runs.first_good(JOB, FAR) is None
        assert ledger.runs.last_counted(FAR, job.clock.now()) is None
        assert ledger.answers.last(FAR) is None
        assert ledger.wire_bytes_since(FAR, row.started) == 0
        assert ledger.runs.land(JOB, [run, "2031-04-05T013000Z-0001"], job.clock.now()) == [run]
        good = ledger.runs.newest_good(JOB, far=FAR)
        assert good is not None
        assert good.report.run == run
        assert ledger.runs.first_good(JOB, FAR) == good.landed
        assert ledger.runs.rows() == [], "it tells nothing of the line"


def test_what_home_knows_of_the_far_box_is_not_touched_by_a_run_onto_a_disk(job: OneJob, disk: Path) -> None:
    job.done()
    known = (job.state / "catalogues" / f"{JOB}.db").read_bytes()
    job.put("new.txt", "new")
    done_onto(job, disk)
    assert (job.state / "catalogues" / f"{JOB}.db").read_bytes() == known
    after = job.done()
    assert (after.files.new, after.bytes.sent) == (1, len("new"))


def test_run_ids_go_on_over_line_and_disk(job: OneJob, disk: Path) -> None:
    job.clock = SteppedClock(job.clock.now())
    # Not `done`: while this clock stands the far box's goes on, and on a busy machine that is told.
    runs = [job.run().report.run, done_onto(job, disk).report.run, job.run().report.run]
    assert all(runs)
    assert runs == sorted(set(runs))


# -- stopped, killed, gone on with --


def test_run_onto_a_disk_that_was_stopped_goes_on(job: OneJob, disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(local_place, "TICK_S", 0.0)
    for number in range(8):
        job.put(f"more/{number}.bin", os.urandom(3 << 20))
    sign = StopSign(job.clock)

    def stop_soon(progress: Progress) -> None:
        if progress.landed > 6 << 20:
            sign.ask("stopped by hand")

    first = run_onto(job, disk, tick=stop_soon, stop=sign)
    assert first.report.outcome == "cut"
    assert 0 < first.report.bytes.sent < 20 << 20
    second = done_onto(job, disk).report
    assert second.bytes.sent <= (26 << 20) + 100 - first.report.bytes.sent + (2 << 20)
    carry(job, disk)
    assert job.done().bytes.sent == 0
    job.all_come_back()


class Killed(BaseException):
    """Stands for the end of the process."""


@pytest.mark.parametrize("seed", slow_but_for((0, 1), range(8)))
def test_run_onto_a_disk_killed_at_any_request_goes_on(
    job: OneJob, disk: Path, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    dice = random.Random(seed)
    real = DiskPlace._do
    left = [0]

    def do(place: DiskPlace, op: Any) -> Any:
        left[0] -= 1
        if left[0] == 0:
            raise Killed
        return real(place, op)

    monkeypatch.setattr(DiskPlace, "_do", do)
    for day in range(3):
        job.put(f"day {day}.txt", f"of day {day}")
        job.put("letters/one.txt", f"one, on day {day}")
        left[0] = dice.randrange(1, 90)
        try:
            run_onto(job, disk)
        except Killed:
            left[0] = 0
            ran = run_onto(job, disk)
            assert ran.error is None, ran.error
    left[0] = 0
    carry(job, disk)
    assert job.done().bytes.sent == 0
    job.all_come_back()


def test_disk_that_is_full_in_the_middle_ends_the_run_in_one_line(
    job: OneJob, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setitem(local_place._HANDLERS, requests.Write, full)
        patched.setattr(carried.CarriedDisk, "claim", lambda *_: None)  # the note stands already
        ran = run_onto(job, disk).error
    assert isinstance(ran, HomeTrouble)
    assert str(ran).startswith(f"{disk}: the disk is full (")
    assert "the same command goes on from there" in str(ran)
    assert "\n" not in str(ran)
    done_onto(job, disk)


# -- refused, and nothing written --


def refused(job: OneJob, folder: Path) -> OtherroofError:
    """Why a run onto `folder` was refused, and that nothing was written there."""
    before = names_below(folder) if folder.is_dir() else None
    try:
        error = run_onto(job, folder).error
    except OtherroofError as problem:
        error = problem
    assert error is not None, "it was not refused"
    assert "\n" not in str(error)
    assert error.advice, "it does not say what to do"
    assert (names_below(folder) if folder.is_dir() else None) == before
    kept = job.state / "carried"
    assert not kept.exists() or list(kept.iterdir()) == []
    return error


def test_folder_that_is_not_there_is_refused(job: OneJob, tmp_path: Path) -> None:
    assert "is no folder here; is the disk plugged in" in str(refused(job, tmp_path / "nowhere"))


def test_folder_inside_a_source_is_refused(job: OneJob) -> None:
    assert "lies inside the folder of job papers" in str(refused(job, job.folder / "letters"))


def test_folder_above_a_source_is_refused(job: OneJob, tmp_path: Path) -> None:
    assert "the folder of job papers lies inside it" in str(refused(job, tmp_path))


def test_folder_on_the_sources_own_disk_is_refused(job: OneJob, disk: Path) -> None:
    with pytest.raises(WrongUse, match=r"is on the same disk as .*, so it would be no second copy"):
        carried.disk_to_write(job.settings, [JOB], str(disk))


def test_folder_on_the_disk_that_the_machine_runs_from_is_refused(
    job: OneJob, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Where the tests write may be another one, or memory.
    real = carried.device_of
    monkeypatch.setattr(carried, "device_of", lambda path: real(str(disk)) if path == "/" else real(path))
    with own_device(job.folder), pytest.raises(WrongUse, match="is on the disk that this machine runs from"):
        carried.disk_to_write(job.settings, [JOB], str(disk))


def test_folder_that_the_account_may_not_write_is_refused_with_the_line_that_helps(
    job: OneJob, disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of the disk itself the top folder alone is given away, of a job's folder all that is in it."""
    done_onto(job, disk)
    shut = disk / JOB / "latest"
    for path, help in ((disk, f"sudo chown keeper: {disk}"), (shut, f"sudo chown -hR keeper: {disk / JOB}")):
        monkeypatch.setattr(carried.getpass, "getuser", lambda: "keeper")
        monkeypatch.setattr(carried.os, "access", lambda one, *_, path=path, **__: str(one) != str(path))
        with own_device(disk), pytest.raises(HomeTrouble) as caught:
            carried.disk_to_write(job.settings, [JOB], str(disk))
        assert str(caught.value).endswith(f"may not write there; {help}")


def with_disk(monkeypatch: pytest.MonkeyPatch, **other: Any) -> None:
    """Every disk is found with these properties."""
    real = carried.look_at_disk

    def look(folder: str) -> Any:
        return replace(real(folder), **other)

    monkeypatch.setattr(carried, "look_at_disk", look)
    monkeypatch.setattr(onto, "look_at_disk", look)


def test_disk_that_is_mounted_read_only_is_refused(job: OneJob, disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_disk(monkeypatch, read_only=True)
    assert "the disk is mounted read-only, so nothing was written" in str(refused(job, disk))


def test_disk_with_too_little_room_is_refused(job: OneJob, disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_disk(monkeypatch, free=1_500_000)
    assert "would come onto the disk, and 1.50 MB are free; nothing was written" in str(refused(job, disk))
    with_disk(monkeypatch, free=15_000_000, entries_free=3)
    assert "entries would come onto the disk, and it has room for 3 more" in str(refused(job, disk))
    with_disk(monkeypatch, free=15_000_000, entries_free=None)
    done_onto(job, disk)


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("to: whom.txt", "has a character in its name that it does not take"),
        ("etc.", "has a name that ends in a point or a blank"),
        ("LETTERS", "has a name that it takes for another one beside it"),
        (b"\xff", "has a name that is no UTF-8"),
    ],
)
def test_names_that_an_exfat_cannot_hold_are_refused_before_anything_is_written(
    job: OneJob, disk: Path, name: str | bytes, why: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_disk(monkeypatch, system="exfat")
    job.put(name, "what")
    said = str(refused(job, disk))
    assert (
        f"file system (exFAT) cannot hold it: {os.fsencode(name).decode('utf-8', 'backslashreplace')}"
        in said.replace("\\\\", "\\")
    )
    assert why in said
    job.path(name).unlink()
    done_onto(job, disk)


def test_file_of_more_than_4_gib_is_refused_on_fat(job: OneJob, disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with_disk(monkeypatch, system="vfat", free=10**12)
    with job.put("film.bin").open("r+b") as file:
        file.truncate(4 << 30)
    assert "film.bin is larger than 4 GiB, the most that FAT holds in one file" in str(refused(job, disk))


def test_disk_of_another_home_is_refused(job: OneJob, disk: Path, tmp_path: Path) -> None:
    job.done()
    (tmp_path / "other").mkdir()
    with one_job(tmp_path / "other") as other:
        other.put("theirs.txt", "theirs")
        done_onto(other, disk)
    error = refused(job, disk)
    assert isinstance(error, FarTrouble)
    assert "another home's" in str(error)
    (disk / "OTHERROOF-DISK.txt").unlink()
    assert "another home's folder, so nothing was written" in str(refused(job, disk)), "by the job's own folder"


def test_second_of_two_runs_that_take_one_disk_at_once_leaves_it_and_forgets_it(job: OneJob, disk: Path) -> None:
    with own_device(disk):
        first, second = (carried.disk_to_write(job.settings, [JOB], str(disk)) for _ in range(2))
    home, mark = job.settings.home.name, "0123456789abcdef"
    first.claim(home, mark, FAR)
    late = onto.OntoDisk(job.settings, second)
    files = late.files(JOB)
    Path(files.state).mkdir(parents=True)
    for _ in range(2):  # the second job of one command too
        with pytest.raises(FarTrouble, match="another run took this disk at this moment"):
            second.claim(home, mark, FAR)
    late.forget_unclaimed()
    assert not Path(files.state).exists()
    assert carried.note_at(str(disk)) == first.note


def test_held_run_onto_a_disk_names_the_folder_as_it_is_called_there(tmp_path: Path, disk: Path) -> None:
    (tmp_path / "two").mkdir()
    with two_boxes(tmp_path / "two") as house:
        copy = f"{STEM}@wren"
        only = house.put("one.txt", "one")
        for held in (False, True):
            with own_device(disk):
                found = onto.OntoDisk(house.settings, carried.disk_to_write(house.settings, [copy], str(disk)))
            ran = run_job(house.settings, copy, JobContext(Progress(), clock=house.clock), RunOptions(onto=found))
            if not held:
                assert ran.error is None, ran.error
                only.unlink()
    assert f"move {disk}/{STEM} aside, and begin anew" in str(ran.error)


def test_disk_that_goes_to_another_far_box_is_refused(job: OneJob, disk: Path) -> None:
    done_onto(job, disk)
    note = disk / "OTHERROOF-DISK.txt"
    note.write_text(note.read_text().replace(f"far box: {FAR}", "far box: wren"))
    with own_device(disk), pytest.raises(FarTrouble, match="this disk goes to far box wren, and papers is copied to"):
        carried.disk_to_write(job.settings, [JOB], str(disk))
    note.write_text("nothing of that")
    with own_device(disk), pytest.raises(HomeTrouble, match="does not say whose disk this is"):
        carried.disk_to_write(job.settings, [JOB], str(disk))


def test_link_that_somebody_laid_on_the_disk_leads_nothing_out_of_it(job: OneJob, disk: Path, tmp_path: Path) -> None:
    done_onto(job, disk)
    outside = tmp_path / "outside"
    outside.mkdir()
    letters = disk / JOB / "latest" / "letters"
    letters.rename(disk / "moved")
    letters.symlink_to(outside)
    job.put("letters/three.txt", "three")
    ran = run_onto(job, disk)
    assert ran.error is None, ran.error
    assert list(outside.iterdir()) == []
    assert (letters / "three.txt").read_text() == "three"
    assert not letters.is_symlink()


# -- the place itself --


def test_place_holds_no_more_than_some_folders_open_and_closes_all(disk: Path) -> None:
    before = len(os.listdir("/proc/self/fd"))
    place = DiskPlace(str(disk), look_at_disk(str(disk)), Meter())
    for number in range(disk_place.MOST_HELD + 20):
        run_script(place, ask(requests.MakeFolder(b"%d" % number)))
        run_script(place, ask(requests.MakeFolder(b"%d/below" % number)))
    assert len(os.listdir("/proc/self/fd")) <= before + 1 + disk_place.MOST_HELD
    place.close()
    assert len(os.listdir("/proc/self/fd")) == before


@pytest.mark.parametrize("path", [b"../out", b"a/../../out", b"a/../b"])
def test_place_lets_no_path_lead_out(disk: Path, path: bytes) -> None:
    (disk / "a").mkdir()
    (disk / "in").mkdir()
    place = DiskPlace(str(disk / "in"), look_at_disk(str(disk)), Meter())
    with pytest.raises(PlaceError):
        run_script(place, ask(requests.MakeFolder(path)))
    place.close()
    assert names_below(disk) == ["a", "in"]


@pytest.mark.parametrize(
    "op",
    [
        requests.MakeFolder(b"link/new"),
        requests.OpenFile(b"link/new", Mode.WRITE | Mode.CREATE),
        requests.OpenFile(b"link/deep/theirs", Mode.READ),
        requests.OpenFolder(b"link"),
        requests.Remove(b"link/deep/theirs"),
        requests.Rename(b"own", b"link/own"),
        requests.Rename(b"link/deep/theirs", b"theirs"),
        requests.Link(b"own", b"link/own"),
        requests.MakeSymlink(b"anything", b"link/new"),
        requests.RemoveFolder(b"link/deep"),
        requests.Stat(b"link/deep"),
    ],
    ids=repr,
)
def test_place_goes_through_no_link(disk: Path, tmp_path: Path, op: requests.Op) -> None:
    (tmp_path / "outside/deep").mkdir(parents=True)
    (tmp_path / "outside/deep/theirs").write_text("theirs")
    (disk / "link").symlink_to(tmp_path / "outside")
    (disk / "own").write_text("own")
    place = DiskPlace(str(disk), look_at_disk(str(disk)), Meter())
    with pytest.raises(PlaceError):
        run_script(place, ask(op))
    place.close()
    assert names_below(tmp_path / "outside") == ["deep", "deep/theirs"]
    assert names_below(disk) == ["link", "own"]


def test_place_does_not_take_another_disk_for_the_one_that_was_found(disk: Path) -> None:
    """Unplugged between two jobs, a disk leaves the empty folder that it was mounted in."""
    found = look_at_disk(str(disk))
    with pytest.raises(HomeTrouble, match="the disk that was mounted there is gone") as caught:
        DiskPlace(str(disk), replace(found, device=found.device + 1), Meter())
    assert "the same command goes on from there" in str(caught.value)


def test_run_onto_a_disk_that_was_unplugged_since_writes_nothing_where_it_was(job: OneJob, disk: Path) -> None:
    settings = job.settings
    with own_device(disk):
        gone = carried.disk_to_write(settings, [JOB], str(disk))
    gone.disk = replace(gone.disk, device=gone.disk.device + 1)
    context = JobContext(Progress(), clock=job.clock, disk=gone)
    ran = run_job(settings, JOB, context, RunOptions(onto=onto.OntoDisk(settings, gone)))
    assert "the disk that was mounted there is gone" in str(ran.error)
    assert names_below(disk) == []


def test_syncs_that_follow_each_other_cost_one(disk: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = DiskPlace(str(disk), look_at_disk(str(disk)), Meter())
    calls: list[int] = []
    real: Callable[[int], int] = disk_place._libc.syncfs
    monkeypatch.setattr(
        disk_place, "_libc", type("Calls", (), {"syncfs": lambda _, fd: calls.append(fd) or real(fd)})()
    )
    handle = run_script(place, ask(requests.OpenFile(b"a", Mode.WRITE | Mode.CREATE)))
    run_script(place, ask(requests.Write(handle, 0, b"some")))
    for _ in range(3):
        again = run_script(place, ask(requests.OpenFile(b"a", Mode.WRITE)))
        assert run_script(place, ask(requests.Sync(again)))
        run_script(place, ask(requests.CloseFile(again)))
    assert len(calls) == 1
    run_script(place, ask(requests.Write(handle, 0, b"more")))
    run_script(place, ask(requests.Sync(handle)))
    assert len(calls) == 2
    run_script(place, ask(requests.CloseFile(handle)))
    place.close()
