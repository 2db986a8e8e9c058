"""`plan --line`: what it writes down, that it says first what crosses, and that it leaves nothing behind."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import nullcontext
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import OtherroofError, PlaceError
from otherroof.base.locks import Patience
from otherroof.far.local.place import LocalPlace
from otherroof.far.pacing import bytes_per_s
from otherroof.far.place import run_script
from otherroof.far.requests import DataPiece
from otherroof.jobs.context import JobContext
from otherroof.jobs.locks import far_lock
from otherroof.jobs.planning.measure_line import (
    BEGINNING,
    SCRATCH,
    ArrivalMarks,
    LineProgress,
    WatchedPacing,
    _carry,
    _fill,
    _look,
    _RandomPieces,
    _sweep,
    announced,
    measure_line,
)
from otherroof.ledger import Ledger
from support.main_job import JOB, OneJob
from support.verbs import two_files_and_a_link, verb_of

SIZE = 400_000


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with two_files_and_a_link(tmp_path) as made:
        yield made


def scratch_files(job: OneJob) -> list[str]:
    return [path.name for path in job.far.parent.iterdir() if path.name.startswith(SCRATCH.decode())]


@pytest.mark.slow
def test_the_line_is_measured_written_down_and_nothing_stays(job: OneJob) -> None:
    (job.far.parent / ".otherroof-line-0123456789ab").write_bytes(b"of one that was killed")
    with Ledger(job.settings.ledger) as ledger:
        progress = LineProgress()
        found = measure_line(job.settings, JOB, ledger, JobContext(progress), SIZE)
        assert ledger.lines.last(found.far, found.at + timedelta(seconds=1)) == found
        assert ledger.wire_bytes_since(found.far, found.at - timedelta(minutes=5)) == found.wire_up + found.wire_down
    assert scratch_files(job) == []
    assert min(found.up_mbit, found.down_mbit, found.idle_ms, found.loaded_up_ms, found.loaded_down_ms) > 0
    # All that was said, and little more: logins and looks.
    assert SIZE <= found.wire_up < SIZE + 120_000
    assert SIZE <= found.wire_down < SIZE + 120_000


@pytest.mark.slow
def test_what_comes_back_counts_until_the_first_connection_has_its_part(
    job: OneJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    stopped: list[ArrivalMarks] = []
    stop = ArrivalMarks.stop

    def noting(self: ArrivalMarks) -> None:
        stop(self)
        stopped.append(self)

    monkeypatch.setattr(ArrivalMarks, "stop", noting)
    with Ledger(job.settings.ledger) as ledger:
        found = measure_line(job.settings, JOB, ledger, JobContext(LineProgress()), SIZE)
    assert stopped
    assert all(marks is stopped[0] for marks in stopped), "of what comes back, and not of what goes there"
    assert stopped[0].mbit == found.down_mbit


def test_it_waits_for_no_run_and_measures_none(job: OneJob) -> None:
    with (
        Ledger(job.settings.ledger) as ledger,
        far_lock(job.settings, JOB, SystemClock(), Patience(0)),
        pytest.raises(OtherroofError, match="another run to far box"),
    ):
        measure_line(job.settings, JOB, ledger, JobContext(LineProgress()), SIZE)


@pytest.mark.slow
def test_the_verb_says_first_what_crosses_and_then_plans_by_it(job: OneJob, capsys: pytest.CaptureFixture[str]) -> None:
    told = verb_of(job, capsys)("plan", JOB, "--line", "--line-mb", "0.4")
    assert told.code == 0
    said, measured = told.err.splitlines()
    assert "sends 400 kB there, with courtesy, and fetches as much back" in said
    assert "Mbit/s back; round trip" in measured
    today = datetime.now(job.settings.zone)
    assert f"measured {today.day} {today:%B %Y}: " in " ".join(told.out.split())  # wherever its lines are broken


def test_a_month_without_room_is_not_spent_on_measuring(job: OneJob, capsys: pytest.CaptureFixture[str]) -> None:
    job.far_more = {"month_gb": 0.01}
    job.write_settings()
    told = verb_of(job, capsys)("plan", JOB, "--line", "--line-mb", "8")
    assert told.code == 2
    assert "this month's allowance" in told.one_line()


def test_a_limit_that_holds_is_named_before() -> None:
    assert "under the limit of 5.00 Mbit/s" in announced("heron", 10_000_000, 5)
    assert "limit" not in announced("heron", 10_000_000, 0)


def test_a_slow_beginning_does_not_count() -> None:
    marks = ArrivalMarks()
    assert marks.mbit == 0
    for second in range(4):
        marks.note(second * 10.0, 5_000_000 + second * 1_000_000)  # three megabytes in half a minute
    for second in range(1, 8):
        marks.note(30.0 + second, 8_000_000 + second * 1_000_000)
    assert BEGINNING == 0.3
    assert marks.mbit == pytest.approx(8.0)


def test_looks_after_the_last_byte_do_not_count() -> None:
    marks = ArrivalMarks()
    for second in range(11):
        marks.note(float(second), second * 1_000_000)
    for second in range(11, 20):
        marks.note(float(second), 10_000_000)
    assert marks.mbit == pytest.approx(8.0)


def test_what_trickles_in_once_a_connection_has_ended_does_not_count() -> None:
    marks = ArrivalMarks()
    for second in range(11):
        marks.note(float(second), second * 1_000_000)
    marks.stop()
    for second in range(11, 20):
        marks.note(float(second), 10_000_000 + (second - 10) * 100_000)
    assert marks.mbit == pytest.approx(8.0)


def test_random_pieces_are_all_handed_out_once_over_all_connections() -> None:
    whole = _RandomPieces(100_001)
    shares = [whole.share(), whole.share()]
    got: list[list[DataPiece]] = [[], []]
    while True:
        taken = [share.take(wait=True) for share in shares]
        if taken == [None, None]:
            break
        for place, piece in enumerate(taken):
            if isinstance(piece, DataPiece):
                got[place].append(piece)
    assert sum(piece.weight for pieces in got for piece in pieces) == 100_001
    for pieces in got:
        ends = [0, *(piece.offset + piece.weight for piece in pieces)]
        assert [piece.offset for piece in pieces] == ends[:-1], "each file is written without a gap"


class Stopped(Exception):
    """As far as a test lets it go."""


def test_what_goes_there_keeps_to_the_limit_and_what_comes_back_to_none(
    job: OneJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    job.job_more = {"limit_mbit": 3.0}
    job.write_settings()
    paced: list[WatchedPacing] = []

    def opened(settings: object, far: object, pacing: WatchedPacing, meter: object) -> None:
        paced.append(pacing)
        raise Stopped

    monkeypatch.setattr("otherroof.jobs.planning.measure_line._open", opened)
    monkeypatch.setattr("otherroof.jobs.planning.measure_line.open_way", lambda *_, **__: nullcontext())
    with Ledger(job.settings.ledger) as ledger, pytest.raises(Stopped):
        measure_line(job.settings, JOB, ledger, JobContext(LineProgress()), SIZE)
    (pacing,) = paced
    assert pacing._limit is not None
    assert pacing._limit() == bytes_per_s(3.0)
    assert pacing.reads is None


@pytest.fixture
def base(tmp_path: Path) -> Path:
    (tmp_path / "base").mkdir()
    return tmp_path / "base"


def test_a_sweep_takes_scratch_files_alone(base: Path) -> None:
    """Beside them lie folders of copies, and may lie what other people keep."""
    kept = ["READ-ME", ".otherroof-lines", "line-0123456789ab"]
    for name in (*kept, ".otherroof-line-0123456789ab"):
        (base / name).write_text(name)
    (base / ".otherroof-line-folder").mkdir()
    (base / JOB).mkdir()
    run_script(LocalPlace(bytes(base)), _sweep())
    assert sorted(path.name for path in base.iterdir()) == sorted([*kept, ".otherroof-line-folder", JOB])


def test_one_connection_that_fails_fails_the_measurement(base: Path) -> None:
    """The others alone would tell a line that is slower than it is, or none."""
    (base / "a").write_bytes(b"some")
    with pytest.raises(PlaceError):
        _carry(LocalPlace(bytes(base)), [_look(b"a"), _look(b"none"), _look(b"a")])


def test_a_file_that_stands_is_not_written_over(base: Path) -> None:
    (base / "letter").write_bytes(b"somebody's letter")
    with pytest.raises(PlaceError):
        run_script(LocalPlace(bytes(base)), _fill(b"letter", _RandomPieces(100)))
    assert (base / "letter").read_bytes() == b"somebody's letter"
