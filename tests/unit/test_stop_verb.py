"""Whoever stops a run: what is said of one that begins just now, and of one that cannot be told."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import EXIT_INTERRUPTED, EXIT_LOOK, EXIT_WELL
from otherroof.cli.copy import stop
from otherroof.cli.main import main
from otherroof.copying.report import RunReport
from otherroof.jobs.locks import service_lock
from otherroof.ledger import Ledger
from otherroof.ledger.job_times import JobTimes
from otherroof.ledger.live.live_run import EndedRun
from otherroof.settings import Settings, require_settings
from support.household import write_household
from support.live import live_run
from support.waiting import until

NOW = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
BEGUN = JobTimes("photos", "30 1 * * * UTC", NOW, begun=NOW)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return require_settings(write_household(tmp_path, jobs={"photos": ""}))


def asked_to_stop(settings: Settings) -> int:
    with pytest.raises(SystemExit) as left:
        main(["stop", "photos", "--config", settings.where])
    return int(left.value.code or 0)


@contextmanager
def at_work(settings: Settings, turn: JobTimes) -> Iterator[Ledger]:
    """A service that has written down so much of photos."""
    with Ledger(settings.ledger) as ledger, service_lock(settings, SystemClock()):
        ledger.job_times.note(turn)
        yield ledger


def test_a_run_that_the_service_is_just_beginning_is_stopped_too(
    settings: Settings, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stop, "BEGINS_S", 60.0)
    codes: list[int] = []
    with at_work(settings, BEGUN) as ledger:
        thread = threading.Thread(target=lambda: codes.append(asked_to_stop(settings)))
        thread.start()
        thread.join(0.5)
        with ledger.live.held(live_run()):
            until(lambda: ledger.wishes.is_stop_asked("photos", "token-of-photos"))
            report = RunReport("photos", "r1", "cut")
            ledger.live.write_end(EndedRun("token-of-photos", "", EXIT_INTERRUPTED, "cut", True, report))
        thread.join(60)
    assert codes == [EXIT_WELL]
    assert "photos: stopped early, run r1" in capsys.readouterr().out


@pytest.mark.parametrize(
    "turn",
    [
        JobTimes("photos", "30 1 * * * UTC", NOW),
        JobTimes("photos", "30 1 * * * UTC", NOW, begun=NOW, ended=NOW, ending="settled"),
        JobTimes("photos", "30 1 * * * UTC", NOW, begun=NOW, waiting="waits for its window"),
    ],
)
def test_a_run_that_nobody_begins_is_not_waited_for(
    settings: Settings, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, turn: JobTimes
) -> None:
    def slept(_: object, seconds: float) -> None:
        raise AssertionError("it waited")

    with at_work(settings, turn):
        monkeypatch.setattr(SystemClock, "sleep", slept)
        assert asked_to_stop(settings) == EXIT_WELL
    assert "photos: nothing to stop" in capsys.readouterr().out


def test_the_next_run_of_the_job_does_not_hide_how_the_stopped_one_ended(
    settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    codes: list[int] = []
    with Ledger(settings.ledger) as ledger:
        with ledger.live.held(live_run(token="first")):
            thread = threading.Thread(target=lambda: codes.append(asked_to_stop(settings)))
            thread.start()
            until(lambda: ledger.wishes.is_stop_asked("photos", "first"))
            ledger.live.write_end(
                EndedRun("first", "", EXIT_INTERRUPTED, "cut", True, RunReport("photos", "r1", "cut"))
            )
        with ledger.live.held(live_run(token="next")):
            thread.join(60)
    assert codes == [EXIT_WELL]
    assert "photos: stopped early, run r1" in capsys.readouterr().out


def test_a_run_that_could_not_write_down_what_it_is_cannot_be_told_and_that_is_said(
    settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    with Ledger(settings.ledger) as ledger, ledger.live.held(live_run()):
        (Path(ledger.live.folder) / "photos.json").unlink()
        assert asked_to_stop(settings) == EXIT_LOOK
    out, err = capsys.readouterr()
    assert (out, err.count("\n")) == ("", 1)
    assert "cannot be told to stop before the state folder takes files again" in err
