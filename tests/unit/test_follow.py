"""Who follows a run of the service: which run it is, and what is told when it comes to nothing."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import pytest

from otherroof.base.clock import SteppedClock, SystemClock
from otherroof.base.errors import EXIT_INTERRUPTED
from otherroof.cli.copy import follow
from otherroof.cli.copy.follow import FollowedError, Follower, NotTakenUp, RunLost
from otherroof.cli.main import main
from otherroof.copying.report import Problem, RunReport
from otherroof.jobs.locks import service_lock
from otherroof.ledger import Ledger
from otherroof.ledger.job_times import JobTimes
from otherroof.ledger.live.live_run import EndedRun, LiveRun
from otherroof.ledger.live.live_runs import LiveRuns
from otherroof.ledger.live.wishes import WishAnswer
from otherroof.ledger.runs import RunPage
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


# -- by a clock whose seconds pass as they are waited for --

NOW = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
MOST_WAITED_S = 3600.0
JOB_AND_RUN = ("photos", "2031-03-06T110000Z-7f3a")


class Watched(SteppedClock):
    """After `at_s` seconds of waiting something happens; after an hour of it somebody waits in vain."""

    def __init__(self) -> None:
        super().__init__(NOW)
        self.at_s = MOST_WAITED_S
        self.happens: Callable[[], object] = lambda: pytest.fail("it is waited for in vain")
        self._waited_s = 0.0

    def sleep(self, seconds: float) -> None:
        self._waited_s += seconds
        super().sleep(seconds)
        if self._waited_s >= self.at_s:
            self.at_s, happens = MOST_WAITED_S, self.happens
            self.happens = lambda: pytest.fail("it is waited for in vain")
            happens()


@pytest.fixture
def watched(settings: Settings) -> Iterator[SimpleNamespace]:
    """Somebody who follows photos by such a clock, while a service is at work that does nothing."""
    clock, told = Watched(), list[str]()
    with Ledger(settings.ledger) as ledger, service_lock(settings, SystemClock()):
        one = Follower(settings, "photos", ledger, clock, told.append, quiet=True)

        def answered() -> None:
            wish = ledger.wishes.run_wish("photos")
            assert wish is not None
            ledger.wishes.take_back("photos")
            ledger.wishes.note_answer("photos", WishAnswer(wish.token, "photos: not now", 3))

        clock.happens = answered
        yield SimpleNamespace(one=one, ledger=ledger, clock=clock, told=told)


def test_what_a_run_waits_for_is_told_once_and_waited_for_as_long_as_it_takes(watched: SimpleNamespace) -> None:
    watched.one.ask(reread=False)
    watched.ledger.job_times.note(JobTimes("photos", "0 1 * * *", NOW, waiting="waits for the far box heron"))
    watched.clock.at_s = 5 * follow.TAKEN_UP_S
    error = watched.one.follow().error
    assert (str(error), error.exit_code) == ("photos: not now", 3)
    assert watched.told[1:] == ["photos waits for the far box heron"]


def test_a_run_that_reads_less_serves_no_wish_to_read_every_file_again(watched: SimpleNamespace) -> None:
    watched.one.ask(reread=True)
    watched.clock.at_s = 10.0
    with watched.ledger.live.held(live_run(wish="another's")):
        assert str(watched.one.follow().error) == "photos: not now"


def test_a_wish_to_read_every_file_again_is_not_the_one_that_stands(watched: SimpleNamespace) -> None:
    watched.ledger.wishes.ask_run("photos", NOW)
    with pytest.raises(NotTakenUp, match="asked for already"):
        watched.one.ask(reread=True)


def test_the_next_run_is_not_shown_as_the_one_that_was_followed(
    watched: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    problem = Problem("norway/img_0123.jpg", "cannot be read")
    monkeypatch.setattr(RunPage, "problems_of", lambda _page, job, run: [problem] if (job, run) == JOB_AND_RUN else [])
    with watched.ledger.live.held(live_run()):
        watched.one.ask(reread=False)
    report = RunReport(*JOB_AND_RUN, "done with problems")
    watched.ledger.live.write_end(EndedRun("token-of-photos", "", 1, "", False, report))
    with watched.ledger.live.held(live_run(token="the next one's")):
        result = watched.one.follow()
    assert (result.report.run, result.error, result.report.problems) == (JOB_AND_RUN[1], None, [problem])


def test_a_run_whose_process_is_gone_is_told_as_gone(watched: SimpleNamespace) -> None:
    watched.one.ask(reread=False)
    wish = watched.ledger.wishes.run_wish("photos")

    def killed() -> None:
        watched.ledger.wishes.take_back("photos")
        with watched.ledger.live.held(live_run(wish=wish.token)):
            pass

    watched.clock.at_s, watched.clock.happens = 2.0, killed
    with pytest.raises(RunLost, match="the process that ran it is gone"):
        watched.one.follow()


def test_a_service_that_goes_by_other_settings_is_told_of(
    watched: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    line = "the service goes by the settings of before"
    monkeypatch.setattr(follow, "service_view", lambda *_: SimpleNamespace(differs=True, line=line))
    watched.one.ask(reread=False)
    assert watched.told[1:] == [line]


def test_a_run_that_had_to_wait_for_long_gets_its_minute_once_that_is_over(watched: SimpleNamespace) -> None:
    answered = watched.clock.happens

    def its_turn() -> None:
        watched.ledger.job_times.note(JobTimes("photos", "0 1 * * *", NOW))
        watched.clock.at_s, watched.clock.happens = 5 * follow.TAKEN_UP_S + 10, answered

    watched.one.ask(reread=False)
    watched.ledger.job_times.note(JobTimes("photos", "0 1 * * *", NOW, waiting="waits for the far box heron"))
    watched.clock.at_s, watched.clock.happens = 5 * follow.TAKEN_UP_S, its_turn
    assert str(watched.one.follow().error) == "photos: not now"
