"""Who follows a run of the service: which run it is, and what is told when it comes to nothing."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import EXIT_INTERRUPTED
from otherroof.cli.copy import follow
from otherroof.cli.copy.follow import FollowedError, Follower, NotTakenUp, RunLost
from otherroof.cli.main import main
from otherroof.copying.report import RunReport
from otherroof.jobs.locks import service_lock
from otherroof.ledger import Ledger
from otherroof.ledger.live.live_run import EndedRun, LiveRun
from otherroof.ledger.live.live_runs import LiveRuns
from otherroof.ledger.live.wishes import WishAnswer
from otherroof.settings import Settings, require_settings
from support.household import write_household
from support.live import live_run
from support.waiting import until


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return require_settings(write_household(tmp_path, jobs={"photos": ""}))


@contextmanager
def follower(settings: Settings) -> Iterator[tuple[Follower, Ledger, list[str]]]:
    """Somebody who follows photos, while a service is at work that does nothing."""
    told: list[str] = []
    with Ledger(settings.ledger) as ledger, service_lock(settings, SystemClock()):
        yield Follower(settings, "photos", ledger, SystemClock(), told.append, quiet=True), ledger, told


def test_a_run_that_began_in_the_moment_of_the_wish_serves_it_too(settings: Settings) -> None:
    with follower(settings) as (one, ledger, _):
        one.ask(reread=False)
        ended = EndedRun("token-of-photos", "another's", 0, "", False, RunReport("photos", "r1", "done"))
        with ledger.live.held(live_run(wish="another's")):
            results: list[object] = []
            thread = threading.Thread(target=lambda: results.append(one.follow()))
            thread.start()
            until(lambda: ledger.wishes.run_wish("photos") is None)
            ledger.live.write_end(ended)
        thread.join(30)
        assert [result.report.outcome for result in results] == ["done"]  # type: ignore[attr-defined]


def test_a_run_that_has_left_its_first_word_and_is_not_yet_seen_to_live_is_not_taken_for_a_killed_one(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    looked, shown, ended = threading.Event(), threading.Event(), threading.Event()
    is_known, show = LiveRuns.is_known, Follower._show

    def known(live: LiveRuns, job: str, token: str) -> bool:
        if found := is_known(live, job, token):
            looked.set()
        return found

    def showing(one: Follower, live: LiveRun) -> None:
        shown.set()
        show(one, live)

    monkeypatch.setattr(LiveRuns, "is_known", known)
    monkeypatch.setattr(Follower, "_show", showing)
    monkeypatch.setattr(follow, "LAST_WORD_S", 0.1)
    monkeypatch.setattr(follow, "GONE_S", 60.0)
    results: list[object] = []

    def follows(one: Follower) -> None:
        try:
            results.append(one.follow().report.outcome)
        except RunLost as problem:
            results.append(problem)
        ended.set()

    with follower(settings) as (one, ledger, _):
        with ledger.live.held(live_run(token="before")):
            pass
        one.ask(reread=False)
        wish = ledger.wishes.run_wish("photos")
        assert wish is not None
        thread = threading.Thread(target=follows, args=(one,))
        thread.start()
        ledger.live.write(live_run(wish=wish.token))
        ledger.wishes.take_back("photos")
        assert looked.wait(30)
        with ledger.live.held(live_run(wish=wish.token)):
            until(lambda: shown.is_set() or ended.is_set())
            report = RunReport("photos", "r1", "done")
            ledger.live.write_end(EndedRun("token-of-photos", wish.token, 0, "", False, report))
        thread.join(60)
    assert results == ["done"]


def test_a_wish_that_is_taken_back_elsewhere_is_told_with_its_exit_code(settings: Settings) -> None:
    with follower(settings) as (one, ledger, _):
        one.ask(reread=False)
        wish = ledger.wishes.run_wish("photos")
        assert wish is not None
        ledger.wishes.take_back("photos")
        ledger.wishes.note_answer("photos", WishAnswer(wish.token, "photos: taken back", 130))
        error = one.follow().error
        assert isinstance(error, FollowedError)
        assert (str(error), error.exit_code) == ("photos: taken back", 130)


def test_a_service_that_does_not_take_it_up_is_not_waited_for(
    settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(follow, "TAKEN_UP_S", 0.1)
    with follower(settings) as (one, ledger, _):
        one.ask(reread=False)
        with pytest.raises(NotTakenUp, match="has not begun it within"):
            one.follow()
        assert ledger.wishes.run_wish("photos") is None


def test_every_file_read_again_is_not_served_by_a_run_that_does_not(settings: Settings) -> None:
    with follower(settings) as (one, ledger, _), ledger.live.held(live_run()), pytest.raises(NotTakenUp):
        one.ask(reread=True)


def test_a_run_that_is_to_stop_serves_nobody(settings: Settings) -> None:
    with follower(settings) as (one, ledger, _), ledger.live.held(live_run(stopping="stopped by hand")):
        one.ask(reread=False)
        assert ledger.wishes.run_wish("photos") is not None


def test_whoever_leaves_a_display_gets_the_json_of_what_has_ended(
    settings: Settings, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def leave(_: object, seconds: float) -> None:
        raise KeyboardInterrupt

    with follower(settings) as (_, ledger, _told):
        monkeypatch.setattr(SystemClock, "sleep", leave)
        with pytest.raises(SystemExit) as left:
            main(["run", "photos", "--json", "--config", settings.where])
        assert ledger.wishes.run_wish("photos") is not None, "it goes on without this display"
    out, err = capsys.readouterr()
    assert left.value.code == EXIT_INTERRUPTED
    assert json.loads(out)["runs"] == []
    assert "`otherroof stop photos` takes that back" in err


def test_a_run_that_was_stopped_is_told_by_the_word_of_every_other_screen(
    settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    with follower(settings) as (_, ledger, _told):
        codes: list[object] = []

        def run() -> None:
            with pytest.raises(SystemExit) as left:
                main(["run", "photos", "--config", settings.where])
            codes.append(left.value.code)

        thread = threading.Thread(target=run)
        thread.start()
        until(lambda: ledger.wishes.run_wish("photos") is not None)
        wish = ledger.wishes.run_wish("photos")
        assert wish is not None
        report = RunReport("photos", "r1", "cut", reason="why")
        with ledger.live.held(live_run(wish=wish.token)):
            ledger.wishes.take_back("photos")
            ledger.live.write_end(EndedRun("token-of-photos", wish.token, 130, "photos: why", True, report))
        thread.join(60)
    assert codes == [EXIT_INTERRUPTED]
    assert "photos: stopped early: why" in capsys.readouterr().err
