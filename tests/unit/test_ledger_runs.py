"""The ledger's pages on runs: what was written comes back, cut runs show as cut, a newer file is left alone."""

from __future__ import annotations

import multiprocessing
import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from otherroof.base.errors import HomeTrouble
from otherroof.copying.report import ByteCounts, FileCounts, Outcome, Problem, RunReport, StepSeconds
from otherroof.ledger import Ledger
from otherroof.ledger.runs import CSV_COLUMNS, MOST_PROBLEMS, PROBLEMS_KEPT_DAYS, Hold
from otherroof.ledger.schema import MIGRATIONS
from otherroof.probe.ladder import ClimbResult
from support.live import under_way
from support.open_files import open_below

START = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(str(tmp_path / "state" / "ledger.db")) as found:
        yield found


def noted(
    ledger: Ledger, run: str, outcome: Outcome = "done", *, job: str = "photos", at: datetime = START
) -> RunReport:
    """Write a whole run into the ledger."""
    report = RunReport(
        job,
        run,
        outcome,
        FileCounts(10, 1, 2, 3, 4, 1, 6),
        ByteCounts(1000, 200, 150, 170, 20),
        StepSeconds(0.5, 1.5, 0.25, 2.5),
        [Problem("a/b", "cannot be read")],
        "why",
    )
    ledger.runs.begin(job, run, "heron", at)
    ledger.runs.end(report, at + timedelta(minutes=5))
    return report


def test_run_comes_back_with_every_figure(ledger: Ledger) -> None:
    report = noted(ledger, "r1")
    (row,) = ledger.runs.rows()
    assert row.report.files == report.files
    assert row.report.bytes == report.bytes
    assert row.report.seconds == report.seconds
    assert (row.far, row.started, row.ended) == ("heron", START, START + timedelta(minutes=5))
    assert (row.report.outcome, row.report.reason) == ("done", "why")
    assert ledger.runs.problems_of("photos", "r1") == report.problems
    assert row.as_json()["started"] == "2031-04-05T01:30:00Z"


def test_each_figure_stands_under_its_own_name_in_the_file_in_json_and_in_csv(ledger: Ledger) -> None:
    report = RunReport("photos", "r1", "done with problems", reason="why")
    report.files = FileCounts(seen=11, new=12, changed=13, moved=14, removed=15, problems=16, left_out=17)
    report.bytes = ByteCounts(seen=21, new=22, sent=23, wire_up=24, wire_down=25, to_send=26)
    report.seconds = StepSeconds(scan=3.1234, send=3.2, commit=3.3, total=3.4)
    ledger.runs.begin("photos", "r1", "heron", START)
    ledger.runs.end(report, START + timedelta(minutes=5))
    with closing(sqlite3.connect(ledger.file.path)) as raw:
        raw.row_factory = sqlite3.Row
        held = dict(raw.execute("SELECT * FROM run").fetchone())
    assert held == {
        **{"job": "photos", "run": "r1", "far": "heron", "outcome": "done with problems", "reason": "why"},
        **{"started": "2031-04-05T01:30:00Z", "ended": "2031-04-05T01:35:00Z"},
        **{"seen": 11, "new": 12, "changed": 13, "moved": 14, "removed": 15, "problems": 16, "left_out": 17},
        **{"onto": "", "landed": None},
        **{"bytes_seen": 21, "bytes_new": 22, "bytes_sent": 23, "wire_up": 24, "wire_down": 25},
        **{"bytes_to_send": 26},
        **{"scan_s": 3.1234, "send_s": 3.2, "commit_s": 3.3, "total_s": 3.4},
    }
    (row,) = ledger.runs.rows()
    assert row.report == report
    assert row.as_json() == {
        **{"job": "photos", "run": "r1", "far": "heron", "outcome": "done with problems", "reason": "why"},
        **{"started": "2031-04-05T01:30:00Z", "ended": "2031-04-05T01:35:00Z", "problems": []},
        "files": {"seen": 11, "new": 12, "changed": 13, "moved": 14, "removed": 15, "problems": 16},
        "bytes": {"seen": 21, "new": 22, "sent": 23, "wire_up": 24, "wire_down": 25},
        "seconds": {"scan": 3.123, "send": 3.2, "commit": 3.3, "total": 3.4},
    }
    assert ",".join(CSV_COLUMNS) == (
        "job,run,far,started,ended,outcome,seen,new,changed,moved,removed,problems,"
        "bytes_seen,bytes_new,bytes_sent,wire_up,wire_down,scan_s,send_s,commit_s,total_s,reason,onto,landed"
    )
    assert ",".join(map(str, row.as_csv())) == (
        "photos,r1,heron,2031-04-05T01:30:00Z,2031-04-05T01:35:00Z,done with problems,11,12,13,14,15,16,"
        "21,22,23,24,25,3.123,3.2,3.3,3.4,why,,None"
    )


def test_run_without_an_end_has_none_in_csv_and_json(ledger: Ledger) -> None:
    with under_way(ledger, "r1", START):
        (row,) = ledger.runs.rows()
    assert row.under_way
    assert (row.as_json()["ended"], row.as_json()["outcome"]) == (None, "under way")
    cells = dict(zip(CSV_COLUMNS, row.as_csv(), strict=True))
    assert (cells["ended"], cells["outcome"]) == (None, "under way")


def test_times_lie_in_the_file_in_utc_whatever_zone_they_were_told_in(ledger: Ledger) -> None:
    """Invariant 9."""
    noted(ledger, "r1", at=START.astimezone(ZoneInfo("America/St_Johns")))
    with closing(sqlite3.connect(ledger.file.path)) as raw:
        held = raw.execute("SELECT started, ended FROM run").fetchall()
    assert held == [("2031-04-05T01:30:00Z", "2031-04-05T01:35:00Z")]


def test_runs_are_newest_first_and_can_be_narrowed(ledger: Ledger) -> None:
    for day in range(4):
        noted(ledger, f"r{day}", at=START + timedelta(days=day))
    noted(ledger, "other", job="letters", at=START)
    assert [row.report.run for row in ledger.runs.rows(job="photos")] == ["r3", "r2", "r1", "r0"]
    assert [row.report.run for row in ledger.runs.rows(job="photos", newest=1)] == ["r3"]
    assert [row.report.run for row in ledger.runs.rows(since=START + timedelta(days=2))] == ["r3", "r2"]


def test_run_that_never_ended_is_cut_and_keeps_its_start(ledger: Ledger) -> None:
    noted(ledger, "r1")
    ledger.runs.begin("photos", "r2", "heron", START + timedelta(days=1))
    ledger.runs.begin("letters", "x1", "heron", START + timedelta(days=1))
    assert ledger.runs.mark_cut("photos", "the machine went down") == ["r2"]
    assert ledger.runs.mark_cut("photos", "again") == []
    outcomes = {row.report.run: row.report.outcome for row in ledger.runs.rows(job="photos")}
    assert outcomes == {"r1": "done", "r2": "cut"}
    newest = ledger.runs.rows(job="photos", newest=1)[0]
    assert (newest.ended, newest.report.reason) == (None, "the machine went down")
    with ledger.file.guarded():
        (left,) = ledger.file.db.execute("SELECT outcome FROM run WHERE run='x1'").fetchone()
    assert left is None, "another job's run may be alive"


def test_cut_run_survives_the_process_that_died(tmp_path: Path) -> None:
    path = str(tmp_path / "ledger.db")
    child = multiprocessing.get_context("spawn").Process(target=_begin_and_die, args=(path,))
    child.start()
    child.join(60)
    assert child.exitcode == 9
    with Ledger(path) as ledger:
        assert ledger.runs.mark_cut("photos", "killed") == ["r1"]


def _begin_and_die(path: str) -> None:
    Ledger(path).runs.begin("photos", "r1", "heron", START)
    os._exit(9)


def test_only_a_committed_run_counts_as_good(ledger: Ledger) -> None:
    assert ledger.runs.newest_good("photos") is None
    for day, outcome in enumerate(("done", "done with problems", "held", "failed", "cut")):
        noted(ledger, f"r{day}", outcome, at=START + timedelta(days=day))
    newest = ledger.runs.newest_good("photos")
    assert newest is not None
    assert newest.report.run == "r1"


def test_a_run_whose_clock_went_back_gets_a_later_id(ledger: Ledger) -> None:
    ledger.runs.begin("photos", "r1", "heron", START)
    ledger.runs.rename("photos", "r1", "r2")
    assert [row.report.run for row in ledger.runs.rows()] == ["r2"]


def test_hold_stands_until_a_run_goes_through(ledger: Ledger) -> None:
    assert ledger.holds.of("photos") is None
    assert ledger.holds.release("photos", START) is False
    hold = Hold("photos", "r1", START, "too many would go", 300, 5, 1000, None)
    ledger.holds.note(hold)
    assert ledger.holds.of("photos") == hold
    assert ledger.holds.of("letters") is None
    assert ledger.holds.release("photos", START + timedelta(hours=1)) is True
    released = ledger.holds.of("photos")
    assert released is not None
    assert released.released == START + timedelta(hours=1)
    ledger.holds.note(Hold("photos", "r2", START, "again", 300, 5, 1000, None))
    standing = ledger.holds.of("photos")
    assert standing is not None
    assert (standing.run, standing.released) == ("r2", None), "a new hold needs a new release"
    ledger.holds.drop("photos")
    assert ledger.holds.of("photos") is None


def test_last_answer_never_goes_back(ledger: Ledger) -> None:
    assert ledger.answers.last("heron") is None
    ledger.answers.note("heron", START)
    ledger.answers.note("heron", START - timedelta(days=1))
    assert ledger.answers.last("heron") == START


# ---- the file itself


def test_newer_ledger_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    with Ledger(str(path)) as ledger:
        noted(ledger, "r1")
        ledger.file.db.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    with pytest.raises(HomeTrouble, match="newer Otherroof") as refusal:
        Ledger(str(path))
    assert refusal.value.where == str(path)
    assert refusal.value.advice
    db = sqlite3.connect(path)
    assert db.execute("SELECT count(*) FROM run").fetchone() == (1,)
    db.close()


def test_older_ledger_is_brought_up_with_all_it_holds(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    db = sqlite3.connect(path)
    db.executescript(MIGRATIONS[0] + ";PRAGMA user_version = 1;")
    db.execute("INSERT INTO run (run, job, far, started) VALUES ('r1', 'photos', 'heron', '2031-04-05T01:30:00Z')")
    db.commit()
    db.close()
    with Ledger(str(path)) as ledger:
        assert [row.report.run for row in ledger.runs.rows()] == ["r1"]
        assert ledger.file.db.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)


def test_first_start_of_several_at_once_makes_one_ledger(tmp_path: Path) -> None:
    path = str(tmp_path / "ledger.db")
    context = multiprocessing.get_context("spawn")
    gate = context.Barrier(4)
    children = [context.Process(target=_open_at_once, args=(path, gate, number)) for number in range(4)]
    for child in children:
        child.start()
    for child in children:
        child.join(60)
    assert [child.exitcode for child in children] == [0, 0, 0, 0]
    with Ledger(path) as ledger:
        assert len(ledger.runs.rows()) == 4


def test_first_start_of_several_is_waited_for_however_they_meet(tmp_path: Path) -> None:
    """SQLite's own patience does not cover the change of its journal's mode; one in sixty failed by that."""
    failed: list[HomeTrouble] = []

    def open_it(path: str, gate: threading.Barrier) -> None:
        gate.wait(30)
        try:
            Ledger(path).close()
        except HomeTrouble as problem:
            failed.append(problem)

    for number in range(60):
        gate = threading.Barrier(6)
        path = str(tmp_path / f"{number}" / "ledger.db")
        threads = [threading.Thread(target=open_it, args=(path, gate)) for _ in range(6)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(60)
    assert failed == []


def _open_at_once(path: str, gate: object, number: int) -> None:
    gate.wait(30)  # type: ignore[attr-defined]
    with Ledger(path) as ledger:
        ledger.runs.begin("photos", f"r{number}", "heron", START)


@pytest.mark.parametrize("content", [b"no database, and long enough to be looked at" * 40, b"SQLite format 3\0"])
def test_damaged_file_is_set_aside_and_told_once(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "ledger.db"
    path.write_bytes(content)
    with Ledger(str(path)) as ledger:
        (told,) = ledger.take_untold(START)
        assert ledger.runs.rows() == []
    (aside,) = tmp_path.glob("ledger.db.damaged-*")
    assert str(aside) in told
    assert aside.read_bytes() == content
    with Ledger(str(path)) as ledger:
        assert ledger.take_untold(START) == []
    assert open_below(tmp_path) == []


def test_state_folder_that_cannot_be_made_is_one_clear_error(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("a file")
    with pytest.raises(HomeTrouble, match="state folder"):
        Ledger(str(tmp_path / "state" / "ledger.db"))


def test_failed_transaction_leaves_nothing_half_done(ledger: Ledger) -> None:
    noted(ledger, "r1")
    with pytest.raises(HomeTrouble):
        ledger.runs.begin("photos", "r1", "heron", START)
    with pytest.raises(RuntimeError), ledger.file.writing() as db:
        db.execute("DELETE FROM run")
        raise RuntimeError
    assert len(ledger.runs.rows()) == 1


def test_a_full_disk_is_called_by_its_name_and_the_ledger_can_be_used_when_there_is_room_again(ledger: Ledger) -> None:
    pages = ledger.file.db.execute("PRAGMA page_count").fetchone()[0]
    ledger.file.db.execute(f"PRAGMA max_page_count = {pages}")
    for _ in range(2):
        with pytest.raises(HomeTrouble, match="database or disk is full"):
            ledger.marks.note("x" * 200_000, START)
    ledger.file.db.execute("PRAGMA max_page_count = 1000000")
    ledger.marks.note("digest", START)
    assert ledger.marks.by_name() == {"digest": START}


def test_a_mark_that_is_forgotten_takes_no_other_with_it(ledger: Ledger) -> None:
    for name in ("digest", "probe heron"):
        ledger.marks.note(name, START)
    ledger.marks.forget("probe heron")
    ledger.marks.forget("never noted")
    assert ledger.marks.by_name() == {"digest": START}


def test_a_commit_that_is_refused_does_not_leave_the_ledger_stuck(ledger: Ledger) -> None:
    for statement in (
        "PRAGMA foreign_keys = ON",
        "CREATE TABLE whole (one PRIMARY KEY)",
        "CREATE TABLE part (one REFERENCES whole DEFERRABLE INITIALLY DEFERRED)",
    ):
        ledger.file.db.execute(statement)
    with pytest.raises(HomeTrouble, match="FOREIGN KEY"), ledger.file.writing() as db:
        db.execute("INSERT INTO part VALUES (1)")
    ledger.marks.note("digest", START)
    assert ledger.marks.by_name() == {"digest": START}


def test_an_answer_from_the_future_is_not_the_last_word(ledger: Ledger) -> None:
    ahead = START + timedelta(days=2000)
    ledger.answers.note("heron", ahead)
    assert ledger.answers.last("heron") == ahead
    assert ledger.answers.last("heron", START) is None
    noted(ledger, "r1", at=START - timedelta(days=3))
    noted(ledger, "r2", "failed", at=START - timedelta(days=1))
    noted(ledger, "r3", at=ahead)
    assert ledger.answers.last("heron", START) == START - timedelta(days=3)
    ledger.probes.note("heron", START - timedelta(days=2), ClimbResult(()), answered=True)
    ledger.probes.note("heron", START - timedelta(hours=1), ClimbResult(()), answered=False)
    assert ledger.answers.last("heron", START) == START - timedelta(days=2)
    assert ledger.answers.last("wren", START) is None


def test_a_good_copy_at_another_far_box_is_not_one_at_this(ledger: Ledger) -> None:
    noted(ledger, "r1")
    assert ledger.runs.newest_good("photos", far="wren") is None
    assert ledger.runs.newest_good("photos", far="heron") == ledger.runs.newest_good("photos")


def test_a_folder_that_cannot_be_read_for_years_does_not_fill_the_disk(ledger: Ledger) -> None:
    def night(days: int, problems: list[Problem]) -> str:
        at = START + timedelta(days=days)
        report = RunReport("photos", f"{at:%Y-%m-%dT%H%M%SZ}-7f3a", "done with problems", problems=problems)
        ledger.runs.begin("photos", report.run, "heron", at)
        ledger.runs.end(report, at + timedelta(minutes=5))
        return report.run

    many = [Problem(f"{number}", "cannot be read") for number in range(MOST_PROBLEMS + 50)]
    first = night(0, [*many, Problem("", "the far clock is off")])
    found = ledger.runs.problems_of("photos", first)
    assert len(found) == MOST_PROBLEMS
    assert found[0] == Problem("", "the far clock is off")
    assert found[1:] == many[: MOST_PROBLEMS - 1]
    night(PROBLEMS_KEPT_DAYS, [])
    assert ledger.runs.problems_of("photos", first) == found
    night(PROBLEMS_KEPT_DAYS + 1, [])
    assert ledger.runs.problems_of("photos", first) == []
