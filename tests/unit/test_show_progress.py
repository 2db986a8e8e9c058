"""What a person sees of a run under way: two lines of 80 columns, and an answer to Ctrl-C at once."""

from __future__ import annotations

import io
import os
import random
import select
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from rich.cells import cell_len
from rich.console import Console

from otherroof.base.errors import EXIT_INTERRUPTED
from otherroof.base.units import span_range_text
from otherroof.cli import show_progress
from otherroof.cli.copy.run import STOPPING
from otherroof.cli.show_progress import advance_text
from otherroof.copying.progress import Progress
from otherroof.forecast.advance import AdvanceWatch, ProgressReading
from otherroof.jobs.context import JobContext
from otherroof.jobs.run import run_job
from otherroof.ledger import Ledger
from support.fresh_start import START
from support.main_job import one_job

HALF_DONE = ProgressReading("sending", 1204, 5000, 123_000_000, 300_000_000, b"holidays/2031/norway/img_0123.jpg")
PATIENCE_S = 30.0


def picture(
    reading: ProgressReading, monkeypatch: pytest.MonkeyPatch, *, name: str = "photos", width: int = 80, looks: int = 1
) -> list[str]:
    """The lines after `looks` looks, a second apart, in which 1 MB came each."""
    moment = [100.0]
    monkeypatch.setattr(time, "monotonic", lambda: moment[0])
    shown = [reading]
    console = Console(width=width, file=io.TextIOWrapper(io.BytesIO(), encoding="utf-8"))
    view = show_progress._View(show_progress.watching(lambda: shown[0]), name, console)
    for number in range(looks):
        shown[0] = ProgressReading(
            reading.stage,
            reading.files,
            reading.files_total,
            reading.done + number * 1_000_000,
            reading.total,
            reading.path,
        )
        moment[0] += 1
        text = view.picture().plain
    return text.split("\n")


def test_eighty_columns_hold_stage_bar_files_bytes_rate_time_left_and_path(monkeypatch: pytest.MonkeyPatch) -> None:
    assert picture(HALF_DONE, monkeypatch, looks=31) == [
        "photos: sending  ━━━━━━━━━━──────────  51 %  1,204 of 5,000 files",
        "  153 MB of 300 MB, 8.00 Mbit/s, about 2 min left  …ays/2031/norway/img_0123.jpg",
    ]


@pytest.mark.parametrize("width", [20, 40, 80, 200])
@pytest.mark.parametrize("name", ["p", "a-job-with-a-name-of-many-words-that-goes-on-and-on-and-on"])
def test_no_line_is_wider_than_the_terminal(monkeypatch: pytest.MonkeyPatch, width: int, name: str) -> None:
    wide = ProgressReading("sending", 9, 10, 999, 10**15, "写真/ファイル名/".encode() * 20)
    lines = picture(wide, monkeypatch, name=name, width=width, looks=12)
    assert len(lines) == 2
    assert all(cell_len(line) <= width for line in lines)
    assert lines[0].startswith(name[:15])


def test_before_anything_is_known_only_the_stage_stands_there(monkeypatch: pytest.MonkeyPatch) -> None:
    assert picture(ProgressReading("connecting", 0, 0, 0, 0, b""), monkeypatch) == ["photos: connecting", "  "]


def test_without_letters_of_other_scripts_the_bar_is_drawn_in_plain_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    console = Console(width=80, file=io.TextIOWrapper(io.BytesIO(), encoding="ascii"))
    first = (
        show_progress._View(show_progress.watching(lambda: HALF_DONE), "photos", console).picture().plain.split("\n")[0]
    )
    assert "########------------  41 %" in first


def test_a_rate_begins_with_the_stage_it_is_of() -> None:
    """Ten seconds of looking halved the rate of the first seconds of sending."""
    moment = [0]
    readings = [ProgressReading("looking", second * 100, 0, 0, 0, b"") for second in range(20)]
    readings += [ProgressReading("sending", 0, 9, second * 1_000_000, 10**9, b"") for second in range(11)]
    watch = AdvanceWatch(lambda: readings[moment[0]])
    for second in range(len(readings)):
        moment[0] = second
        advance = watch.read(second)
    told = "sending: 1 %, 0 of 9 files, 10.0 MB of 1.00 GB, 8.00 Mbit/s, about 16 min left"
    assert advance_text(advance) == told


def test_the_services_log_has_a_line_each_quarter_of_an_hour_and_no_more(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO")
    moment, progress = [0.0], Progress()
    monkeypatch.setattr(time, "monotonic", lambda: moment[0])
    progress.begin("sending", 5, 10_000_000_000)
    tick = show_progress.line_a_quarter_hour(progress, "photos")
    for second in range(3601):
        moment[0], progress.put = float(second), second * 1_000_000
        tick()
    assert len(caplog.messages) == 4
    assert caplog.messages[-1] == (
        "photos: sending: 36 %, 0 of 5 files, 3.60 GB of 10.0 GB, 8.00 Mbit/s, about 2 h left"
    )


def test_files_are_counted_down_if_no_bytes_are_to_come() -> None:
    shown = [0]
    watch = AdvanceWatch(lambda: ProgressReading("sending", shown[0] * 10, 900, 0, 0))
    for second in range(31):
        shown[0] = second
        advance = watch.read(second)
    assert advance_text(advance) == "sending: 33 %, 300 of 900 files, about 60 s left"


@pytest.mark.parametrize(
    ("least", "most", "text"),
    [
        (20, 40, "20 to 40 s"),
        (0.2, 0.4, "about 1 s"),
        (61, 62, "about 62 s"),
        (240, 360, "4 to 6 min"),
        (20, 170, "less than 3 min"),
        (119, 121, "about 2 min"),
        (100, float("inf"), "more than 1 min"),
        (5 * 3600, 9.2 * 3600, "5 to 10 h"),
        (3 * 86400, 4.5 * 86400, "3 to 5 d"),
    ],
)
def test_a_range_of_time_is_coarse_and_holds_both_ends(least: float, most: float, text: str) -> None:
    assert span_range_text(least, most) == text


@pytest.mark.slow
def test_on_a_slow_line_a_large_file_counts_as_it_arrives_and_not_a_window_later(tmp_path: Path) -> None:
    """Megabytes went out before the first answer was looked at: on an uplink of 1 Mbit/s a minute of 0 B."""
    progress, first = Progress(), threading.Event()
    sent_before = []

    def look() -> None:
        while not progress.landed and not first.is_set():
            time.sleep(0.005)
        sent_before.append(progress.meter.wire_up)

    with one_job(tmp_path, far_more={"limit_mbit": 16}) as job, Ledger(job.settings.ledger) as ledger:
        job.put("film", random.Random(1).randbytes(8_000_000))
        watch = threading.Thread(target=look)
        watch.start()
        try:
            assert run_job(job.settings, "papers", JobContext(progress, ledger)).error is None
        finally:
            first.set()
            watch.join(PATIENCE_S)
    assert sent_before[0] < 3_000_000


@pytest.mark.slow
def test_ctrl_c_is_answered_at_once_and_the_run_ends_at_a_safe_point(tmp_path: Path) -> None:
    with one_job(tmp_path, far_more={"limit_mbit": 8}) as job:
        job.put("film", random.Random(1).randbytes(30_000_000))
        ours, theirs = os.openpty()
        argv = [sys.executable, "-c", START, "run", "--config", job.config]
        env = {**os.environ, "TERM": "xterm", "COLUMNS": "80", "LINES": "24", "PYTHONIOENCODING": "utf-8"}
        run = subprocess.Popen(argv, stdin=theirs, stdout=theirs, stderr=theirs, env=env)
        os.close(theirs)
        try:
            screen = read_until(ours, "MB of 30.0 MB")
            assert "film" in screen
            run.send_signal(signal.SIGINT)
            asked = time.monotonic()
            read_until(ours, STOPPING)
            assert time.monotonic() - asked < 5, "it is said at once"
            assert run.wait(PATIENCE_S) == EXIT_INTERRUPTED
        finally:
            run.kill()
            run.wait(10)
            os.close(ours)


def read_until(terminal: int, words: str) -> str:
    screen, until = "", time.monotonic() + PATIENCE_S
    while words not in screen:
        ready, _, _ = select.select([terminal], [], [], max(0.0, until - time.monotonic()))
        assert ready, f"no {words!r} in time, but:\n{screen}"
        screen += os.read(terminal, 4096).decode("utf-8", "replace")
    return screen
