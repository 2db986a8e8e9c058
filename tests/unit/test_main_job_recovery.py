"""Whatever is lost or cut, at home or on the way: versions come back, and content that is there is not sent again."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.base.errors import FarTrouble, HomeTrouble, LinkLost
from otherroof.copying import reconnect
from otherroof.copying.compare.catalogue_repair import CheckedCatalogue
from otherroof.copying.compare.change import LARGE, PlannedChange
from otherroof.copying.compare.find_changes import ChangeFinder
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.progress import Progress
from otherroof.copying.run import Run
from otherroof.copying.send.files import FileSender
from otherroof.jobs.context import JobContext
from otherroof.jobs.run import run_job
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from support.faulty_box import Offers
from support.main_job import JOB, OneJob, one_job
from support.quick import slow_but_for

pytestmark = pytest.mark.lasts(22)

BIG = random.Random(4).randbytes(2 * LARGE)
# A far box that takes no long writes: few bytes are many requests.
SHORT_WRITES = Offers(limits=False)
BIGGER = random.Random(5).randbytes(4 * LARGE)
HALF_SENT = 101  # requests after which more than MUCH of BIGGER, and not all, is there
MUCH = LARGE


@pytest.fixture(autouse=True)
def _no_try_is_worth_more_than_another(monkeypatch: pytest.MonkeyPatch) -> None:
    """A connection that carried something does not earn the run a further try, so that it fails when it should."""
    monkeypatch.setattr(reconnect, "WORTH", 1 << 60)


@pytest.fixture
def job(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[OneJob]:
    with one_job(tmp_path, far_more={"tries": 1}, offers=getattr(request, "param", None)) as made:
        yield made


short_writes = pytest.mark.parametrize("job", [SHORT_WRITES], indirect=True, ids=["short writes"])


def furnish(job: OneJob, files: int = 30) -> int:
    """Some files of several kinds; answers the bytes of their content."""
    dice = random.Random(1)
    size = 0
    for number in range(files):
        content = dice.randbytes(dice.randrange(1, 9000))
        job.put(f"{number % 5}/{number:02}", content)
        size += len(content)
    job.put("big", BIG)
    job.path("link").symlink_to("big")
    job.path("twice").hardlink_to(job.path("0/00"))
    return size + len(BIG)


def cut_after(job: OneJob, requests: int, times: int = 1000) -> None:
    job.door.misbehave(cut_after=requests, cut_times=times)  # type: ignore[attr-defined]


def well_again(job: OneJob) -> None:
    job.door.misbehave()  # type: ignore[attr-defined]


# -- what is lost at home --


def test_catalogue_deleted_and_no_content_is_sent_again(job: OneJob) -> None:
    """Invariant 4."""
    furnish(job)
    job.done()
    (job.state / "catalogues" / f"{JOB}.db").unlink()
    report = job.done()
    assert report.bytes.sent == 0
    assert (report.files.new, report.files.changed, report.files.moved, report.files.removed) == (0, 0, 0, 0)
    assert job.done().bytes.sent == 0
    job.all_come_back()


def test_state_folder_deleted_and_no_content_is_sent_again(job: OneJob) -> None:
    """Invariant 4, with changes at home in between."""
    furnish(job)
    job.done()
    job.forget_state()
    job.put("new", b"only this")
    job.path("1").rename(job.path("moved"))
    report = job.done()
    assert report.bytes.sent == len(b"only this")
    assert (report.files.new, report.files.moved, report.files.removed) == (1, 6, 0)
    job.all_come_back()


def test_state_folder_deleted_and_a_folder_of_links_is_not_held(job: OneJob) -> None:
    """Invariant 4: links that did not change count as unchanged, though the listing tells no size of them."""
    for number in range(120):
        job.path(f"link {number}").symlink_to(f"target {number}")
    job.done()
    job.forget_state()
    assert job.run(dry=True).report.files.changed == 0
    assert job.done().files.changed == 0
    job.all_come_back()


def test_state_folder_deleted_after_a_cut_run_and_nothing_it_brought_is_sent_again(job: OneJob) -> None:
    """Invariants 4 and 8: what stands in the far copy is found by looking there."""
    job.put("first", b"a first file")
    job.done()
    size = furnish(job)
    cut_after(job, 150)
    assert isinstance(job.run().error, LinkLost)
    there = sum(path.stat().st_size for path in job.latest.rglob("*") if path.is_file()) - len(b"a first file")
    well_again(job)
    job.forget_state()
    assert job.done().bytes.sent <= size - there
    job.all_come_back()


def test_chunk_lists_deleted_and_a_changed_large_file_comes_whole(job: OneJob) -> None:
    job.put("big", BIG)
    job.done()
    shutil.rmtree(job.state / "chunks")
    job.put("big", b"new" + BIG)
    assert job.done().bytes.sent == len(BIG) + 3
    job.all_come_back()


@pytest.mark.parametrize("name", ["catalogues", "chunks", "notes"])
def test_file_of_a_newer_otherroof_is_named_and_left_alone(job: OneJob, name: str) -> None:
    job.put("a", b"a")
    job.done()
    job.put("a", b"b")
    path = job.state / name / f"{JOB}.db"
    path.parent.mkdir(exist_ok=True)
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    before = path.read_bytes()
    ran = job.run()
    assert isinstance(ran.error, HomeTrouble)
    assert "newer Otherroof" in str(ran.error)
    assert str(path) in str(ran.error)
    assert path.read_bytes()[100:] == before[100:]  # SQLite's own header counts openings
    path.unlink()
    job.done()
    job.all_come_back()


# -- what breaks on the way --


@pytest.mark.parametrize("requests", slow_but_for([8, 45, 150], [1, 3, 8, 14, 20, 30, 45, 70, 110, 150, 190]))
def test_connection_breaks_and_the_next_run_goes_on(job: OneJob, requests: int) -> None:
    """Invariants 1 and 2: the cut run does not count, the version before it stays, the next one is complete."""
    job.put("old", b"old content")
    job.put("goes", b"will go")
    first = job.done()
    furnish(job)
    job.put("old", b"new content")
    job.path("goes").unlink()
    cut_after(job, requests)
    assert isinstance(job.run().error, LinkLost)
    well_again(job)
    assert [path.name for path in (job.far / "runs").iterdir()] == [f"{first.run}.jsonl.gz"]
    assert job.unlike(first.run) == []
    job.done()
    job.all_come_back()


@pytest.mark.parametrize("requests", slow_but_for([60], [25, 60, 140]))
def test_connection_breaks_again_and_again_and_one_run_gets_through(job: OneJob, requests: int) -> None:
    job.far_more = {"tries": 20}
    job.write_settings()
    furnish(job)
    cut_after(job, requests, times=4)
    assert job.run().report.outcome == "done"
    job.all_come_back()


@pytest.mark.parametrize("requests", [2, 60])
def test_far_box_that_starts_again_is_awaited(job: OneJob, requests: int) -> None:
    """Nobody listens there for a while, as when the box is started anew in the middle of a run."""
    job.far_more = {"tries": 8, "pause_s": 0.1}
    job.write_settings()
    furnish(job)
    box = job.door.box  # type: ignore[attr-defined]
    real = box.serve
    went = threading.Event()
    starter = threading.Timer(0.6, box.restart)

    def serve_and_fall(channel: object) -> None:
        try:
            real(channel)
        finally:
            if not went.is_set():
                went.set()
                box._listener.close()
                starter.start()

    cut_after(job, requests, times=1)
    with patch.object(box, "serve", serve_and_fall):
        ran = job.run()
        starter.join()
    assert went.is_set()
    assert ran.report.outcome == "done", ran.error
    job.all_come_back()


def test_folder_went_back_to_what_it_was_while_a_run_was_cut(job: OneJob) -> None:
    """Invariant 2: what a cut run put in place is not mistaken for what the catalogue remembers."""
    for number in range(40):
        job.put(f"{number:02}", b"first %d" % number)
    job.done()
    saved = job.where / "saved"
    shutil.copytree(job.folder, saved)
    for number in range(0, 40, 2):
        job.put(f"{number:02}", b"other %d" % number)
    cut_after(job, 90)
    assert isinstance(job.run().error, LinkLost)
    well_again(job)
    shutil.rmtree(job.folder)
    saved.rename(job.folder)  # inodes and times are what they were
    job.done()
    job.all_come_back()
    assert {path.name: path.read_bytes() for path in job.latest.iterdir()} == {
        path.name: path.read_bytes() for path in job.folder.iterdir()
    }


@pytest.mark.parametrize("requests", slow_but_for([100, 340], [100, 220, 300, 340, 400]))
def test_moves_of_a_cut_run_are_not_sent(job: OneJob, requests: int) -> None:
    """What was moved aside under its old name, and has no new one yet, is there all the same."""
    for number in range(60):
        job.put(f"a/{number:02}", b"%04d" % number * 500)
    job.done()
    job.path("a").rename(job.path("b"))
    cut_after(job, requests)
    assert isinstance(job.run().error, LinkLost)
    well_again(job)
    assert job.done().bytes.sent == 0
    job.all_come_back()


@pytest.mark.parametrize("sync", [True, False])
def test_large_file_is_gone_on_with_where_the_connection_broke(tmp_path: Path, sync: bool) -> None:
    with one_job(tmp_path, far_more={"tries": 1}, offers=replace(SHORT_WRITES, fsync=sync)) as job:
        job.put("big", BIGGER)
        cut_after(job, HALF_SENT)
        first = job.run()
        assert isinstance(first.error, LinkLost)
        well_again(job)
        (part,) = (job.far / "incoming").glob("*.part")
        there = part.stat().st_size
        assert MUCH < there < len(BIGGER), "two connections broke too early to say anything"
        assert job.done().bytes.sent <= len(BIGGER) - there + 255 * 1024
        job.all_come_back()


class Killed(BaseException):
    """Stands for SIGKILL: nobody tidies up after it."""


def killed_while(job: OneJob, where: type, method: str) -> None:
    """A run that ends where `method` would begin, and leaves its notes as they are on disk just then."""

    def end(*_: object, **__: object) -> None:
        raise Killed

    def leave(_: Run, __: CheckedCatalogue, plan: RunPlan) -> None:
        plan._file.db.close()  # what was not committed is lost

    with patch.object(where, method, end), patch.object(Run, "_drop_plan", leave), pytest.raises(Killed):
        job.run()


@pytest.mark.parametrize("step", ["_compare", "_find_moves", "guard"])
@short_writes
def test_half_sent_file_outlives_a_run_that_is_killed_while_it_looks(job: OneJob, step: str) -> None:
    """Invariant 3: two kills in a row, and what had arrived is still not sent again."""
    job.put("small", b"small")
    job.done()
    job.put("big", BIGGER)
    job.put("moved", b"small")
    cut_after(job, HALF_SENT)
    job.run()
    well_again(job)
    for _ in range(2):
        killed_while(job, ChangeFinder, step)
    assert job.done().bytes.sent <= len(BIGGER) - MUCH
    job.all_come_back()


@pytest.mark.parametrize("meanwhile", ["dry", "held", "stopped"])
@short_writes
def test_half_sent_file_outlives_a_run_that_sends_nothing(job: OneJob, meanwhile: str) -> None:
    for number in range(100):
        job.put(f"{number}", b"x%d" % number)
    job.done()
    job.put("big", BIGGER)
    cut_after(job, HALF_SENT)
    job.run()
    well_again(job)
    if meanwhile == "dry":
        job.run(dry=True)
    elif meanwhile == "held":
        away = job.where / "away"
        job.folder.rename(away)
        job.folder.mkdir()
        assert job.run().report.outcome == "held"
        job.folder.rmdir()
        away.rename(job.folder)
    else:
        job.door.box.kill()  # type: ignore[attr-defined]
        job.run()
        job.door.box.restart()  # type: ignore[attr-defined]
    assert job.done().bytes.sent <= len(BIGGER) - MUCH
    job.all_come_back()


@short_writes
def test_half_sent_file_that_changed_meanwhile_is_not_pieced_together(job: OneJob) -> None:
    """Invariant 3: the part at the far end belongs to content that is no more."""
    job.put("big", BIGGER)
    cut_after(job, HALF_SENT)
    assert isinstance(job.run().error, LinkLost)
    well_again(job)
    job.put("big", BIGGER[:-5] + b"other")
    job.done()
    job.all_come_back()


def test_asked_to_stop_it_stops_cleanly_and_goes_on(job: OneJob) -> None:
    """Invariant 8: the ledger shows it as cut, with the reason, and what was sent is used."""
    size = furnish(job)
    sign = StopSign(job.clock)
    asked = _AskAtTheThird(sign)
    progress = Progress()
    with Ledger(job.settings.ledger) as ledger, patch.object(FileSender, "_consider", asked.consider(FileSender)):
        ran = run_job(job.settings, JOB, JobContext(progress, ledger, job.clock, sign))
    assert ran.report.outcome == "cut"
    assert ran.report.bytes.sent > 0
    row = job.rows()[0]
    assert (row.report.outcome, "the window closed" in row.report.reason) == ("cut", True)
    again = job.done()
    assert again.bytes.sent <= size - ran.report.bytes.sent
    # What is there is told from what the next run has to send, and that is what the first one left over.
    assert row.report.bytes.to_send == size
    assert size - ran.report.bytes.sent <= again.bytes.to_send < size
    assert job.rows()[0].report.bytes.to_send == again.bytes.to_send
    job.all_come_back()


@dataclass
class _AskAtTheThird:
    """Raises the stop sign when the third file is looked at."""

    sign: StopSign
    met: int = 0

    def consider(self, sender: type[FileSender]) -> Callable[[FileSender, PlannedChange], None]:
        real = sender._consider

        def consider(this: FileSender, change: PlannedChange) -> None:
            self.met += 1
            if self.met == 3:
                self.sign.ask("the window closed")
            real(this, change)

        return consider


def test_far_clock_ahead_of_ours_and_runs_stay_in_order(job: OneJob) -> None:
    job.put("a", b"1")
    first = job.done()
    ahead = "2999-01-01T000000Z-0000"
    (job.far / "earlier" / ahead).mkdir()
    job.put("a", b"2")
    second = job.done()
    assert first.run < ahead < second.run
    assert [row.report.run for row in job.rows()] == [second.run, first.run]
    job.all_come_back()


# -- what is lost at the far end --


def test_far_copy_lost_and_every_run_is_held_until_it_is_released(job: OneJob) -> None:
    """Invariant 6: an exchanged disk is not filled in silence, and asking twice is no answer."""
    furnish(job)
    job.done()
    shutil.rmtree(job.far)
    for _ in range(3):
        ran = job.run()
        assert ran.report.outcome == "held"
        assert "its disk may be missing or was exchanged" in str(ran.error)
        assert "look at the far box's disk" in str(ran.error)
        assert ran.report.bytes.sent == 0
        assert not job.far.exists()
    job.release()
    job.trees.clear()  # the versions went with the disk
    ran = job.run()
    assert ran.error is None
    assert [one.path for one in ran.report.problems] == [""], "it says once more that something was lost"
    job.done()
    job.all_come_back()


def test_far_copy_that_comes_back_is_taken_up_without_a_word(job: OneJob) -> None:
    furnish(job)
    job.done()
    job.far.rename(job.where / "unplugged")
    assert job.run().report.outcome == "held"
    (job.where / "unplugged").rename(job.far)
    assert job.done().bytes.sent == 0
    job.all_come_back()


def test_newest_listing_lost_and_the_run_is_held_then_makes_it_good(job: OneJob) -> None:
    job.put("a", b"one")
    first = job.done()
    job.put("a", b"two")
    second = job.done()
    job.listing(second.run).unlink()
    assert job.run().report.outcome == "held"
    job.release()
    del job.trees[second.run]
    third = job.run()
    assert third.error is None
    assert job.unlike(first.run) == []
    assert job.unlike(third.report.run) == []


def test_folder_of_another_home_is_left_alone(job: OneJob) -> None:
    """Invariant 5: whoever wrote there first, keeps it."""
    job.put("a", b"ours")
    job.done()
    before = {path: path.read_bytes() for path in job.far.rglob("*") if path.is_file()}
    key = Path(job.settings.path(job.settings.home.listing_key))
    key.rename(key.with_suffix(".old"))
    for _ in range(2):
        ran = job.run()
        assert isinstance(ran.error, FarTrouble)
        assert "another home's folder" in str(ran.error)
    with pytest.raises(FarTrouble, match="another home's folder"):
        job.restore()
    assert {path: path.read_bytes() for path in job.far.rglob("*") if path.is_file()} == before
    os.replace(key.with_suffix(".old"), key)
    job.done()
    job.all_come_back()


def test_note_that_somebody_rewrote_stops_runs_with_advice_and_no_restore(job: OneJob) -> None:
    """The listings prove whose the copy is; the note only keeps two homes from writing into one folder."""
    job.put("a", b"ours")
    run = job.done().run
    note = job.far / "READ-ME-FIRST.txt"
    text = note.read_bytes()
    for damaged in (b"", b"tidied up by the neighbours", text[:200]):
        note.write_bytes(damaged)
        assert job.unlike(run) == []
        ran = job.run()
        assert isinstance(ran.error, FarTrouble)
        assert "does not say whose it is" in str(ran.error)
    note.unlink()
    job.done()
    assert note.read_bytes() == text
    job.all_come_back()
