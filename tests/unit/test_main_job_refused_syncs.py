"""A far disk that refuses to hold what it took, at the moments at which that is easily missed: never is a run told as
done whose listing names what is not there."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import OtherroofError
from otherroof.copying.compare.change import LARGE
from otherroof.copying.progress import Progress
from otherroof.copying.send import far_syncs
from otherroof.copying.send import stream as stream_module
from otherroof.copying.send.files import FileSender
from otherroof.copying.send.large_files import LargeFiles
from otherroof.copying.send.stream import FileStream
from otherroof.copying.send.under_way import FileUnderWay
from otherroof.far.sftp import codec
from otherroof.far.sftp.place import SftpPlace
from otherroof.far.sftp.queues import TaskQueues
from otherroof.jobs.context import JobContext
from otherroof.jobs.run import RunResult, run_job
from otherroof.jobs.stop_sign import StopSign
from otherroof.layouts.open.paths import PART_END
from otherroof.rehearsal.far_box import sftp_extensions
from otherroof.rehearsal.far_box import sftp_words as words
from support.faulty_box import CutError
from support.main_job import JOB, OneJob, one_job

# What becomes of a sync: it is carried out, it is refused, or the connection breaks instead.
Policy = Callable[[bytes, Any], bool]


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        yield made


@contextmanager
def syncs(policy: Policy) -> Iterator[None]:
    """The far box's syncs by `policy`: given a path and the session, it answers whether that sync is refused, or raises
    CutError."""

    def fsync(session: Any, number: int, fields: Any) -> bytes:
        opened = session.handles.either(bytes(fields.string()))
        if policy(opened.path, session):
            return words.framed_status(number, words.FAILURE)
        os.fsync(opened.handle)
        return words.framed_status(number, words.OK)

    with patch.dict(sftp_extensions.EXTENSIONS, {b"fsync@openssh.com": (b"1", fsync)}):
        yield


def refused_at(path: bytes, *turns: int, cut_at: int = 0) -> Policy:
    """The syncs of one path in these turns are refused, and the connection breaks in another."""
    turn = 0

    def policy(synced: bytes, _session: Any) -> bool:
        nonlocal turn
        if not synced.endswith(path):
            return False
        turn += 1
        if turn == cut_at:
            raise CutError
        return turn in turns

    return policy


def run_until(job: OneJob, ends_with: Callable[[FileUnderWay], bool]) -> RunResult:
    """A run that is asked to stop as a step of a file has ended with which that answers True."""
    stop, arrived = StopSign(SystemClock()), FileSender._arrived

    def arriving(self: FileSender, file: FileUnderWay) -> None:
        arrived(self, file)
        if ends_with(file):
            stop.ask("the window ends")

    with patch.object(FileSender, "_arrived", arriving):
        return run_job(job.settings, JOB, JobContext(Progress(), clock=job.clock, stop=stop))


@contextmanager
def content_sent() -> Iterator[list[int]]:
    """The sizes of what is written over there meanwhile, but for listings and other small things."""
    sizes, real = list[int](), codec.encode

    def encode(number: int, op: Any, base: bytes) -> bytes:
        if type(op).__name__ == "Write" and len(op.data) >= 3000:
            sizes.append(len(op.data))
        return real(number, op, base)

    with patch("otherroof.far.sftp.channel.codec.encode", encode):
        yield sizes


def test_what_settling_cannot_have_held_is_brought_anew(job: OneJob) -> None:
    """Invariant 3: the connection breaks at a file's sync, and over the next one its sync is refused."""
    job.put("a", b"old A")
    job.done()
    job.put("a", os.urandom(3000))
    with syncs(refused_at(b"latest/a", 2, cut_at=1)), content_sent() as sizes:
        ran = job.run()
    assert ran.error is None
    assert sizes == [3000, 3000], "once before the break, and once because it was not held"
    found, _ = job.restore(ran.report.run)
    assert found.damaged == []
    job.all_come_back()


@pytest.mark.parametrize("refusal", ["its sync", "to be opened"])
def test_a_file_that_home_put_back_is_sent_though_settling_was_refused(job: OneJob, refusal: str) -> None:
    """Invariant 3: else the listing names the old content while the new one stands there, and each later run agrees."""
    job.put("a", b"AAAA")
    job.done()
    job.put("a", b"BBBBBB")
    with patch.object(far_syncs, "PARTING_S", 0.0):
        run_until(job, lambda file: file.step == "take place")
    assert (job.latest / "a").read_bytes() == b"BBBBBB"
    job.put("a", b"AAAA")
    if refusal == "its sync":
        with syncs(refused_at(b"latest/a", 1)):
            job.run()
    else:
        job.door.misbehave(denied=(b"latest/a",))  # type: ignore[attr-defined]
        job.run()
        job.door.misbehave()  # type: ignore[attr-defined]
    job.done()
    assert (job.latest / "a").read_bytes() == b"AAAA"
    job.all_come_back()


def test_a_refusal_is_told_though_the_line_breaks_while_the_far_disk_is_waited_for(job: OneJob) -> None:
    for number in range(4):
        job.put(f"f{number}", b"%d" % number)
    job.done()
    for number in range(4):
        job.put(f"f{number}", b"new %d" % number)
    told, refused, seen = threading.Event(), far_syncs.FarSyncs.refused, list[bytes]()

    def telling(self: far_syncs.FarSyncs, error: OtherroofError, *paths: bytes) -> None:
        refused(self, error, *paths)
        told.set()

    def policy(path: bytes, session: Any) -> bool:
        if b"latest/f" not in path:
            return False
        seen.append(path)
        if len(seen) == 2:
            session._flush()
            assert told.wait(60)
            raise CutError
        return len(seen) == 1

    with syncs(policy), patch.object(far_syncs.FarSyncs, "refused", telling):
        assert job.run().error is not None
    job.done()
    job.all_come_back()


@contextmanager
def often_synced() -> Iterator[None]:
    with patch.object(stream_module, "SYNC_EVERY", LARGE), patch.object(stream_module, "SYNC_EVERY_S", 0.0):
        yield


@contextmanager
def stopped_in_the_middle(stop: StopSign) -> Iterator[None]:
    """The run is asked to stop as its large file is read, and hears of it before it has read on."""
    cut, heard, blocks_of = FileStream.cut, threading.Event(), stream_module.blocks_of

    def cutting(self: FileStream, why: str) -> None:
        cut(self, why)
        heard.set()

    def reading(*given: Any) -> Iterator[tuple[int, bytes]]:
        for number, block in enumerate(blocks_of(*given)):
            yield block
            if number == 5 and not heard.is_set():
                stop.ask("the window ends")
                heard.wait(60)

    with (
        patch.object(FileStream, "cut", cutting),
        patch.object(stream_module, "blocks_of", reading),
        patch("otherroof.far.sftp.place.TICK_S", 0.0),
    ):
        yield
    assert heard.is_set()


@pytest.mark.parametrize("when", ["in the middle", "after a stop"])
def test_a_part_that_a_disk_refused_to_hold_is_sent_anew(job: OneJob, when: str) -> None:
    """Read back it may come out of the far box's memory, and a second sync be answered as if all were well."""
    job.put("film", os.urandom(8 * LARGE))
    stop, asked = StopSign(SystemClock()), list[bytes]()

    def refuses(path: bytes, _session: Any) -> bool:
        if not path.endswith(PART_END):
            return False
        asked.append(path)
        return when == "after a stop" or len(asked) == 2

    middle = stopped_in_the_middle(stop) if when == "after a stop" else often_synced()
    with syncs(refuses), middle:
        run_job(job.settings, JOB, JobContext(Progress(), clock=job.clock, stop=stop))
    assert asked
    with content_sent() as sizes:
        job.done()
    assert sum(sizes) == 8 * LARGE
    job.all_come_back()


@contextmanager
def read_once_two_connections_take() -> Iterator[None]:
    """A large file is read only once two connections take its pieces."""
    both, add, blocks_of = threading.Event(), LargeFiles._add_upload, stream_module.blocks_of

    def adding(self: LargeFiles, file: FileUnderWay, connection: int | None) -> None:
        add(self, file, connection)
        if file.connections >= 2:
            both.set()

    def reading(*given: Any) -> Iterator[tuple[int, bytes]]:
        both.wait(60)
        yield from blocks_of(*given)

    with patch.object(LargeFiles, "_add_upload", adding), patch.object(stream_module, "blocks_of", reading):
        yield


def test_a_sync_that_is_refused_on_one_of_two_connections_ends_the_file_on_both(tmp_path: Path) -> None:
    """Else the other waits for pieces that nobody reads any more until the connection is given up, and what the disk
    refused to hold is gone on with over the next one."""
    asked, breaks, crash = list[bytes](), list[BaseException](), TaskQueues.crash

    def crashing(self: TaskQueues, error: BaseException) -> None:
        breaks.append(error)
        crash(self, error)

    with one_job(tmp_path, far_more={"connections": 2, "tries": 2, "answer_s": 20.0}) as job:
        job.put("film", os.urandom(40 * LARGE))

        def refuses(path: bytes, _session: Any) -> bool:
            if path.endswith(PART_END):
                asked.append(path)
            return path.endswith(PART_END) and len(asked) == 8

        with (
            syncs(refuses),
            often_synced(),
            read_once_two_connections_take(),
            patch.object(TaskQueues, "crash", crashing),
        ):
            ran = job.run()
        assert len(asked) >= 8
        assert breaks == [], "no connection was given up"
        assert [one.path for one in ran.report.problems] == ["film"]
        job.trees.clear()  # its version lacks the film, and says so
        with content_sent() as sizes:
            job.done()
        assert sum(sizes) == 40 * LARGE
        job.all_come_back()


@contextmanager
def refused_as_the_line_breaks(path_ends: bytes) -> Iterator[list[bytes]]:
    """The first sync of such a path is refused, and the connection breaks before anything else is answered."""
    refused = list[bytes]()

    def fsync(session: Any, number: int, fields: Any) -> bytes:
        opened = session.handles.either(bytes(fields.string()))
        if opened.path.endswith(path_ends) and not refused:
            refused.append(opened.path)
            session._answers.append(words.framed_status(number, words.FAILURE))
            session._flush()
            raise CutError
        os.fsync(opened.handle)
        return words.framed_status(number, words.OK)

    with patch.dict(sftp_extensions.EXTENSIONS, {b"fsync@openssh.com": (b"1", fsync)}):
        yield refused


def test_a_refused_sync_is_told_though_what_was_asked_with_it_is_never_answered(job: OneJob) -> None:
    """A disk that fails refuses one sync and is silent at the next. Over another connection both would go well."""
    job.put("a", b"old")
    job.done()
    job.put("a", b"new, longer")
    with refused_as_the_line_breaks(b"latest/a") as refused:
        ran = job.run()
    assert refused
    assert ran.error is not None
    job.done()
    job.all_come_back()


@pytest.mark.parametrize("when", ["at its end", "after a stop"])
def test_a_large_file_whose_sync_was_refused_as_the_line_broke_is_sent_anew(job: OneJob, when: str) -> None:
    job.put("film", os.urandom(8 * LARGE))
    stop = StopSign(SystemClock())
    middle = stopped_in_the_middle(stop) if when == "after a stop" else nullcontext()
    with content_sent() as first, refused_as_the_line_breaks(PART_END) as refused, middle:
        ran = run_job(job.settings, JOB, JobContext(Progress(), clock=job.clock, stop=stop))
    assert refused
    with content_sent() as second:
        job.done()
    if ran.report.outcome == "done":
        assert sum(first) >= 16 * LARGE
    else:
        assert sum(second) == 8 * LARGE
    job.all_come_back()


def test_a_refused_sync_is_told_though_another_connection_breaks_first(tmp_path: Path) -> None:
    """While the caller reads a large file for minutes, a break of one connection and a refusal by another wait for it
    side by side."""
    lock, seen, refused = threading.Lock(), list[object](), list[bytes]()
    second_asks, caller_is_busy, broken, told = (threading.Event() for _ in range(4))
    crash, give, result, widen, take = (
        TaskQueues.crash,
        TaskQueues.give,
        TaskQueues.result,
        SftpPlace.widen,
        TaskQueues.take,
    )

    def widening(self: SftpPlace, **more: Any) -> None:
        widen(self, **more)
        if self._widening is not None:
            self._widening.join(10)

    def one_each(self: TaskQueues, channel: int, wait: bool) -> Any:
        return take(self, channel, wait) if wait else None

    def crashing(self: TaskQueues, error: BaseException) -> None:
        crash(self, error)
        broken.set()

    def giving(self: TaskQueues, task: Any, done: Any) -> None:
        give(self, task, done)
        if done.error is not None:
            told.set()

    def busy(self: TaskQueues, wait_s: float) -> Any:
        if second_asks.is_set():
            caller_is_busy.set()
            told.wait(60)
        return result(self, 0.05)

    def policy(path: bytes, session: Any) -> bool:
        if b"latest/f" not in path:
            return False
        with lock:
            seen.append(session)
            turn = len(seen)
        if turn == 1:
            assert caller_is_busy.wait(60)
            raise CutError
        if turn == 2:
            second_asks.set()
            assert broken.wait(60)
            refused.append(path)
        return turn == 2

    with one_job(tmp_path, far_more={"connections": 2, "tries": 3, "answer_s": 120.0}) as job:
        for number in range(4):
            job.put(f"f{number}", b"%d" % number)
        job.done()
        for number in range(4):
            job.put(f"f{number}", b"new %d" % number)
        with (
            syncs(policy),
            patch.object(TaskQueues, "crash", crashing),
            patch.object(TaskQueues, "give", giving),
            patch.object(TaskQueues, "result", busy),
            patch.object(TaskQueues, "take", one_each),
            patch.object(SftpPlace, "widen", widening),
        ):
            ran = job.run()
        assert refused
        assert ran.error is not None
        job.done()
        job.all_come_back()


def test_what_a_disk_refused_to_hold_is_sent_anew_by_the_next_run(job: OneJob) -> None:
    """Read back it may come out of the far box's memory, and a second sync be answered as if all were well."""
    job.put("x", b"x")
    job.done()
    for number in range(3):
        job.put(f"f{number}", os.urandom(3000))
    with syncs(lambda path, _session: b"latest/f" in path):
        assert job.run().error is not None
    with content_sent() as sizes:
        job.done()
    assert sizes == [3000] * 3
    job.all_come_back()


def test_a_large_file_that_a_disk_refused_to_hold_is_sent_anew_by_the_next_run(job: OneJob) -> None:
    job.put("x", b"x")
    job.done()
    path = job.put("film", os.urandom(8 * LARGE))
    with syncs(lambda path, _session: not path.endswith(b"under-way")):
        assert job.run().error is not None
    with content_sent() as sizes:
        job.done()
    assert sum(sizes) >= path.stat().st_size
    job.all_come_back()


def test_after_a_stop_syncs_have_their_time_though_a_link_is_still_to_be_made(job: OneJob) -> None:
    job.put("x", b"x")
    job.done()
    for number in range(60):
        job.put(f"f{number}", os.urandom(2000))
    (job.folder / "zlink").symlink_to("x")
    count, synced = iter(range(60)), list[bytes]()

    def policy(path: bytes, _session: Any) -> bool:
        if b"latest/f" in path:
            synced.append(path)
        return False

    with syncs(policy):
        assert run_until(job, lambda _file: next(count) == 39).report.outcome == "cut"
    assert len(set(synced)) >= 40, "what had landed need not be read back by the next run"
    job.done()
    job.all_come_back()
