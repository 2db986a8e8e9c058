"""What is written about one job, one far box, one channel or one alert changes nothing of the others."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from otherroof.base.errors import HomeTrouble
from otherroof.base.sqlite_file import all_set_aside
from otherroof.copying.report import ByteCounts, FileCounts, Outcome, Problem, RunReport, StepSeconds
from otherroof.ledger import Ledger
from otherroof.ledger.alerts import Alert, AlertChange
from otherroof.ledger.far_findings import DamagedFile
from otherroof.ledger.keeping import Thinned
from otherroof.ledger.messages import QueuedMessage
from otherroof.ledger.proofs import HealedDamage, ProofRow
from otherroof.ledger.runs import Hold
from otherroof.ledger.soundness import is_sound
from support.live import under_way
from support.watching import run_id

NOW = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)
DAY, HOUR = timedelta(days=1), timedelta(hours=1)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(str(tmp_path / "ledger.db")) as made:
        yield made


def ran(
    ledger: Ledger, job: str, at: datetime, outcome: Outcome = "done", *, far: str = "heron", problems: int = 0
) -> None:
    """A whole run of 1000 bytes up and 10 down."""
    report = RunReport(
        job, run_id(at), outcome, FileCounts(seen=1), ByteCounts(wire_up=1000, wire_down=10), StepSeconds()
    )
    report.problems = [Problem(f"p{number}", "cannot be read") for number in range(problems)]
    ledger.runs.begin(job, run_id(at), far, at)
    ledger.runs.end(report, at + HOUR)


def hold(job: str) -> Hold:
    return Hold(job, "r1", NOW, "too much", 1, 2, 3, None)


# -- jobs --


def test_releasing_one_job_releases_no_other(ledger: Ledger) -> None:
    for job in ("photos", "papers"):
        ledger.holds.note(hold(job))
    assert ledger.holds.release("photos", NOW + HOUR)
    released = {job: found.released for job in ("photos", "papers") if (found := ledger.holds.of(job))}
    assert released == {"photos": NOW + HOUR, "papers": None}
    assert not ledger.holds.release("films", NOW)


def test_dropping_one_hold_drops_no_other(ledger: Ledger) -> None:
    for job in ("photos", "papers"):
        ledger.holds.note(hold(job))
    ledger.holds.drop("photos")
    assert ledger.holds.of("photos") is None
    assert ledger.holds.of("papers") is not None


def test_a_job_that_is_held_again_is_not_released_yet(ledger: Ledger) -> None:
    ledger.holds.note(hold("photos"))
    ledger.holds.release("photos", NOW + HOUR)
    ledger.holds.note(replace(hold("photos"), run="r2"))
    found = ledger.holds.of("photos")
    assert found is not None
    assert (found.run, found.released) == ("r2", None)


def test_only_this_jobs_runs_are_cut(ledger: Ledger) -> None:
    with under_way(ledger, run_id(NOW), NOW, "photos"), under_way(ledger, run_id(NOW), NOW, "papers"):
        ledger.runs.mark_cut("photos", "killed")
        found = {row.report.job: row.under_way for row in ledger.runs.rows()}
    assert found == {"photos": False, "papers": True}


def test_problems_are_known_for_ninety_days_of_their_own_job(ledger: Ledger) -> None:
    """What failed last month is still asked for."""
    ran(ledger, "photos", NOW - 95 * DAY, problems=1)
    ran(ledger, "papers", NOW - 95 * DAY, problems=1)
    ran(ledger, "photos", NOW - 88 * DAY, problems=1)
    ran(ledger, "photos", NOW, problems=1)
    kept = {
        (job, days): len(ledger.runs.problems_of(job, run_id(NOW - days * DAY)))
        for job, days in (("photos", 95), ("papers", 95), ("photos", 88), ("photos", 0))
    }
    assert kept == {("photos", 95): 0, ("papers", 95): 1, ("photos", 88): 1, ("photos", 0): 1}


def test_what_is_about_no_entry_is_not_cut_off(ledger: Ledger) -> None:
    report = RunReport("photos", "r1", "done")
    report.problems = [
        *(Problem(f"p{number}", "no") for number in range(1200)),
        Problem("", "the far disk is read-only"),
    ]
    ledger.runs.begin("photos", "r1", "heron", NOW)
    ledger.runs.end(report, NOW + HOUR)
    assert len(ledger.runs.problems_of("photos", "r1")) == 1000
    assert ledger.runs.far_problems("heron", NOW + DAY) == ["the far disk is read-only"]


# -- far boxes --


def test_a_months_bytes_are_one_far_boxs_both_ways_and_since_then(ledger: Ledger) -> None:
    ran(ledger, "photos", NOW)
    ran(ledger, "papers", NOW + HOUR)
    ran(ledger, "films", NOW + HOUR, far="wren")
    ran(ledger, "photos", NOW - DAY)
    assert ledger.runs.wire_bytes_since("heron", NOW) == 2 * 1010
    assert ledger.runs.wire_bytes_since("wren", NOW) == 1010


def test_the_newest_good_copy_is_that_of_this_far_box_and_not_of_the_future(ledger: Ledger) -> None:
    ran(ledger, "photos", NOW)
    ran(ledger, "photos", NOW + HOUR, far="wren")
    ran(ledger, "photos", NOW + 400 * DAY)
    newest = {far: ledger.runs.newest_good("photos", NOW + 2 * HOUR, far=far) for far in ("heron", "wren", "")}
    assert {far: row and row.started for far, row in newest.items()} == {
        "heron": NOW,
        "wren": NOW + HOUR,
        "": NOW + HOUR,
    }


def test_an_older_answer_hides_no_newer_one(ledger: Ledger) -> None:
    ledger.answers.note("heron", NOW)
    ledger.answers.note("heron", NOW - DAY)
    ledger.answers.note("wren", NOW + DAY)
    assert ledger.answers.last("heron") == NOW


def test_an_answer_of_the_future_is_not_believed(ledger: Ledger) -> None:
    ran(ledger, "photos", NOW - DAY)
    ledger.answers.note("heron", NOW + 400 * DAY)
    assert ledger.answers.last("heron", NOW) == NOW - DAY
    assert ledger.answers.last("heron", NOW + 401 * DAY) == NOW + 400 * DAY


def test_damage_is_of_the_day_it_was_found_and_settled_file_by_file(ledger: Ledger) -> None:
    def mark(job: str, path: str, at: datetime) -> DamagedFile:
        return DamagedFile(job, path, "r1", at, "other content")

    ledger.damages.note([mark("photos", "a", NOW), mark("photos", "b", NOW), mark("papers", "a", NOW)])
    ledger.damages.note([mark("photos", "a", NOW + DAY)])
    assert {one.path: one.at for one in ledger.damages.of("photos")} == {"a": NOW, "b": NOW}
    assert ledger.damages.settle("photos", ["a", "c"]) == 1
    assert [one.path for one in ledger.damages.of("photos")] == ["b"]
    assert [one.path for one in ledger.damages.of("papers")] == ["a"]


def test_a_days_room_is_its_last_reading(ledger: Ledger) -> None:
    for hours, free in ((0, 50), (3, 40), (25, 30)):
        ledger.spaces.note("heron", NOW + hours * HOUR, free, 100)
    ledger.spaces.note("wren", NOW + 4 * HOUR, 7, 100)
    assert [reading.free for reading in ledger.spaces.daily("heron", NOW, NOW + 9 * DAY)] == [40, 30]


def test_a_handshake_is_of_its_own_session(ledger: Ledger) -> None:
    first = ledger.tunnels.begin("heron", "roof0", NOW)
    ledger.tunnels.note_handshake(first, NOW + timedelta(seconds=2))
    second = ledger.tunnels.begin("wren", "roof1", NOW)
    ledger.tunnels.note_handshake(second, NOW + timedelta(seconds=9))
    assert {row.far: row.handshake_s for row in ledger.tunnels.rows()} == {"heron": 2.0, "wren": 9.0}


# -- alerts --


def alert(key: str = "silent:heron", **changed: object) -> Alert:
    usual = {"key": key, "rule": "silent", "about": "heron", "headline": "h", "help": "x"}
    return Alert(**usual | {"begun": NOW, "raised": NOW, "told": NOW} | changed)  # type: ignore[arg-type]


def post(about: str = "silent:heron", channel: str = "mail", **changed: object) -> QueuedMessage:
    made = {"channel": channel, "kind": "alert", "about": about, "made": NOW, "subject": about, "text": "t"}
    return QueuedMessage(**made | changed)  # type: ignore[arg-type]


def test_a_message_that_went_out_takes_no_text_of_the_others_in_its_bundle(ledger: Ledger) -> None:
    """Another process may have taken one of them in hand, and sends it."""
    keys = ("silent:heron", "silent:egret")
    ledger.alerts.record([AlertChange(alert(key), None, (post(key),)) for key in keys])
    first, second = ledger.posts.waiting()
    assert first.bundle == second.bundle
    ledger.posts.sent([first], NOW)
    assert ledger.posts.waiting() == [second]


def test_what_two_looks_find_at_once_is_told_once(ledger: Ledger) -> None:
    change = AlertChange(alert(), None, (post(),))
    assert [ledger.alerts.record([change]) for _ in range(2)] == [1, 0]
    (standing,) = ledger.alerts.standing()
    assert len(ledger.posts.waiting()) == 1
    again = AlertChange(replace(standing, told=NOW + DAY, times=2), standing, (post(subject="again"),))
    assert [ledger.alerts.record([again]) for _ in range(2)] == [1, 0]
    assert [waiting.subject for waiting in ledger.posts.waiting()] == ["again"]


def test_quiet_is_for_the_alert_that_stands(ledger: Ledger) -> None:
    ledger.alerts.record([AlertChange(alert())])
    (first,) = ledger.alerts.standing()
    ledger.alerts.record([AlertChange(replace(first, ended=NOW + HOUR), first)])
    assert ledger.alerts.standing() == []
    assert not ledger.alerts.quiet("silent:heron", NOW + DAY)
    ledger.alerts.record([AlertChange(alert(raised=NOW + 2 * HOUR)), AlertChange(alert("late:photos"))])
    assert ledger.alerts.quiet("silent:heron", NOW + DAY)
    assert {one.key: one.quiet_until for one in ledger.alerts.standing()} == {
        "silent:heron": NOW + DAY,
        "late:photos": None,
    }
    (over,) = ledger.alerts.ended_since(NOW)
    assert over.quiet_until is None


# -- messages --


def queued(ledger: Ledger, *posts: QueuedMessage) -> list[QueuedMessage]:
    for number, one in enumerate(posts):
        ledger.alerts.record([AlertChange(alert(f"late:{number}{len(ledger.posts.waiting())}"), None, (one,))])
    return ledger.posts.waiting()


def test_a_message_is_taken_by_one_process_and_only_until_its_time(ledger: Ledger) -> None:
    (waiting,) = queued(ledger, post())
    assert len(ledger.posts.claim([waiting], NOW + HOUR)) == 1
    assert ledger.posts.claim([waiting], NOW + HOUR) == []
    (later,) = ledger.posts.waiting()
    assert (later.tries, later.next_try) == (1, NOW + HOUR)
    assert len(ledger.posts.claim([later], NOW + 2 * HOUR)) == 1


def test_what_was_tried_least_goes_first(ledger: Ledger) -> None:
    """Else a message that ends the process each time would keep all others back."""
    first, _ = queued(ledger, post("a", made=NOW - HOUR), post("b"))
    ledger.posts.claim([first], NOW)
    assert [waiting.about for waiting in ledger.posts.waiting()] == ["b", "a"]


def test_a_newer_word_takes_the_place_of_one_about_the_same_that_has_not_gone_out(ledger: Ledger) -> None:
    queued(ledger, post("a", subject="old"), post("b"), post("a", channel="bell"))
    sent = next(one for one in ledger.posts.waiting() if one.about == "b")
    ledger.posts.sent([sent], NOW)
    queued(ledger, post("a", subject="new"), post("b", subject="new"))
    waiting = {(one.about, one.channel): one.subject for one in ledger.posts.waiting()}
    assert waiting == {("a", "mail"): "new", ("b", "mail"): "new", ("a", "bell"): "a"}
    (count,) = ledger.file.db.execute("SELECT count(*) FROM post WHERE sent IS NOT NULL").fetchone()
    assert count == 1, "what was sent is still known"


def test_one_channels_failure_puts_off_its_own_messages_alone(ledger: Ledger) -> None:
    posts = queued(ledger, post("a"), post("b"), post("a", channel="bell"))
    ledger.posts.failed([posts[0]], "refused", NOW, NOW + DAY)
    due = {(one.about, one.channel): one.next_try for one in ledger.posts.waiting()}
    assert due == {("a", "mail"): NOW + DAY, ("b", "mail"): NOW + DAY, ("a", "bell"): NOW}


def test_a_channel_has_failed_since_its_first_failure_and_works_from_its_first_success(ledger: Ledger) -> None:
    first, second = queued(ledger, post("a"), post("b"))
    for hours in (1, 2, 3):
        ledger.posts.failed([first], "refused", NOW + hours * HOUR, NOW)
    state = ledger.posts.channel_states()["mail"]
    assert (state.failing_since, state.fails, state.waiting) == (NOW + HOUR, 3, 2)
    ledger.posts.sent([first], NOW + 4 * HOUR)
    state = ledger.posts.channel_states()["mail"]
    assert (state.failing_since, state.fails, state.waiting) == (None, 0, 1)
    assert [one.text for one in ledger.posts.waiting()] == [second.text]


def test_what_goes_out_as_one_counts_as_one(ledger: Ledger) -> None:
    changes = [AlertChange(alert(f"late:{name}"), None, (post(f"late:{name}"),)) for name in "abc"]
    ledger.alerts.record(changes)
    posts = ledger.posts.waiting()
    assert len({one.bundle for one in posts}) == 1
    ledger.posts.failed(posts, "refused", NOW, NOW)
    assert ledger.posts.channel_states()["mail"].waiting == 1


# -- what is watched --


def test_a_beginning_of_the_future_begins_now(ledger: Ledger) -> None:
    ledger.looks.note_watched(["far heron"], NOW + 400 * DAY)
    assert ledger.looks.watched_since(["far heron", "far wren"], NOW) == {"far heron": NOW, "far wren": NOW}
    ledger.looks.note_watched(["far heron"], NOW)
    assert ledger.looks.watched_since(["far heron"], NOW + DAY) == {"far heron": NOW}


def test_what_comes_back_into_the_settings_is_watched_anew(ledger: Ledger) -> None:
    for subjects, at in ((["a", "b"], NOW), (["a"], NOW + DAY), (["a", "b"], NOW + 9 * DAY)):
        ledger.looks.note_watched(subjects, at)
    assert ledger.looks.watched_since(["a", "b"], NOW + 10 * DAY) == {"a": NOW, "b": NOW + 9 * DAY}


# -- a damaged ledger --


def test_a_process_that_finds_a_new_ledger_in_place_of_its_own_sets_nothing_aside(tmp_path: Path) -> None:
    """Two processes meet the same damage: the second must not set the first one's new history aside."""
    path = tmp_path / "ledger.db"
    with Ledger(str(path)) as first, Ledger(str(path)) as second:
        ran(first, "photos", NOW)
        first.file.close()
        first.file._begin_anew()
        ran(first, "papers", NOW)
        second.file.close()
        second.file._begin_anew()
        assert [row.report.job for row in second.runs.rows()] == ["papers"]
    assert len(all_set_aside(str(path))) == 1


def test_damage_met_by_a_question_begins_a_new_history_and_is_said(tmp_path: Path) -> None:
    path = str(tmp_path / "ledger.db")
    with Ledger(path) as ledger:
        with pytest.raises(HomeTrouble, match="was damaged"), ledger.file.guarded():
            raise _damage()
        assert ledger.runs.rows() == []
        with pytest.raises(HomeTrouble, match="cannot be used"), ledger.file.guarded():
            raise sqlite3.OperationalError("disk is full")
    assert len(all_set_aside(path)) == 1


def _damage() -> sqlite3.DatabaseError:
    problem = sqlite3.DatabaseError("database disk image is malformed")
    problem.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return problem


# -- versions and proofs --


def test_what_was_thinned_and_pinned_is_one_jobs(ledger: Ledger) -> None:
    for job in ("photos", "letters"):
        ledger.thinned.note(Thinned(NOW, job, (f"{job}-1", f"{job}-2"), 5))
        ledger.pins.note(job, "r1", f"of {job}", NOW)
        ledger.pins.note(job, "r2", "as well", NOW)
    assert [row.runs for row in ledger.thinned.rows("photos")] == [("photos-1", "photos-2")]
    assert len(ledger.thinned.rows()) == 2
    assert ledger.thinned.rows("photos", since=NOW + HOUR) == []
    ledger.pins.drop("photos", "r2")
    assert ledger.pins.of("photos") == {"r1": "of photos"}
    assert ledger.pins.of("letters") == {"r1": "of letters", "r2": "as well"}


def test_what_was_proved_and_healed_is_one_jobs(ledger: Ledger) -> None:
    for day, job in enumerate(("photos", "letters"), 100):
        ledger.proved.note(job, [b"latest/a"], day)
        number = ledger.proofs.begin(ProofRow(job, "heron", NOW))
        ledger.proofs.note_healed(number, HealedDamage(day, "a", NOW))
    assert [ledger.proved.days(job).day(b"latest/a") for job in ("photos", "letters")] == [100, 101]
    assert ledger.proofs.healed_since("photos", NOW) == HealedDamage(100, "a", NOW)
    assert ledger.proofs.healed_since("photos", NOW + HOUR) is None


def test_a_proof_of_one_file_is_none_of_another_and_goes_with_damage(ledger: Ledger) -> None:
    names = [b"%d" % number for number in range(20_000)]  # some shelves hold several of them
    ledger.proved.note("photos", names[::2], 100)
    days = ledger.proved.days("photos")
    assert all(days.day(name) == 100 for name in names[::2])
    assert not any(days.day(name) for name in names[1::2])
    ledger.proved.note("photos", names[:2], 101)
    ledger.proved.forget("photos", names[2])
    days = ledger.proved.days("photos")
    assert [days.day(name) for name in names[:5]] == [101, 101, 0, 0, 100]
    assert all(days.day(name) == 100 for name in names[4::2]), "what was proved before stays proved"


def test_a_job_is_not_released_because_another_one_was(ledger: Ledger) -> None:
    ledger.holds.note(Hold("photos", "r1", NOW, "too many would go", 300, 5, 1000, None))
    assert ledger.holds.release("photos", NOW + HOUR)
    ledger.holds.note(Hold("letters", "r2", NOW, "too many would go", 300, 5, 1000, None))
    held = ledger.holds.of("letters")
    assert held is not None
    assert held.released is None


def test_a_ledger_whose_index_says_other_than_its_rows_is_not_sound(tmp_path: Path) -> None:
    path = str(tmp_path / "ledger.db")
    with Ledger(path) as ledger:
        ran(ledger, "photos", NOW)
    with closing(sqlite3.connect(path)) as db:
        assert is_sound(db, path)
        (index,) = db.execute("SELECT name FROM sqlite_master WHERE type='index' AND tbl_name='run' LIMIT 1").fetchone()
        db.execute("CREATE TABLE empty (a TEXT PRIMARY KEY)")
        db.execute("PRAGMA writable_schema = ON")
        db.execute(
            "UPDATE sqlite_master SET rootpage ="
            " (SELECT rootpage FROM sqlite_master WHERE type = 'index' AND tbl_name = 'empty') WHERE name = ?",
            (index,),
        )
        db.commit()
    with closing(sqlite3.connect(path)) as db:
        assert not is_sound(db, path)
