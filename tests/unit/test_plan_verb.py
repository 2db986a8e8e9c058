"""`otherroof plan` as a person meets it: before anything is bought, and later from settings and ledger."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from otherroof.base.units import parse_count, parse_size
from otherroof.cli.main import main
from otherroof.copying.report import ByteCounts, FileCounts, RunReport, StepSeconds
from otherroof.jobs.planning.amounts import amounts_of, few_of, folder_size
from otherroof.jobs.planning.gather import facts_of, runs_a_day
from otherroof.jobs.planning.request import PlanRequest
from otherroof.ledger import Ledger
from otherroof.ledger.drills import DrillFigures, DrillRow
from otherroof.ledger.planning.line_readings import LineReading
from otherroof.settings import Settings
from support.ledgers import ledger_of
from support.main_job import JOB as MAIN_JOB
from support.simulated import household
from support.verbs import Told, two_files_and_a_link, verb_of

NOW = datetime(2031, 3, 20, 12, tzinfo=UTC)
JOB = "photos"
DAY = timedelta(days=1)


def plan(capsys: pytest.CaptureFixture[str], *argv: str) -> Told:
    with pytest.raises(SystemExit) as left:
        main(["plan", *argv])
    out, err = capsys.readouterr()
    return Told(int(left.value.code or 0), out, err)


# -- before anything is bought --

SAID = ("--size", "1.8TB", "--files", "400k", "--up", "20", "--config", "/nowhere")


def test_before_anything_is_bought_no_settings_are_needed(capsys: pytest.CaptureFixture[str]) -> None:
    told = plan(capsys, *SAID)
    assert (told.code, told.err) == (0, "")
    for said in (
        "1.80 TB in 400,000 files",
        "over the line",
        "on a disk",
        "usual night",
        "all of it",
        "fetch the disk",
    ):
        assert said in told.out
    assert all(len(line) <= 80 for line in told.out.splitlines())


def test_json_has_every_figure_with_unit_range_and_reason(capsys: pytest.CaptureFixture[str]) -> None:
    (found,) = plan(capsys, *SAID, "--disk", "4TB", "--daily", "2GB", "--few", "20GB", "--json").json["plans"]
    figures = found["figures"]
    assert {"first_copy.nights", "night.seconds", "far_disk.full", "back.whole", "back.few"} <= set(figures)
    for one in figures.values():
        assert set(one) == {"unit", "likely", "low", "high", "how"}
    # 1.8 TB at 20 Mbit/s without any overhead take 8 days and 8 hours.
    assert 720_000 < figures["first_copy.sending"]["low"] < figures["first_copy.sending"]["likely"] < 1_000_000


@pytest.mark.slow
def test_window_limits_and_allowance_make_it_later(capsys: pytest.CaptureFixture[str]) -> None:
    def day(*more: str) -> float:
        figures = plan(capsys, *SAID, *more, "--json").json["plans"][0]["figures"]
        return float(figures["first_copy.day"]["likely"])

    plain = day()
    assert plain < day("--window", "22:00-06:00") < day("--window", "22:00-06:00", "--limit", "22:00-02:00=5")
    assert plain < day("--month", "300GB")


@pytest.mark.parametrize(
    ("argv", "said"),
    [
        (("--size", "1.8TB"), "--up 20"),
        (("--config", "/nowhere"), "needs none"),
        (("--size", "1.8", "--up", "20"), "with its unit"),
        (("--size", "big", "--up", "20"), "--size: 'big'"),
        (("--size", "1TB", "--up", "20", "--files", "4x"), "--files"),
        (("--size", "1TB", "--up", "20", "--window", "night"), "--window: 'night' is not a stretch"),
        (("--size", "1TB", "--up", "20", "--limit", "22:00-23:00"), "has no ="),
        (("--size", "1TB", "--up", "20", "--limit", "22:00-23:00=x"), "--limit: 'x' is not a rate"),
        (("--size", "1TB", "--up", "20", "--limit", "22:00-23:00=nan"), "--limit: 'nan' is not a rate"),
        (("--config", "/nowhere", "--line"), "needs none"),
        (("--size", "1TB", "--up", "20", "--spacing", "1 year = one a wek"), "perhaps 'one a week' is meant"),
    ],
)
def test_what_cannot_be_read_is_one_line_that_says_what_would_be_right(
    capsys: pytest.CaptureFixture[str], argv: tuple[str, ...], said: str
) -> None:
    told = plan(capsys, *argv)
    assert told.code == 2
    assert said in told.one_line()


@pytest.mark.parametrize(
    ("text", "bytes_"),
    [("1.8TB", 1.8e12), ("500 GB", 5e11), ("1kB", 1000), ("1 KiB", 1024), ("2,5MiB", 2.5 * 2**20), ("4TiB", 4 * 2**40)],
)
def test_sizes_are_read_as_they_are_written(text: str, bytes_: float) -> None:
    assert parse_size(text) == bytes_


def test_numbers_are_read_with_k_and_m() -> None:
    assert [parse_count(text) for text in ("400k", "1.2M", "7")] == [400_000, 1_200_000, 7]


# -- from settings and ledger --


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    folder = tmp_path / "photos"
    (folder / "letters").mkdir(parents=True)
    (folder / "a.jpg").write_bytes(b"x" * 3000)
    (folder / "letters" / "b.txt").write_bytes(b"y" * 500)
    made = household({JOB: {"folder": str(folder), "window": "22:00-06:00"}}, zone="Europe/Berlin")
    home = made.home.model_copy(update={"state": str(tmp_path / "state")})
    return made.model_copy(update={"home": home, "where": str(tmp_path)})


@pytest.fixture
def ledger(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Ledger]:
    yield ledger_of(request, str(tmp_path / "ledger.db"))


def put_run(ledger: Ledger, at: datetime, *, sent: int, new: int | None = None, seen: int = 10**11) -> None:
    run = f"{at:%Y-%m-%dT%H%M%SZ}-{at.day:02}ab"
    report = RunReport(
        JOB,
        run,
        "done",
        FileCounts(seen=5000, new=20, changed=5),
        ByteCounts(seen=seen, new=sent if new is None else new, sent=sent, wire_up=sent, wire_down=sent // 100),
        StepSeconds(send=sent * 8e-6 / 16, total=sent * 8e-6 / 16 + 5),
    )
    ledger.runs.begin(JOB, run, "heron", at)
    ledger.runs.end(report, at + timedelta(seconds=report.seconds.total))


@pytest.mark.slow
def test_a_forecast_of_a_job_is_kept_and_the_next_one_held_against_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with two_files_and_a_link(tmp_path) as made:
        verb = verb_of(made, capsys)
        assert "nothing is known yet of the line" in verb("plan", MAIN_JOB).one_line()
        made.done()
        with Ledger(made.settings.ledger) as ledger:
            ledger.lines.note(LineReading("heron", datetime.now(UTC), 9.0, 4.0, 21.0, 40.0, 55.0, 1, 1))
        first = verb("plan", MAIN_JOB)
        assert (first.code, first.err) == (0, "")
        assert "it is there" in first.out
        assert "measured" in first.out
        with Ledger(made.settings.ledger) as ledger:
            ledger.lines.note(LineReading("heron", datetime.now(UTC), 2.0, 1.0, 21.0, 40.0, 55.0, 1, 1))
        (said,) = verb("plan", MAIN_JOB, "--up", "20", "--json").json["plans"]
        assert said["since"] is not None
        second = verb("plan", MAIN_JOB)
        assert "since the forecast of" in second.out
        assert "(line.up)" in second.out
        assert "since the forecast of" not in verb("plan").out, "nothing is otherwise than just now"


def put_month(ledger: Ledger) -> None:
    put_run(ledger, NOW - 30 * DAY, sent=10**11)
    for back in range(29, 0, -1):
        put_run(ledger, NOW - back * DAY, sent=10**9 + back * 10**6, seen=10**11 + (30 - back) * 4 * 10**8)


def test_without_a_run_the_folder_itself_is_looked_through(settings: Settings, ledger: Ledger) -> None:
    facts = facts_of(settings, JOB, ledger, NOW, PlanRequest(up_mbit=20))
    assert (facts.amounts.size, facts.amounts.files) == (3500, 2)
    assert facts.begin == datetime(2031, 3, 21, 0, 30, tzinfo=UTC), "its first time, which its window holds"
    assert not facts.whole


def test_what_a_job_leaves_out_is_not_counted(settings: Settings) -> None:
    assert folder_size(settings.jobs[JOB].folder, ("letters/",)).files == 1
    assert few_of(settings.jobs[JOB].folder, ("letters", "nowhere")) == folder_size(
        settings.jobs[JOB].folder + "/letters"
    )
    assert few_of(settings.jobs[JOB].folder, ("nowhere",)) is None


def test_a_month_of_runs_gives_amounts_nights_and_the_line(settings: Settings, ledger: Ledger) -> None:
    put_month(ledger)
    facts = facts_of(settings, JOB, ledger, NOW, PlanRequest())
    assert facts.whole
    assert facts.amounts.size == 10**11 + 29 * 4 * 10**8
    assert facts.amounts.daily.value == pytest.approx(1.015e9, rel=0.001), "the first copy is no day of it"
    assert facts.amounts.growth.value == pytest.approx(4e8, rel=0.01)
    assert facts.line.up.value == pytest.approx(16, rel=0.01)
    assert len(facts.nights) == 29
    assert facts.keeping.runs_a_day == 1


def test_nothing_known_of_the_line_says_how_to_learn_it(settings: Settings, ledger: Ledger) -> None:
    with pytest.raises(Exception, match=r"heron: nothing is known yet of the line.*--up 20 say, or measure it"):
        facts_of(settings, JOB, ledger, NOW, PlanRequest())


def test_a_measured_line_counts_until_runs_tell_more(settings: Settings, ledger: Ledger) -> None:
    ledger.lines.note(LineReading("heron", NOW - DAY, 9.0, 4.0, 21.0, 40.0, 55.0, 6_000_000, 3_000_000))
    facts = facts_of(settings, JOB, ledger, NOW, PlanRequest())
    assert (facts.line.up.value, facts.line.back.value, facts.line.round_trip_s) == (9.0, 4.0, 0.021)
    assert "measured 19 March 2031" in facts.line.how_up
    assert ledger.wire_bytes_since("heron", NOW - 2 * DAY) == 9_000_000, "what measuring takes counts in the month"
    put_month(ledger)
    assert facts_of(settings, JOB, ledger, NOW, PlanRequest()).line.up.value == pytest.approx(16, rel=0.01)
    said = facts_of(settings, JOB, ledger, NOW, PlanRequest(up_mbit=50)).line.up
    assert 40 < said.value < 50, "what is said counts before what is known"


def test_a_measurement_of_last_year_counts_no_more(settings: Settings, ledger: Ledger) -> None:
    ledger.lines.note(LineReading("heron", NOW - 365 * DAY, 9.0, 4.0, 21.0, 40.0, 55.0, 1, 1))
    with pytest.raises(Exception, match="nothing is known yet"):
        facts_of(settings, JOB, ledger, NOW, PlanRequest())


def test_drill_disk_and_allowance_come_from_the_ledger(settings: Settings, ledger: Ledger) -> None:
    put_month(ledger)
    number = ledger.drills.begin(DrillRow(JOB, "heron", NOW - 3 * DAY, False))
    figures = DrillFigures(back_s=5000.0, soonest_s=4000.0, latest_s=7000.0)
    ledger.drills.end(number, DrillRow(JOB, "heron", NOW, False, "r", NOW, "whole", "", figures))
    for back in range(20, 0, -1):
        ledger.spaces.note("heron", NOW - back * DAY, 10**12 - (20 - back) * 10**9, 2 * 10**12)
    far = settings.far["heron"].model_copy(update={"month_gb": 100.0})
    facts = facts_of(settings.model_copy(update={"far": {"heron": far}}), JOB, ledger, NOW, PlanRequest())
    assert facts.drilled is not None
    assert facts.drilled.seconds.value == 5000
    assert facts.disk.growth is not None
    assert (facts.disk.growth.readings, facts.disk.growth.by_squares) == (20, pytest.approx(10**9))
    assert facts.disk.growth.days == pytest.approx(981)
    # Of this month nineteen nights by now, and a drill.
    assert facts.hours.month.used == ledger.wire_bytes_since("heron", datetime(2031, 2, 28, 23, tzinfo=UTC))
    assert facts.checks_a_day == pytest.approx(200e6 + 500e6 / 30)


def test_what_a_first_copy_took_is_no_growth_of_the_disk(settings: Settings, ledger: Ledger) -> None:
    report = RunReport(
        JOB, "2031-03-01T220000Z-00ab", "cut", bytes=ByteCounts(seen=10**12, sent=10**11, to_send=10**12)
    )
    ledger.runs.begin(JOB, report.run, "heron", NOW - 20 * DAY)
    ledger.runs.end(report, NOW - 19 * DAY)
    for back in range(20, 9, -1):
        ledger.spaces.note("heron", NOW - back * DAY, back * 10**11, 4 * 10**12)
    while_it_comes = facts_of(settings, JOB, ledger, NOW - 10 * DAY, PlanRequest(up_mbit=20))
    disk = while_it_comes.disk
    assert (disk.total, disk.growth, disk.coming) == (4e12, None, True)
    put_run(ledger, NOW - 10 * DAY, sent=10**11)
    for back in range(9, 0, -1):
        ledger.spaces.note("heron", NOW - back * DAY, 10**12 + back * 10**9, 4 * 10**12)
    known = facts_of(settings, JOB, ledger, NOW, PlanRequest(up_mbit=20)).disk
    assert known.growth is not None
    assert (known.growth.readings, known.growth.by_squares) == (9, pytest.approx(10**9))


def test_two_jobs_of_one_folder_are_copies_of_it(settings: Settings, ledger: Ledger) -> None:
    put_month(ledger)
    other = settings.jobs[JOB].model_copy(update={"far": "wren"})
    heron, elsewhere = settings.far["heron"], {"address": "198.51.100.9", "host_key": "ssh-ed25519 AAAAwren"}
    both = settings.model_copy(
        update={
            "jobs": {JOB: settings.jobs[JOB], "again": other},
            "far": settings.far | {"wren": heron.model_copy(update=elsewhere)},
        }
    )
    copies = facts_of(both, JOB, ledger, NOW, PlanRequest()).copies
    assert [(copy.where, copy.elsewhere, bool(copy.taken)) for copy in copies] == [
        ("here", False, True),
        ("heron", True, True),
        ("wren", True, False),
    ]


def test_runs_a_day_by_crontab(settings: Settings) -> None:
    assert runs_a_day("30 1 * * *", settings.zone, NOW) == 1
    assert runs_a_day("0 */6 * * *", settings.zone, NOW) == pytest.approx(4, abs=0.05)
    assert runs_a_day("0 3 * * 0", settings.zone, NOW) == pytest.approx(1 / 7)


def test_a_first_copy_under_way_goes_on_where_it_is(settings: Settings, ledger: Ledger) -> None:
    report = RunReport(
        JOB, "2031-03-19T220000Z-00ab", "cut", bytes=ByteCounts(seen=10**11, sent=4 * 10**10, to_send=10**11)
    )
    ledger.runs.begin(JOB, report.run, "heron", NOW - DAY)
    ledger.runs.end(report, NOW - DAY / 2)
    facts = facts_of(settings, JOB, ledger, NOW, PlanRequest(up_mbit=20))
    assert facts.there == 4 * 10**10
    assert facts.begin == datetime(2031, 3, 20, 21, tzinfo=UTC), "as soon as its window opens"


def test_said_amounts_count_before_known_ones(settings: Settings, ledger: Ledger) -> None:
    put_month(ledger)
    rows = ledger.runs.rows(job=JOB)
    said = amounts_of(settings.jobs[JOB], rows, PlanRequest(size=5e12, daily=7e9, growth=1e9), NOW)
    assert (said.size, said.daily.value, said.growth.value) == (5e12, 7e9, 1e9)
