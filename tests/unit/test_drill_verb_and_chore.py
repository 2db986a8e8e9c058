"""Drills as a person asks for them and as the service does them: what is told, with which exit code, and when."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import HomeTrouble
from otherroof.jobs.drill import drill_mark
from otherroof.jobs.drill_folder import drill_folder
from otherroof.jobs.stop_sign import StopSign
from otherroof.ledger import Ledger
from otherroof.schedule.chores import FIRST_START, Chore, ChoreFacts, ChoreInputs, service_chores
from otherroof.settings import require_settings
from support.drills import brought_back, drill_rows, left_over
from support.household import write_household
from support.killable import Killable, Once
from support.main_job import FAR, JOB, OneJob
from support.verbs import Verb, two_files_and_a_link, verb_of

pytestmark = [pytest.mark.slow, pytest.mark.lasts(10)]

NOW = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
DAY = timedelta(days=1)


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with two_files_and_a_link(tmp_path) as made:
        made.done()
        yield made


@pytest.fixture
def verb(job: OneJob, capsys: pytest.CaptureFixture[str]) -> Verb:
    return verb_of(job, capsys)


def test_drill_tells_what_came_back_and_how_long_all_would_take(verb: Verb) -> None:
    told = verb("drill", JOB)
    assert (told.code, told.err) == (0, "")
    assert "3 of 3 files" in told.out
    assert "came back for practice" in told.out
    assert "all of it would take about" in told.out
    assert "until the first file" in told.out
    assert "2 the same, 0 changed since" in told.out


def test_damage_is_exit_5_and_named(job: OneJob, verb: Verb) -> None:
    (job.latest / "b/c").write_bytes(b"FIRST c")
    told = verb("drill", JOB)
    assert told.code == 5
    assert "damaged: b/c: its content is not what the listing says" in told.err
    status = verb("status", "--json").json
    assert status["jobs"][0]["drilled"] is not None
    assert "1 damaged" in status["jobs"][0]["drill"]


def test_json_has_the_same_figures(verb: Verb) -> None:
    told = verb("drill", JOB, "--json")
    found = told.json
    assert (found["files"], found["of_files"], found["whole"], found["damaged"]) == (3, 3, True, [])
    assert found["at_home"] == {"same": 2, "changed": 0, "gone": 0, "odd": 0}
    assert 0 < found["back"]["soonest_s"] <= found["back"]["seconds"] <= found["back"]["latest_s"]
    assert found["check"] is None


def test_copy_that_comes_back_too_slowly_needs_a_look(job: OneJob, verb: Verb) -> None:
    job.job_more = {"back_within_hours": 0.000001}
    job.write_settings()
    told = verb("drill", JOB)
    assert told.code == 1
    assert "fetch the far disk home" in told.err
    job.job_more = {"back_within_hours": 100}
    job.write_settings()
    assert verb("drill", JOB).code == 0


def test_all_from_nothing_says_so(verb: Verb) -> None:
    told = verb("drill", JOB, "--all-from-nothing")
    assert told.code == 0
    assert "from settings and keys alone; versions that could be had: 1" in told.out


def test_job_that_is_none_is_wrong_use(verb: Verb) -> None:
    assert verb("drill", "nothing").code == 2


def test_status_and_digest_have_one_line_about_it(verb: Verb) -> None:
    assert f"no practice restore yet: {JOB}" in verb("status").out
    assert "practice: no practice restore yet" in verb("digest").out
    verb("drill", JOB)
    assert f"{JOB}: last practice restore " in verb("status").out
    said = " ".join(verb("digest").out.split())
    assert "practice: last practice restore " in said
    assert "3 of 3 files came back; all would take about" in said


# -- the service's chore --


def chore_of(where: Path, more: str = "") -> tuple[Chore, ChoreFacts]:
    settings = require_settings(write_household(where, jobs={"photos": more}))
    (made,) = [one for one in service_chores(SystemClock())(settings) if one.name == "drill photos"]
    return made, ChoreFacts(NOW, settings, {FIRST_START: NOW - DAY})


def due(chore: Chore, facts: ChoreFacts, **changed: object) -> datetime | None:
    given = {"now": facts.now, "settings": facts.settings, "last_times": facts.last_times} | changed
    return chore.due(ChoreFacts(**given))  # type: ignore[arg-type]


def test_first_drill_comes_a_day_after_the_first_start_then_each_drill_days(tmp_path: Path) -> None:
    chore, facts = chore_of(tmp_path)
    assert due(chore, facts) == NOW
    assert due(chore, facts, last_times={FIRST_START: NOW}) == NOW + DAY
    assert due(chore, facts, last_times={FIRST_START: NOW, drill_mark("photos"): NOW - 2 * DAY}) == NOW + 28 * DAY
    assert due(chore, facts, last_times=None) is None
    assert due(chore, facts, rested_s=0.0) == NOW + timedelta(hours=6), "one that came to nothing is tried again later"


def test_drill_keeps_to_the_window_of_its_job(tmp_path: Path) -> None:
    chore, facts = chore_of(tmp_path, 'window = "01:00-06:30"\n')
    # 12:00 UTC is 08:30 in St John's; the window opens at 01:00 there, 04:30 UTC.
    assert due(chore, facts) == datetime(2031, 3, 7, 4, 30, tzinfo=UTC)
    inside = datetime(2031, 3, 7, 5, 0, tzinfo=UTC)
    assert due(chore, facts, now=inside) == inside


def test_no_drill_by_the_service_if_the_settings_want_none(tmp_path: Path) -> None:
    chore, facts = chore_of(tmp_path, "drill_days = 0\n")
    assert due(chore, facts) is None


def test_chore_drills_and_keeps_when(job: OneJob) -> None:
    (chore,) = [one for one in service_chores(SystemClock())(job.settings) if one.name == drill_mark(JOB)]
    chore.do(ChoreInputs(job.settings))
    assert [row.outcome for row in drill_rows(job)] == ["whole"]
    with Ledger(job.settings.ledger) as ledger:
        assert drill_mark(JOB) in ledger.marks.by_name()


def test_chore_waits_for_a_copy_and_for_room_in_the_month(job: OneJob, monkeypatch: pytest.MonkeyPatch) -> None:
    job.far_more = {"month_gb": 0.4}
    job.write_settings()
    (chore,) = [one for one in service_chores(SystemClock())(job.settings) if one.name == drill_mark(JOB)]
    chore.do(ChoreInputs(job.settings))
    assert drill_rows(job) == [], "drill_mb is more than the month has"
    job.far_more = {"month_gb": 0.6}
    job.write_settings()
    with monkeypatch.context() as changed:
        changed.setattr("otherroof.ledger.runs.RunPage.newest_good", lambda *_, **__: None)
        chore.do(ChoreInputs(job.settings))
        assert drill_rows(job) == []
    chore.do(ChoreInputs(job.settings))
    assert len(drill_rows(job)) == 1


def test_chore_that_is_asked_to_stop_stops(job: OneJob, monkeypatch: pytest.MonkeyPatch) -> None:
    (chore,) = [one for one in service_chores(SystemClock())(job.settings) if one.name == drill_mark(JOB)]
    seen: list[str] = []
    stop = StopSign(SystemClock())

    def asked(_: object, __: object, context: SimpleNamespace) -> None:
        stop.ask("the service ends")
        seen.append(context.stop.asked())
        raise KeyboardInterrupt

    monkeypatch.setattr("otherroof.schedule.drills.drill", asked)
    with pytest.raises(KeyboardInterrupt):
        chore.do(ChoreInputs(job.settings, stop=stop))
    assert seen == ["the service ends"]


class Stopped:
    """A limit or a sign that is up from the beginning."""

    def __init__(self, *_: object) -> None:
        pass

    def asked(self) -> str:
        return "it was not through within 1 h"


class StoppedLater(Stopped):
    """A limit that is reached when some files have come; `state` is the state folder."""

    state: Path

    def asked(self) -> str:
        came = [path for path in self.state.glob("drill/*/restored/many/*") if path.name.isdigit()]
        return super().asked() if len(came) >= 5 else ""


def test_cut_drill_is_tried_again_unless_it_tells_how_long_all_would_take(
    job: OneJob, monkeypatch: pytest.MonkeyPatch
) -> None:
    # However long the login takes, the sign is not looked at during it.
    monkeypatch.setattr("otherroof.base.time_limit.LOOK_S", 60.0)
    monkeypatch.setattr("otherroof.jobs.drill.TICK_S", 0.0)
    (chore,) = [one for one in service_chores(SystemClock())(job.settings) if one.name == drill_mark(JOB)]

    def marks() -> set[str]:
        with Ledger(job.settings.ledger) as ledger:
            return set(ledger.marks.by_name())

    closed = datetime(2001, 1, 1, tzinfo=UTC)
    with monkeypatch.context() as changed:
        changed.setattr("otherroof.schedule.drills.window_end", lambda *_: closed)
        chore.do(ChoreInputs(job.settings))
    assert [row.outcome for row in drill_rows(job)] == ["cut"]
    assert drill_mark(JOB) not in marks()
    with monkeypatch.context() as changed:
        changed.setattr("otherroof.schedule.drills.TimeLimit", Stopped)
        changed.setattr("otherroof.jobs.drill.time_back", lambda *_: None)
        chore.do(ChoreInputs(job.settings))
    assert [row.outcome for row in drill_rows(job)] == ["cut", "cut"]
    assert drill_rows(job)[0].reason == "it was not through within 1 h"
    assert drill_mark(JOB) not in marks(), "nothing came in all that time"
    for number in range(60):
        job.put(f"many/{number}", os.urandom(3000))
    job.done()
    with monkeypatch.context() as changed:
        changed.setattr(StoppedLater, "state", job.state, raising=False)
        changed.setattr("otherroof.schedule.drills.TimeLimit", StoppedLater)
        chore.do(ChoreInputs(job.settings))
    row = drill_rows(job)[0]
    assert (row.outcome, row.reason) == ("timed", "it was not through within 1 h")
    assert 0 < row.figures.files <= row.figures.of_files
    assert row.figures.back_s is not None
    assert drill_mark(JOB) in marks()
    with Ledger(job.settings.ledger) as ledger:
        now = SystemClock().now()
        assert ledger.drills.last(JOB, FAR, now) == row, "an answer, so nobody is told that it was never drilled"
        assert ledger.drills.fruitless(JOB, FAR, now) == []


def test_service_sweeps_what_a_killed_drill_left_as_it_starts_and_every_day(job: OneJob) -> None:
    (chore,) = [one for one in service_chores(SystemClock())(job.settings) if one.name == "sweep after drills"]
    facts = ChoreFacts(NOW, job.settings)
    assert due(chore, facts) == NOW, "as the service starts, with or without a ledger"
    assert due(chore, facts, rested_s=3600.0) == NOW + timedelta(hours=23)
    chore.do(ChoreInputs(job.settings))  # nothing there yet
    left = job.state / "drill" / f"{JOB}.0000abcd" / "restored"
    left.mkdir(parents=True)
    (left / "letter").write_bytes(b"left")
    left.chmod(0o500)
    with drill_folder(job.settings, "other", SystemClock()) as theirs:
        chore.do(ChoreInputs(job.settings))
        assert left_over(job) == [os.path.basename(theirs)], "one that is under way keeps its folder"


def test_what_cannot_be_swept_is_told_after_all_else_is_gone(job: OneJob) -> None:
    (job.state / "drill" / "a.0000abcd").mkdir(parents=True)
    (job.state / "drill" / "b.0000abcd").mkdir()
    (job.state / "drill" / "a.0000abcd").rmdir()
    (job.state / "drill" / "a.0000abcd").write_bytes(b"no folder")
    (chore,) = [one for one in service_chores(SystemClock())(job.settings) if one.name == "sweep after drills"]
    with pytest.raises(HomeTrouble, match="cannot be removed"):
        chore.do(ChoreInputs(job.settings))
    assert left_over(job) == ["a.0000abcd"]


# -- killed --


def test_killed_at_any_moment_the_next_one_leaves_nothing_behind(job: OneJob, tmp_path: Path) -> None:
    for number in range(150):
        job.put(f"many/{number}", os.urandom(30_000))
    job.done()
    argv = ["drill", JOB, "--config", job.config]
    killed = left = 0
    with Killable(tmp_path / "told") as machine:
        machine.start(argv)
        assert machine.end()[0] == 0
        for step in range(12):
            kill = partial(machine.kill, machine.start(argv))
            watch = Once(lambda least=step * 12: brought_back(job) >= least, kill)
            watch.start()
            killed += machine.end_after(watch)[0] == -signal.SIGKILL
            left += bool(left_over(job))
        machine.start(argv)
        assert machine.end()[0] == 0
    assert killed >= 6
    assert left >= 1, "no kill fell into the restore"
    assert left_over(job) == []
    rows = drill_rows(job)
    assert rows[0].outcome == "whole"
    assert {row.outcome for row in rows} == {"whole", "cut"}
