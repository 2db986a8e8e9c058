"""Files that cannot be read, disks that are full, folders that are read-only: one clear line each, and nothing lost."""

from __future__ import annotations

import mmap
import os
import shutil
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from copy import deepcopy
from functools import partial
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import FarTrouble, LinkLost, OtherroofError
from otherroof.base.machine import machine_mark
from otherroof.copying.compare.change import LARGE
from otherroof.copying.compare.half_sent import HalfSentFiles, SafePart
from otherroof.copying.home import read as home_read
from otherroof.copying.home.read import ChangedWhileRead, SourceFolder
from otherroof.copying.home.scan import Scan
from otherroof.copying.progress import Progress
from otherroof.copying.send import stream as stream_module
from otherroof.copying.send.large_files import LargeFiles
from otherroof.copying.send.stream import FileStream
from otherroof.copying.send.under_way import FileUnderWay
from otherroof.far_copy.numbers import Numbers
from otherroof.far_copy.writer import ArrivedPart
from otherroof.jobs.context import JobContext
from otherroof.jobs.run import run_job
from otherroof.jobs.stop_sign import StopSign
from support.faulty_box import Offers
from support.main_job import JOB, OneJob, one_job


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path, far_more={"tries": 1}) as made:
        yield made


def one_line(error: OtherroofError | None) -> str:
    """The error as a person sees it: there is one, with advice, on one line."""
    assert error is not None
    assert error.advice
    assert "\n" not in str(error)
    return str(error)


# -- files --


@contextmanager
def unreadable(name: bytes) -> Iterator[None]:
    """Root can read everything, so the refusal is put where the system's would be."""
    real = os.open

    def refusing(path: str | bytes, flags: int, mode: int = 0o777, *, dir_fd: int | None = None) -> int:
        if path == name:
            raise PermissionError(13, "Permission denied", path)
        return real(path, flags, mode, dir_fd=dir_fd)

    with patch("os.open", refusing):
        yield


@pytest.mark.parametrize("size", [50, 3 * LARGE])
def test_file_that_cannot_be_read_is_named_and_its_older_copy_kept(job: OneJob, size: int) -> None:
    job.put("a/b", b"x" * size)
    job.put("other", b"1")
    first = job.done()
    job.put("a/b", b"y" * (size + 1))
    job.put("other", b"2")
    with unreadable(b"b"):
        ran = job.run()
    assert ran.error is None
    assert ran.report.outcome == "done with problems"
    assert [(one.path, one.why) for one in ran.report.problems] == [("a/b", "cannot be read: Permission denied")]
    assert ran.report.files.problems == 1
    assert (job.latest / "a/b").read_bytes() == b"x" * size
    _, back = job.restore(ran.report.run)
    assert ((back / "a/b").read_bytes(), (back / "other").read_bytes()) == (b"x" * size, b"2")
    assert job.unlike(first.run) == []
    del job.trees[ran.report.run]
    job.done()
    job.all_come_back()


def test_new_file_that_cannot_be_read_comes_with_the_next_run(job: OneJob) -> None:
    job.put("a", b"1")
    job.put("b", b"2")
    with unreadable(b"b"):
        ran = job.run()
    assert [one.path for one in ran.report.problems] == ["b"]
    assert ran.report.outcome == "done with problems"
    assert job.restore()[0].files == 1
    del job.trees[ran.report.run]
    assert job.done().files.new == 1
    job.all_come_back()


def test_folder_that_cannot_be_read_keeps_all_that_was_known_below_it(job: OneJob) -> None:
    for number in range(150):
        job.put(f"a/{number}", b"%d" % number)
    job.put("b", b"1")
    first = job.done()
    job.put("b", b"2")
    with unreadable(b"a"):
        ran = job.run()
    assert ran.error is None, "what cannot be seen is not gone"
    assert [(one.path, one.why) for one in ran.report.problems] == [("a", "cannot be read: Permission denied")]
    assert (ran.report.files.removed, ran.report.files.seen) == (0, 151)
    assert job.unlike(ran.report.run) == []
    assert job.unlike(first.run) == []


@contextmanager
def changing_while_read(job: OneJob, name: str, times: int) -> Iterator[None]:
    """The file gets another time each time that it is read, so many times."""
    real, inode, left = os.read, job.path(name).stat().st_ino, times

    def read(handle: int, count: int) -> bytes:
        nonlocal left
        data = real(handle, count)
        if left and os.fstat(handle).st_ino == inode:
            left -= 1
            os.utime(job.path(name), ns=(0, left))
        return data

    with patch("os.read", read), patch("otherroof.copying.home.read.READ_PAUSE_S", 0.0):
        yield


def test_file_that_changes_while_it_is_read_is_read_again(job: OneJob) -> None:
    job.put("a", b"settles")
    with changing_while_read(job, "a", 2):
        assert job.run().report.outcome == "done"
    job.all_come_back()


def test_file_that_never_stands_still_is_named_and_its_older_copy_kept(job: OneJob) -> None:
    job.put("a", b"older")
    job.put("b", b"b")
    job.done()
    job.put("a", b"never still")
    with changing_while_read(job, "a", 1000):
        ran = job.run()
    assert [one.path for one in ran.report.problems] == ["a"]
    assert "changed while it was read" in ran.report.problems[0].why
    _, back = job.restore(ran.report.run)
    assert (back / "a").read_bytes() == b"older"


def test_large_file_that_is_written_to_all_the_time_is_named(job: OneJob) -> None:
    path = job.put("log", b"x" * 4 * LARGE)
    job.put("b", b"b")
    real = SourceFolder.entry
    count = 0

    def entry(self: SourceFolder, *given: object) -> object:
        nonlocal count
        count += 1
        found = real(self, *given)  # type: ignore[arg-type]
        with path.open("ab") as file:
            file.write(b"one more line\n")
        return found

    with patch.object(SourceFolder, "entry", entry):
        ran = job.run()
    assert [one.path for one in ran.report.problems] == ["log"]
    assert count >= 3, "it was not tried again"
    del job.trees[ran.report.run]
    job.done()
    assert not list((job.far / "incoming").glob("*")), "litter"
    job.all_come_back()


@contextmanager
def once_a_part_is_safe(deed: Callable[[], object]) -> Iterator[None]:
    """In the middle of the first reading of a large file, `deed` is done, as soon as a part of it is noted as safe."""
    noted, note, blocks_of, left = threading.Event(), HalfSentFiles.note, stream_module.blocks_of, [deed]

    def noting(self: HalfSentFiles, path: bytes, numbers: Numbers, part: SafePart) -> None:
        note(self, path, numbers, part)
        if part.upto:
            noted.set()

    def reading(*given: Any) -> Iterator[tuple[int, bytes]]:
        for number, block in enumerate(blocks_of(*given)):
            yield block
            if number == 3 and left:
                assert noted.wait(20)
                left.pop()()

    with (
        patch.object(HalfSentFiles, "note", noting),
        patch.object(stream_module, "blocks_of", reading),
        patch.object(stream_module, "SYNC_EVERY", 1),
        patch.object(stream_module, "SYNC_EVERY_S", 0.0),
        patch("otherroof.far.sftp.place.TICK_S", 0.0),
    ):
        yield
    assert not left


def overwrite(path: Path, data: bytes) -> None:
    """Write over the beginning of a file; it stays the same file, of the same size."""
    with path.open("r+b") as file:
        file.write(data)


def test_large_file_that_changes_where_it_is_safe_already_is_sent_anew_from_there(job: OneJob) -> None:
    """Invariant 3: what had arrived is of the file as it was, and belongs to no listing."""
    path = job.put("film", os.urandom(8 * LARGE))
    with once_a_part_is_safe(lambda: overwrite(path, b"new")):
        assert job.run().report.outcome == "done"
    assert (job.latest / "film").read_bytes() == path.read_bytes()
    job.all_come_back()


def cut_once_a_part_is_safe(job: OneJob) -> None:
    """A run whose window ends in the middle of a large file."""
    stop, heard, cut = StopSign(SystemClock()), threading.Event(), FileStream.cut

    def cutting(self: FileStream, why: str) -> None:
        cut(self, why)
        heard.set()

    with (
        once_a_part_is_safe(lambda: stop.ask("the window ends") or heard.wait(20)),
        patch.object(FileStream, "cut", cutting),
    ):
        ran = run_job(job.settings, JOB, JobContext(Progress(), clock=job.clock, stop=stop))
    assert ran.report.outcome == "cut"


def test_large_file_that_changes_between_a_look_and_its_sending_goes_on_with_no_part_of_before(job: OneJob) -> None:
    """Invariant 3, after a run that was cut."""
    path, upload, parts = job.put("film", os.urandom(8 * LARGE)), LargeFiles.upload, list[int]()

    def uploading(self: LargeFiles, file: FileUnderWay, arrived: ArrivedPart) -> None:
        if not parts:
            overwrite(path, b"newer")
        parts.append(arrived.upto)
        upload(self, file, arrived)

    cut_once_a_part_is_safe(job)
    with patch.object(LargeFiles, "upload", uploading):
        job.done()
    assert parts[0] > 0 == parts[-1]
    assert (job.latest / "film").read_bytes() == path.read_bytes()
    job.all_come_back()


def test_large_file_that_changed_since_the_scan_is_gone_on_with_after_a_break(tmp_path: Path) -> None:
    """A first copy lasts days, the line breaks often, and what was noted is of the file as it was opened."""
    upload, parts = LargeFiles.upload, list[int]()

    def uploading(self: LargeFiles, file: FileUnderWay, arrived: ArrivedPart) -> None:
        if not parts:
            overwrite(path, b"newer")
        parts.append(arrived.upto)
        upload(self, file, arrived)

    with one_job(tmp_path, far_more={"tries": 5}) as job:
        path = job.put("film", os.urandom(8 * LARGE))
        cut = partial(job.door.misbehave, cut_after=1, cut_times=1)  # type: ignore[attr-defined]
        with patch.object(LargeFiles, "upload", uploading), once_a_part_is_safe(cut):
            job.done()
        assert parts[0] == 0 < parts[1]
        assert (job.latest / "film").read_bytes() == path.read_bytes()
        job.all_come_back()


def test_what_arrived_before_the_first_sync_is_not_sent_again_though_the_file_changed_since_the_scan(
    tmp_path: Path,
) -> None:
    with one_job(tmp_path, far_more={"tries": 3}) as job:
        changed_before_its_first_sync(job)


def changed_before_its_first_sync(job: OneJob) -> None:
    """A run whose file is touched between scan and sending, and whose line breaks after 18 pieces."""
    path, upload, landed = job.put("film", os.urandom(6 * LARGE)), LargeFiles.upload, FileStream.landed
    tries, pieces = list[tuple[int, int]](), 0

    def uploading(self: LargeFiles, file: FileUnderWay, arrived: ArrivedPart) -> None:
        if not tries:
            os.utime(path, (1_900_000_000, 1_900_000_000))
        tries.append((arrived.upto, file.tries))
        upload(self, file, arrived)
        assert len(tries) == 1 or arrived.tail

    def landing(self: FileStream, piece: Any) -> None:
        nonlocal pieces
        landed(self, piece)
        pieces += 1
        if pieces == 18:
            raise LinkLost("cut")

    with patch.object(LargeFiles, "upload", uploading), patch.object(FileStream, "landed", landing):
        job.done()
    assert tries == [(0, 1)] * 2
    job.all_come_back()


@pytest.mark.parametrize("meanwhile", ["changed", "gone"])
def test_what_a_run_says_it_has_to_send_is_what_it_sends(job: OneJob, meanwhile: str) -> None:
    """A part that is not gone on with is no part of it."""
    path = job.put("film", os.urandom(8 * LARGE))
    cut_once_a_part_is_safe(job)
    if meanwhile == "changed":
        overwrite(path, b"newer")
    else:
        path.unlink()
        job.put("other", os.urandom(5 * LARGE))
    done = job.done().bytes
    assert done.to_send == done.sent == (8 if meanwhile == "changed" else 5) * LARGE


def test_progress_counts_what_is_still_to_be_sent(job: OneJob) -> None:
    """What has arrived already is not sent, so a bar over all of it would never come to its end."""
    job.put("film", os.urandom(8 * LARGE))
    cut_once_a_part_is_safe(job)
    begin, begun = Progress.begin, list[tuple[object, ...]]()

    def beginning(self: Progress, *given: Any) -> None:
        begun.append(given)
        begin(self, *given)

    with patch.object(Progress, "begin", beginning):
        done = job.done().bytes
    to_send = done.to_send
    assert 0 < to_send < 8 * LARGE
    assert done.sent <= to_send, "what is safe is not sent again"
    assert ("sending", 1, to_send) in begun


def test_large_file_that_is_written_to_through_memory_after_a_part_of_it_came_begins_anew(job: OneJob) -> None:
    """Invariant 3: until a page has been written out, further writes to it move no time (Linux, mmap(2))."""
    path = job.put("film", os.urandom(8 * LARGE))
    with path.open("r+b") as file, mmap.mmap(file.fileno(), 0) as memory:
        memory[100:104] = b"once"
        cut_once_a_part_is_safe(job)
        before = path.stat()
        memory[100:104] = b"more"
        if path.stat().st_ctime_ns != before.st_ctime_ns:
            pytest.skip("the kernel had written the page out meanwhile, and this one moved the time")
        job.done()
    assert (job.latest / "film").read_bytes()[100:104] == b"more"
    job.all_come_back()


def test_a_stop_is_heard_while_a_large_file_is_read_and_is_no_trouble_with_that_file(job: OneJob) -> None:
    path, stop = job.put("film", os.urandom(5 * LARGE)), StopSign(SystemClock())
    blocks_of, read = home_read.blocks_of, list[int]()
    job.done()
    shutil.copy2(path, path.with_name("copy"))
    path.with_name("copy").replace(path)  # of the same size and time: it is read before anything is sent

    def reading(*given: Any) -> Iterator[tuple[int, bytes]]:
        for block in blocks_of(*given):
            read.append(block[0])
            if len(read) == 2:
                stop.ask("the service ends")
            yield block

    with patch.object(home_read, "blocks_of", reading):
        ran = run_job(job.settings, JOB, JobContext(Progress(), clock=job.clock, stop=stop))
    assert (ran.report.outcome, ran.report.problems, len(read)) == ("cut", [], 2)
    job.done()
    job.all_come_back()


@contextmanager
def growing_while_read(path: Path, most: int) -> Iterator[None]:
    """Whatever is read of the file, as much is written to its end; to have read more than `most` bytes is too much."""
    real, inode, total = os.read, path.stat().st_ino, 0

    def read(handle: int, count: int) -> bytes:
        nonlocal total
        data = real(handle, count)
        if os.fstat(handle).st_ino == inode:
            total += len(data)
            if total <= most:
                with path.open("ab") as file:
                    file.write(data)
        return data

    with patch("os.read", read), patch("otherroof.copying.home.read.READ_PAUSE_S", 0.0):
        yield
    assert total <= most, "reading went on to an end that runs away"


def test_file_that_grows_faster_than_it_is_sent_is_named_and_ends_nothing(job: OneJob) -> None:
    path = job.put("log", b"x" * 2 * LARGE)
    job.put("other", b"1")
    with growing_while_read(path, (1 + 2 + 4) * 2 * LARGE):
        ran = job.run()
    assert [(one.path, one.why) for one in ran.report.problems] == [("log", "changed while it was read")]
    assert (job.latest / "other").read_bytes() == b"1"
    del job.trees[ran.report.run]
    job.done()
    job.all_come_back()


def test_file_that_grows_faster_than_its_digest_is_taken_is_given_up(tmp_path: Path) -> None:
    path = tmp_path / "log"
    path.write_bytes(b"x" * 5000)
    source = SourceFolder(os.fsencode(tmp_path), SystemClock())
    with closing(source), growing_while_read(path, (1 + 2 + 4) * 5000), pytest.raises(ChangedWhileRead):
        source.digest(b"log")


def test_file_that_goes_before_it_is_sent_is_named_and_the_rest_goes_on(job: OneJob) -> None:
    for number in range(5):
        job.put(f"{number}", b"%d" % number)
    real = SourceFolder.read_small

    def read_small(self: SourceFolder, path: bytes, limit: int) -> object:
        if path == b"0":
            job.path("3").unlink(missing_ok=True)
        return real(self, path, limit)

    with patch.object(SourceFolder, "read_small", read_small):
        ran = job.run()
    assert [one.path for one in ran.report.problems] == ["3"]
    assert job.restore()[0].files == 4


@pytest.mark.parametrize("size", [5, 3 * LARGE])
def test_fifo_that_takes_a_files_place_is_no_empty_file(job: OneJob, size: int) -> None:
    job.put("a", b"x" * size)
    job.put("b", b"b")
    real = SourceFolder.open

    def replaced(self: SourceFolder, path: bytes) -> int:
        if path == b"a" and job.path("a").is_file():
            job.path("a").unlink()
            os.mkfifo(job.path("a"))
        return real(self, path)

    with patch.object(SourceFolder, "open", replaced):
        ran = job.run()
    assert [one.path for one in ran.report.problems] == ["a"]
    assert job.restore()[0].files == 1


def test_path_longer_than_the_system_takes_in_one_piece_comes_back(job: OneJob) -> None:
    """4,096 bytes is the most that can be asked for by its whole name; a folder may hold longer paths."""
    job.put("a", b"1")
    in_the_deep(job.folder, lambda: Path("deep").write_bytes(b"deep down"))
    with patch("support.main_job.read_tree", lambda _: {}):
        job.done()
    recall, back = job.restore()
    assert (recall.files, recall.damaged, recall.problems) == (2, [], [])
    assert in_the_deep(back, lambda: Path("deep").read_bytes()) == b"deep down"
    with patch("support.main_job.read_tree", lambda _: {}):
        job.done()


def in_the_deep(folder: Path, deed: Callable[[], object]) -> object:
    """Do something twenty folders further down, each with a name of 250 bytes."""
    here = os.getcwd()
    try:
        os.chdir(folder)
        for _ in range(20):
            os.makedirs("d" * 250, exist_ok=True)
            os.chdir("d" * 250)
        return deed()
    finally:
        os.chdir(here)


def test_silent_change_is_found_by_reading_again(job: OneJob) -> None:
    """Neither size nor times tell of it, as when a disk goes bad: here the scan sees what it saw on the first day."""
    path = job.put("a", b"as it was")
    job.put("b", b"b")
    with patch("otherroof.copying.compare.plan.YOUNG_NS", -(1 << 62)):  # nothing counts as only just written
        first = job.done()
    seen = list(Scan(os.fsencode(job.folder)))
    path.write_bytes(b"XX it was")
    with patch.object(Scan, "__iter__", lambda _: iter(deepcopy(seen))):
        assert job.done().files.changed == 0
        third = job.done(reread=True)
    assert third.files.changed == 1
    assert job.unlike(first.run) == []
    assert job.unlike(third.run) == []


def test_reading_all_again_sends_nothing_where_nothing_changed(job: OneJob) -> None:
    for number in range(20):
        job.put(f"{number}", b"%d" % number)
    job.put("big", b"x" * 3 * LARGE)
    job.path("link").symlink_to("big")
    job.path("second").hardlink_to(job.path("3"))
    job.done()
    report = job.done(reread=True)
    assert (report.bytes.sent, report.files.new, report.files.changed, report.files.moved) == (0, 0, 0, 0)
    assert report.files.seen == 23
    job.all_come_back()


# -- the far box --


def fault(**faults: object) -> Callable[[OneJob], None]:
    return lambda job: job.door.misbehave(**faults)  # type: ignore[attr-defined]


FULL: dict[str, tuple[Callable[[OneJob], None], str]] = {
    "at once": (fault(full_after=0, free_bytes=0), "full"),
    "in the middle": (fault(full_after=60_000, free_bytes=0), "full"),
    "in a large file": (fault(full_after=2_500_000, free_bytes=0), "full"),
    "read-only": (fault(read_only=True), "mounted read-only"),
}


@pytest.mark.parametrize(("spoil", "word"), FULL.values(), ids=FULL.keys())
def test_far_disk_that_takes_nothing_is_told_in_one_line_and_nothing_is_lost(
    job: OneJob, spoil: Callable[[OneJob], None], word: str
) -> None:
    """Invariants 1 and 2."""
    for number in range(40):
        job.put(f"{number % 4}/{number}", b"%04d" % number * 700)
    first = job.done()
    for number in range(0, 40, 2):
        job.put(f"{number % 4}/{number}", b"%04d" % number * 800)
    job.put("new/folder/big", os.urandom(4 * LARGE))
    job.path("1/1").unlink()
    job.path("2/link").symlink_to("x")
    spoil(job)
    ran = job.run()
    assert isinstance(ran.error, FarTrouble), ran.error or ran.report.problems
    assert word in one_line(ran.error)
    assert ran.report.outcome == "failed"
    assert job.rows()[0].report.reason == str(ran.error)
    fault()(job)
    assert job.unlike(first.run) == []
    job.done()
    job.all_come_back()


def test_far_disk_full_at_the_very_commit(job: OneJob) -> None:
    """Invariant 1: all content is there, and still the run does not count."""
    job.put("a", b"first")
    first = job.done()
    job.put("a", b"second")
    before = len(b"otherroof\n") + len(machine_mark())  # the trial file, and the mark of the run
    fault(full_after=before + len(b"second") + 1, free_bytes=0)(job)
    ran = job.run()
    assert isinstance(ran.error, FarTrouble)
    assert "full" in one_line(ran.error)
    fault()(job)
    assert [path.name for path in (job.far / "runs").iterdir()] == [f"{first.run}.jsonl.gz"]
    assert job.done().bytes.sent == 0
    job.all_come_back()


def test_far_disk_full_where_the_box_cannot_tell(tmp_path: Path) -> None:
    with one_job(tmp_path, far_more={"tries": 1}, offers=Offers.none()) as job:
        job.put("a", b"first")
        first = job.done()
        job.put("a", b"second" * 1000)
        fault(full_after=0)(job)
        ran = job.run()
        assert isinstance(ran.error, FarTrouble)
        assert "its disk may be full, over a quota, read-only or broken" in one_line(ran.error)
        assert ran.report.outcome == "failed"
        fault()(job)
        assert job.unlike(first.run) == []
        job.done()
        job.all_come_back()


def test_far_box_without_rights_to_write_is_told(tmp_path: Path) -> None:
    with one_job(tmp_path, far_more={"tries": 1}, offers=Offers(statvfs=False)) as job:
        job.put("a", b"a")
        fault(read_only=True)(job)
        ran = job.run()
        assert isinstance(ran.error, FarTrouble)
        assert "lets this home in, but lets it write nothing" in one_line(ran.error)
        fault()(job)
        job.done()


def test_one_file_that_the_far_box_denies_is_named_and_the_rest_goes_on(job: OneJob) -> None:
    """As where somebody there made one file immutable."""
    job.put("a", b"a")
    job.put("b", b"x" * 3 * LARGE)
    fault(denied=(b".part",))(job)  # nothing arrives
    ran = job.run()
    assert ran.error is None
    assert [one.path for one in ran.report.problems] == ["a", "b"]
    job.trees.clear()
    fault()(job)
    job.done()
    job.all_come_back()


def test_far_base_that_is_not_there_is_told(job: OneJob) -> None:
    job.put("a", b"a")
    Path(job.door.base_path).rmdir()
    ran = job.run()
    assert isinstance(ran.error, FarTrouble)
    assert "the folder that is named as `base` is not there" in one_line(ran.error)


def test_one_file_that_the_far_box_refuses_is_named_and_the_rest_goes_on(job: OneJob) -> None:
    job.put("a", b"a")
    job.put("b.bad", b"older")
    first = job.done()
    job.put("a", b"A")
    job.put("b.bad", b"newer")
    latest = job.latest
    (latest / "b.bad").unlink()
    (latest / "b.bad").mkdir()  # somebody there was at it
    (latest / "b.bad" / "inside").write_bytes(b"theirs")
    ran = job.run()
    assert ran.error is None
    assert (latest / "a").read_bytes() == b"A"
    assert (latest / "b.bad").read_bytes() == b"newer"
    assert next((job.far / "earlier").rglob("inside")).read_bytes() == b"theirs", "nothing there is ever thrown away"
    assert job.unlike(ran.report.run) == []
    found, _ = job.restore(first.run)
    assert [one.path for one in found.damaged] == ["b.bad"]


# -- this machine --


def test_source_folder_that_is_gone_is_told(job: OneJob) -> None:
    job.put("a", b"a")
    first = job.done()
    shutil.rmtree(job.folder)
    ran = job.run()
    assert "cannot be read: No such file or directory" in one_line(ran.error)
    assert ran.report.outcome == "failed"
    assert job.unlike(first.run) == []


def test_state_disk_full_in_the_middle_is_told_and_nothing_is_lost(job: OneJob) -> None:
    job.put("a", b"first")
    first = job.done()
    job.put("a", b"second")
    job.put("b", b"b")

    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    with patch("otherroof.layouts.open.keeper.write_listing", full):
        ran = job.run()
    assert "No space left on device" in one_line(ran.error)
    assert job.unlike(first.run) == []
    assert job.done().bytes.sent == 0
    job.all_come_back()


@pytest.mark.parametrize("offers", [Offers(), Offers(hardlink=False, copy_data=False)], ids=["links", "no links"])
@pytest.mark.parametrize("size", [500, 2 * LARGE])
def test_first_of_three_names_that_is_replaced_before_it_is_sent_gives_the_others_nothing(
    tmp_path: Path, offers: Offers, size: int
) -> None:
    """Between the scan and the reading a new file takes the first name; the others are still the old one."""
    real = SourceFolder.open

    def replaced_first(self: SourceFolder, path: bytes) -> int:
        if path == b"a" and (new := job.where / "new").exists():
            new.rename(job.path("a"))
        return real(self, path)

    with one_job(tmp_path, offers=offers, far_more={"tries": 1}) as job:
        old, new = b"o" * size, b"n" * size
        job.put("a", old)
        job.path("b").hardlink_to(job.path("a"))
        job.path("c").hardlink_to(job.path("a"))
        (job.where / "new").write_bytes(new)
        with patch.object(SourceFolder, "open", replaced_first):
            job.done()
        assert [(job.latest / name).read_bytes()[:1] for name in "abc"] == [b"n", b"o", b"o"]
        job.all_come_back()
        job.done()
        job.all_come_back()
