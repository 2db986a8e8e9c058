"""A household that adds a far box, takes one away or turns their order around keeps what it knows of each copy."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock, SystemClock
from otherroof.copying.report import RunReport
from otherroof.jobs.context import JobContext
from otherroof.jobs.copies.histories import keep_histories
from otherroof.jobs.drill import drill_mark
from otherroof.jobs.locks import job_lock
from otherroof.jobs.restore import RestoreRequest, list_versions, restore
from otherroof.jobs.thinning.thin import ThinProgress, pin
from otherroof.ledger import Ledger
from otherroof.ledger.alerts import Alert, AlertChange
from otherroof.ledger.copies import renamed
from otherroof.ledger.far_findings import DamagedFile
from otherroof.ledger.keeping import Thinned
from otherroof.ledger.runs import Hold
from otherroof.rehearsal.compare_trees import differences, read_tree
from otherroof.schedule.chores import service_chores
from otherroof.schedule.job_runner import RunEnding
from otherroof.schedule.plan import RunStart
from otherroof.schedule.records import ServiceRecords
from otherroof.schedule.thin_chore import NEXT
from otherroof.settings.versions import Versions
from otherroof.watch.gather import subjects
from otherroof.watch.rules import OF_JOBS
from support.simulated import household, utc
from support.two_boxes import TwoBoxes, two_boxes

NOW = utc(2031, 4, 5, 12)
BOTH = household({"photos@heron": {}, "photos@wren": {"far": "wren"}}, zone="UTC", far={"heron": {}, "wren": {}})


@pytest.fixture
def home(tmp_path: Path) -> Iterator[TwoBoxes]:
    with two_boxes(tmp_path) as made:
        for number in range(5):
            made.put(f"summer/{number}.jpg", bytes([number]) * 5000)
        yield made


def contents(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def known_names(state: Path) -> list[str]:
    """The names of jobs by which files of the state are called."""
    folders = ("catalogues", "notes", "chunks", "versions")
    return sorted({path.name.partition(".")[0] for name in folders for path in (state / name).glob("*")})


def test_each_far_box_gets_its_own_once_and_a_second_run_sends_nothing(home: TwoBoxes) -> None:
    sent = {job: home.done(job).bytes.sent for job in ("photos@heron", "photos@wren")}
    assert sent == {"photos@heron": 25_000, "photos@wren": 25_000}
    for box in ("heron", "wren"):
        assert contents(home.latest(box)) == contents(home.folder)
        assert sorted(path.name for path in home.latest(box).parent.parent.iterdir()) == ["photos"]
    assert [home.done(job).bytes.sent for job in ("photos@heron", "photos@wren")] == [0, 0]


def test_a_run_of_one_copy_leaves_alone_what_a_run_of_the_other_has_on_its_way(home: TwoBoxes) -> None:
    on_its_way = Path(home.settings.state, "scratch", "heron", "photos.0badcafe.listing")
    on_its_way.parent.mkdir(parents=True)
    on_its_way.write_bytes(b"x")
    home.done("photos@wren")
    assert on_its_way.exists()
    home.done("photos@heron")
    assert not on_its_way.exists()


def test_a_second_far_box_and_back_keep_history_pins_holds_and_catalogue(home: TwoBoxes) -> None:
    home.goes_to("heron")
    first = home.done("photos").run
    home.put("summer/0.jpg", b"changed")
    home.done("photos")
    with home.ledger() as ledger:
        pin(home.settings, "photos", first, "the wedding", JobContext(ThinProgress(), ledger))
        ledger.holds.note(Hold("photos", first, home.clock.now(), "too much", 1, 1, 2, None))
        ledger.holds.release("photos", home.clock.now())
    catalogue = Path(home.settings.state, "catalogues", "photos.db").stat().st_ino
    before = [row.report.run for row in rows(home, "photos")]

    for far, job in (["heron", "wren"], "photos@heron"), (["wren", "heron"], "photos@heron"), ("heron", "photos"):
        home.goes_to(far)
        settings = home.settings
        with home.ledger() as ledger:
            keep_histories(settings, ledger, SystemClock())
            assert list(ledger.pins.of(job)) == [first]
            assert ledger.holds.of(job) is not None
        assert [row.report.run for row in rows(home, job)] == before
        assert Path(settings.state, "catalogues", f"{job}.db").stat().st_ino == catalogue
        assert known_names(Path(settings.state)) == [job]

    home.goes_to(["wren", "heron"])
    report = home.done("photos@heron")
    assert (report.bytes.sent, report.files.new, report.files.changed) == (0, 0, 0)
    assert report.problems == []
    assert [version.run for version in list_versions(home.settings, "photos@heron")][::-1] == [
        *before[::-1],
        report.run,
    ]


def rows(home: TwoBoxes, job: str) -> list:  # type: ignore[type-arg]
    with home.ledger() as ledger:
        return ledger.runs.rows(job=job)


def test_a_far_box_is_exchanged_for_another_by_way_of_both(home: TwoBoxes) -> None:
    home.goes_to("heron")
    home.done("photos")
    home.goes_to(["heron", "wren"])
    with home.ledger() as ledger:
        keep_histories(home.settings, ledger, SystemClock())
    there = home.done("photos@wren").run
    home.goes_to("wren")
    report = home.done("photos")
    assert report.bytes.sent == 0
    assert [(row.report.run, row.far) for row in rows(home, "photos")] == [(report.run, "wren"), (there, "wren")]
    assert [row.far for row in rows(home, "photos@heron")] == ["heron"], "the other's history waits"
    home.goes_to(["wren", "heron"])
    with home.ledger() as ledger:
        keep_histories(home.settings, ledger, SystemClock())
    assert [row.far for row in rows(home, "photos@heron")] == ["heron"]
    assert [row.far for row in rows(home, "photos@wren")] == ["wren", "wren"]


def test_a_new_machine_finds_each_copy_by_what_lies_there(home: TwoBoxes) -> None:
    for job in ("photos@heron", "photos@wren"):
        home.done(job)
    Path(home.settings.ledger).unlink()
    home.goes_to("wren")
    target = home.where / "back"
    restore(home.settings, RestoreRequest("photos", bytes(target)))
    assert differences(read_tree(str(home.folder)), read_tree(str(target))) == []


def test_a_run_under_the_other_name_keeps_its_history_until_it_has_ended(home: TwoBoxes) -> None:
    home.goes_to("heron")
    home.done("photos")
    alone = home.settings
    home.goes_to(["heron", "wren"])
    with home.ledger() as ledger:
        with job_lock(alone, "photos", SystemClock()):
            keep_histories(home.settings, ledger, SystemClock())
            assert len(ledger.runs.rows(job="photos")) == 1
        with job_lock(home.settings, "photos@heron", SystemClock()):
            keep_histories(home.settings, ledger, SystemClock())
            assert len(ledger.runs.rows(job="photos")) == 1
        keep_histories(home.settings, ledger, SystemClock())
        assert len(ledger.runs.rows(job="photos@heron")) == 1


def test_killed_between_files_and_history_the_next_look_goes_on(
    home: TwoBoxes, monkeypatch: pytest.MonkeyPatch
) -> None:
    home.goes_to("heron")
    home.done("photos")
    home.goes_to(["heron", "wren"])
    with home.ledger() as ledger:
        with monkeypatch.context() as patched, pytest.raises(KeyboardInterrupt):
            patched.setattr(ledger.renamed, "rename", interrupted)
            keep_histories(home.settings, ledger, SystemClock())
        assert len(ledger.runs.rows(job="photos")) == 1
        keep_histories(home.settings, ledger, SystemClock())
        assert len(ledger.runs.rows(job="photos@heron")) == 1
    assert home.done("photos@heron").bytes.sent == 0


def interrupted(*_: object) -> None:
    raise KeyboardInterrupt


@contextmanager
def served_by_one_box(where: Path) -> Iterator[tuple[ServiceRecords, Ledger, SteppedClock]]:
    """A service's books as long as the folder goes to heron alone."""
    one = household({"photos": {}}, zone="UTC", far={"heron": {}, "wren": {}}).model_copy(update={"where": str(where)})
    clock = SteppedClock(NOW)
    with Ledger(str(where / "ledger.sqlite")) as ledger:
        records = ServiceRecords(one, ledger, clock, service_chores(clock))
        records.plan()
        yield records, ledger, clock


def test_the_service_takes_histories_along_as_it_takes_up_the_settings(tmp_path: Path) -> None:
    both = BOTH.model_copy(update={"where": str(tmp_path)})
    with served_by_one_box(tmp_path) as (records, ledger, _):
        ran(ledger, "photos", "heron", "2031-04-05T013000Z-0001")
        turn = ledger.job_times.by_job()["photos"]
        records.use(both)
        records.plan()
        turns = ledger.job_times.by_job()
        assert turns["photos@heron"].since == turn.since
        assert "photos" not in turns
        assert len(ledger.runs.rows(job="photos@heron")) == 1


@pytest.mark.parametrize("by_another_process", [False, True])
def test_a_run_that_ends_after_the_settings_changed_ends_no_service(tmp_path: Path, by_another_process: bool) -> None:
    both = BOTH.model_copy(update={"where": str(tmp_path)})
    with served_by_one_box(tmp_path) as (records, ledger, clock):
        records.begin(RunStart("photos", "heron"))
        ran(ledger, "photos", "heron", "2031-04-05T013000Z-0001")
        records.use(both)
        # The run has given its lock back, and the service has not yet heard of its end.
        records.plan()
        if by_another_process:
            keep_histories(both, ledger, clock)
        records.end("photos", RunEnding("done", "settled"))
        records.plan()
        turn = ledger.job_times.by_job()["photos@heron"]
        assert turn.begun is not None
        assert (turn.ended is not None) != by_another_process
        assert "photos" not in ledger.job_times.by_job()


def ran(ledger: Ledger, job: str, far: str, run: str) -> None:
    ledger.runs.begin(job, run, far, NOW)
    ledger.runs.end(RunReport(job, run, "done"), NOW + timedelta(minutes=1))


def full_ledger(ledger: Ledger) -> None:
    """Something of the job `photos` at heron in each table that has jobs."""
    db = ledger.file.db
    for (table,) in db.execute("SELECT name FROM sqlite_master WHERE type='table'").fetchall():
        columns = db.execute(f"PRAGMA table_info({table})").fetchall()
        if any(name == "job" for _, name, *_ in columns):
            wanted = {name: kind for _, name, kind, needed, default, _ in columns if needed and default is None}
            values = {name: 1 if kind in ("INTEGER", "REAL") else "x" for name, kind in wanted.items()}
            values |= {"job": "photos", **({"far": "heron"} if any(row[1] == "far" for row in columns) else {})}
            marks = ", ".join("?" * len(values))
            db.execute(f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks})", tuple(values.values()))


def tables_with(db: sqlite3.Connection, job: str) -> set[str]:
    names = [row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type='table'")]
    with_jobs = [name for name in names if any(row[1] == "job" for row in db.execute(f"PRAGMA table_info({name})"))]
    return {name for name in with_jobs if db.execute(f"SELECT 1 FROM {name} WHERE job=?", (job,)).fetchone()}


def test_no_table_that_has_jobs_is_forgotten(tmp_path: Path) -> None:
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        full_ledger(ledger)
        every = tables_with(ledger.file.db, "photos")
        assert every == {*renamed.OF_A_FAR_BOX, *renamed.OF_A_RUN, *renamed.OF_A_JOB}
        ledger.renamed.rename("photos", "photos@heron", "heron", OF_JOBS)
        assert tables_with(ledger.file.db, "photos") == set()
        assert tables_with(ledger.file.db, "photos@heron") == every
        ledger.renamed.rename("photos@heron", "photos", "heron", OF_JOBS)
        assert tables_with(ledger.file.db, "photos@heron") == set()


def test_what_the_job_had_at_an_earlier_far_box_stays_apart(tmp_path: Path) -> None:
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        ran(ledger, "photos", "wren", "2031-04-04T013000Z-0001")
        ledger.runs.begin("photos", "2031-04-05T013000Z-0002", "heron", NOW + timedelta(hours=1))
        ledger.thinned.note(Thinned(NOW, "photos", ("x",), 5))
        ledger.renamed.rename("photos", "photos@wren", "wren", OF_JOBS)
        assert [row.far for row in ledger.runs.rows(job="photos@wren")] == ["wren"]
        assert ledger.thinned.rows("photos@wren") == []
        ledger.renamed.rename("photos", "photos@heron", "heron", OF_JOBS)
        assert len(ledger.thinned.rows("photos@heron")) == 1
        assert ledger.runs.rows(job="photos") == []


def test_what_is_of_a_run_goes_with_the_box_that_the_run_went_to(tmp_path: Path) -> None:
    at_wren, at_heron, unknown = (f"2031-04-0{day}T013000Z-000{day}" for day in (3, 4, 2))
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        ran(ledger, "photos", "wren", at_wren)
        ledger.runs.begin("photos", at_heron, "heron", NOW + timedelta(hours=1))
        for run in (at_wren, at_heron, unknown):
            ledger.pins.note("photos", run, "the wedding", NOW)
            ledger.damages.note([DamagedFile("photos", "a.jpg", run, NOW, "another digest")])
        ledger.holds.note(Hold("photos", at_wren, NOW, "too much", 1, 1, 2, None))
        for box in ("heron", "wren"):
            ledger.renamed.rename("photos", f"photos@{box}", box, OF_JOBS)
        for job, runs in ("photos@wren", {at_wren}), ("photos@heron", {at_heron, unknown}), ("photos", set()):
            assert set(ledger.pins.of(job)) == {mark.run for mark in ledger.damages.of(job)} == runs
        assert [ledger.holds.of(f"photos@{box}") is None for box in ("heron", "wren")] == [True, False]


@pytest.mark.parametrize("stands", [(), ("photos@heron.db",), ("photos@heron.db", "photos@heron.db-wal")])
def test_state_files_of_both_names_end_as_those_of_one(home: TwoBoxes, stands: tuple[str, ...]) -> None:
    home.goes_to("heron")
    home.done("photos")
    catalogues = Path(home.settings.state, "catalogues")
    (catalogues / "photos.db-wal").write_bytes(b"")
    for name in stands:
        (catalogues / name).write_bytes(b"")
    home.goes_to(["heron", "wren"])
    with home.ledger() as ledger:
        keep_histories(home.settings, ledger, SystemClock())
    assert {path.name for path in catalogues.iterdir()} == (set(stands) or {"photos@heron.db", "photos@heron.db-wal"})


def test_killed_after_a_database_the_rest_of_it_follows(home: TwoBoxes) -> None:
    home.goes_to("heron")
    home.done("photos")
    catalogues = Path(home.settings.state, "catalogues")
    (catalogues / "photos.db-wal").write_bytes(b"")
    (catalogues / "photos.db").rename(catalogues / "photos@heron.db")
    home.goes_to(["heron", "wren"])
    with home.ledger() as ledger:
        keep_histories(home.settings, ledger, SystemClock())
    assert {path.name for path in catalogues.iterdir()} == {"photos@heron.db", "photos@heron.db-wal"}


def test_alerts_stay_quiet_and_a_far_box_of_the_same_name_is_left_alone(tmp_path: Path) -> None:
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        ran(ledger, "photos", "heron", "2031-04-04T013000Z-0001")
        for rule in ("late", "silent"):
            alert = Alert(f"{rule}:photos", rule, "photos", "it is", "look", NOW, NOW, NOW)
            ledger.alerts.record([AlertChange(alert)])
        ledger.alerts.quiet("late:photos", NOW + timedelta(days=3))
        ledger.renamed.rename("photos", "photos@heron", "heron", OF_JOBS)
        found = {alert.key: (alert.about, alert.quiet_until) for alert in ledger.alerts.standing()}
    assert found == {
        "late:photos@heron": ("photos@heron", NOW + timedelta(days=3)),
        "silent:photos": ("photos", None),
    }


def test_the_ledgers_names_of_recurring_work_and_of_what_is_watched_are_those_in_use() -> None:
    ruled = BOTH.jobs["photos@wren"].model_copy(update={"versions": Versions(spacing={"7 days": "one a day"})})
    settings = BOTH.model_copy(update={"jobs": {"photos@wren": ruled}})
    names = {chore.name for chore in service_chores(SteppedClock(NOW))(settings) if "photos@wren" in chore.name}
    names |= {drill_mark("photos@wren"), NEXT.format("photos@wren")}
    assert names == {mark.format("photos@wren") for mark in renamed.MARKS}
    assert renamed.WATCHED.format("photos@wren", "wren") in subjects(settings)


def test_no_name_of_a_copy_can_be_that_of_a_file() -> None:
    assert re.fullmatch(r"[A-Za-z0-9_-]+", "photos@wren") is None
