"""What the process beside a run reads is what is digested and sent, whatever becomes of the process."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from hashlib import blake2b
from pathlib import Path
from random import Random

import pytest

from otherroof.base.clock import SystemClock
from otherroof.copying.home import reading_process
from otherroof.copying.home.measured import Measured, MeasuredHere
from otherroof.copying.home.read import ChangedWhileRead
from otherroof.copying.home.reading_child import SLOTS
from otherroof.copying.home.reading_process import ReadingProcess
from otherroof.copying.send.stream import FileStream, ReadAhead, StreamRequest
from otherroof.far.requests import DataPiece, NotYet

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

MOST, AVERAGE, KEY = 100_000, 8192, bytes(range(32))
WAIT_S = 20.0


@pytest.fixture(autouse=True)
def every_file_is_worth_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading_process, "WORTH_IT", 0)
    monkeypatch.setattr(os, "sched_getaffinity", lambda _pid: {0, 1})


@pytest.fixture
def process() -> Iterator[ReadingProcess]:
    with closing(ReadingProcess()) as made:
        yield made


def content(size: int) -> bytes:
    return Random(size).randbytes(size)


@contextmanager
def opened(folder: Path, data: bytes) -> Iterator[int]:
    (folder / "film").write_bytes(data)
    handle = os.open(folder / "film", os.O_RDONLY)
    yield handle
    os.close(handle)


def never() -> bool:
    return False


def measure(process: ReadingProcess, handle: int, size: int, unwanted: Callable[[], bool] = never) -> Measured:
    return process.measure(handle, size, MOST, AVERAGE, KEY, unwanted)


def is_there(measured: Measured) -> bool:
    return not isinstance(measured, MeasuredHere)


def pid_of(process: ReadingProcess) -> int:
    assert process._process is not None
    return process._process.pid


def is_alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except FileNotFoundError:
        return False


def read_and_prove(process: ReadingProcess, folder: Path, data: bytes, size: int | None = None) -> None:
    """Read `size` bytes of a file with this content; all must be as it is when it is read here."""
    with opened(folder, data) as handle:
        size = len(data) if size is None else size
        there = measure(process, handle, size)
        assert is_there(there)
        came = [(offset, block) for offset, block, _ in there.blocks()]
        here = MeasuredHere(handle, size, MOST, AVERAGE, KEY)
        assert came == [(offset, block) for offset, block, _ in here.blocks()]
    assert there.digest == here.digest == blake2b(data[:size], digest_size=32).digest()
    assert there.chunks.packed() == here.chunks.packed()
    assert there.last_chunks == [], "as its chunks are known only when all is"


def test_each_of_several_files_is_read_as_it_would_be_here(process: ReadingProcess, tmp_path: Path) -> None:
    # So many blocks that each file begins in another slot of the shared memory than the one before.
    for size in (0, 1, MOST, MOST * SLOTS + 1, MOST * 7 + 5, MOST * 3, 12):
        read_and_prove(process, tmp_path, content(size))


def test_list_of_chunks_longer_than_the_shared_memory_comes_whole(process: ReadingProcess, tmp_path: Path) -> None:
    size, most = 500_000, 300  # bytes
    with opened(tmp_path, content(size)) as handle:
        there = process.measure(handle, size, most, 256, KEY, never)
        assert b"".join(block for _, block, _ in there.blocks()) == content(size)
    assert len(there.chunks.packed()) > 2 * most * SLOTS
    assert sum(length for length, _ in there.chunks) == size


def test_no_more_is_read_than_there_is_or_than_was_asked_for(process: ReadingProcess, tmp_path: Path) -> None:
    read_and_prove(process, tmp_path, content(150_000), 400_000)
    read_and_prove(process, tmp_path, content(400_000), 150_000)


def test_small_file_is_read_here(process: ReadingProcess, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading_process, "WORTH_IT", 100)
    with opened(tmp_path, content(100)) as handle:
        assert not is_there(measure(process, handle, 99))
        assert is_there(measure(process, handle, 100))


def test_machine_with_one_processor_reads_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_getaffinity", lambda _pid: {0})
    with opened(tmp_path, b"x") as handle, closing(ReadingProcess()) as process:
        assert not is_there(measure(process, handle, 1))


def test_process_that_cannot_be_started_is_done_without(
    process: ReadingProcess, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "executable", str(tmp_path / "no-such-program"))
    with opened(tmp_path, b"x") as handle:
        assert not is_there(measure(process, handle, 1))


def test_killed_process_has_the_file_read_anew_and_here(process: ReadingProcess, tmp_path: Path) -> None:
    data = content(MOST * SLOTS * 3)
    with opened(tmp_path, data) as handle:
        blocks = measure(process, handle, len(data)).blocks()
        next(blocks)
        os.kill(pid_of(process), signal.SIGKILL)
        with pytest.raises(ChangedWhileRead, match="the process that reads large files ended"):
            list(blocks)
        again = measure(process, handle, len(data))
        assert not is_there(again)
        assert b"".join(block for _, block, _ in again.blocks()) == data


def test_what_cannot_be_read_is_told_as_it_would_be_here(process: ReadingProcess, tmp_path: Path) -> None:
    folder = os.open(tmp_path, os.O_RDONLY)
    with pytest.raises(IsADirectoryError):
        list(measure(process, folder, 10).blocks())
    os.close(folder)
    read_and_prove(process, tmp_path, content(MOST * 2))


def test_file_left_half_read_leaves_nothing_for_the_next_one(process: ReadingProcess, tmp_path: Path) -> None:
    data = content(MOST * SLOTS * 3)
    with opened(tmp_path, data) as handle:
        blocks = measure(process, handle, len(data)).blocks()
        next(blocks)
        before = pid_of(process)
        blocks.close()  # type: ignore[attr-defined]
        assert not is_alive(before)
    read_and_prove(process, tmp_path, content(MOST * 2 + 1))


def test_process_that_hangs_is_given_up_once_nobody_wants_the_file(process: ReadingProcess, tmp_path: Path) -> None:
    with opened(tmp_path, content(MOST)) as handle:
        list(measure(process, handle, MOST).blocks())
        os.kill(pid_of(process), signal.SIGSTOP)
        hanging, until = pid_of(process), time.monotonic() + 1
        with pytest.raises(ChangedWhileRead):
            list(measure(process, handle, MOST, lambda: time.monotonic() > until).blocks())
        assert not is_alive(hanging)


def test_process_ends_with_a_run_that_is_killed(tmp_path: Path) -> None:
    (tmp_path / "film").write_bytes(content(MOST))
    run = (
        "import os, sys, time\n"
        "from otherroof.copying.home import reading_process\n"
        "reading_process.WORTH_IT = 0\n"
        "os.sched_getaffinity = lambda pid: {0, 1}\n"
        "made = reading_process.ReadingProcess()\n"
        "handle = os.open(sys.argv[1], os.O_RDONLY)\n"
        f"list(made.measure(handle, {MOST}, {MOST}, 8192, bytes(32), lambda: False).blocks())\n"
        "print(made._process.pid, flush=True)\n"
        "time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", run, tmp_path / "film"], stdout=subprocess.PIPE) as started:
        assert started.stdout is not None
        pid = int(started.stdout.readline())
        assert is_alive(pid)
        for stop in (signal.SIGINT, signal.SIGTERM):
            os.kill(pid, stop)  # reach it with the run, which decides what they mean
        time.sleep(0.2)
        assert is_alive(pid)
        started.kill()
    until = time.monotonic() + WAIT_S
    while is_alive(pid) and time.monotonic() < until:
        time.sleep(0.05)
    assert not is_alive(pid)


def test_key_of_the_tags_is_in_no_argument_and_not_in_the_environment(process: ReadingProcess, tmp_path: Path) -> None:
    """Invariant 7."""
    read_and_prove(process, tmp_path, content(10))
    for name in ("cmdline", "environ"):
        seen = Path(f"/proc/{pid_of(process)}/{name}").read_bytes()
        assert seen
        assert KEY not in seen
        assert KEY.hex().encode() not in seen


# -- as the sending of a file uses it --


def sent(stream: FileStream, wanted: int) -> bytes:
    got = bytearray(wanted)
    while (piece := stream.take(wait=True)) is not None:
        if isinstance(piece, NotYet):
            continue
        assert isinstance(piece, DataPiece)
        got[piece.offset : piece.offset + len(piece.data)] = piece.data
        stream.landed(piece)
    return bytes(got)


def test_stream_sends_the_very_bytes_that_its_digest_is_of(tmp_path: Path) -> None:
    """Invariant 3."""
    with closing(ReadAhead(os.fsencode(tmp_path), SystemClock())) as reader:
        for name, size in (("film", 3_000_017), ("tape", 2_000_003)):
            (tmp_path / name).write_bytes(content(size))
            stream = FileStream(StreamRequest(os.fsencode(name), KEY, 30_000, True), SystemClock())
            reader.begin(stream)
            assert sent(stream, size) == content(size)
            assert stream.result is not None
            assert stream.result.entry.digest == blake2b(content(size), digest_size=32).digest()
            assert sum(length for length, _ in stream.result.chunks) == size
            reader.forget(stream)
        assert reader._process._process is not None, "the process read them"
        pid = pid_of(reader._process)
    assert not is_alive(pid)


def test_stream_that_nobody_takes_from_any_more_ends(tmp_path: Path) -> None:
    for name in ("film", "tape"):
        (tmp_path / name).write_bytes(content(6_000_000))
    with closing(ReadAhead(os.fsencode(tmp_path), SystemClock())) as reader:
        left = FileStream(StreamRequest(b"film", KEY, 30_000, True), SystemClock())
        reader.begin(left)
        assert isinstance(left.take(wait=True), DataPiece | NotYet)
        reader.forget(left)
        following = FileStream(StreamRequest(b"tape", KEY, 30_000, True), SystemClock())
        reader.begin(following)
        assert sent(following, 6_000_000) == content(6_000_000)


def test_file_that_changes_while_it_is_read_is_not_taken_for_good(tmp_path: Path) -> None:
    (tmp_path / "film").write_bytes(content(6_000_000))
    with closing(ReadAhead(os.fsencode(tmp_path), SystemClock())) as reader:
        stream = FileStream(StreamRequest(b"film", KEY, 30_000, True), SystemClock())
        reader.begin(stream)
        assert stream.ready.wait(WAIT_S)
        with open(tmp_path / "film", "ab") as file:
            file.write(b"more")
        with pytest.raises(ChangedWhileRead):
            sent(stream, 6_000_000)
