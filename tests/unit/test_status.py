"""What `otherroof status` shows on one screen: silence since when, alerts once, waits, and what the last run met."""

from __future__ import annotations

import json
import re
from contextlib import ExitStack
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from otherroof.base.clock import SteppedClock, SystemClock, from_stamp, stamp
from otherroof.base.errors import EXIT_LOOK
from otherroof.base.local_time import day_text, moment_text
from otherroof.cli.main import main
from otherroof.copying.report import Problem
from otherroof.forecast.advance import Advance, ProgressReading
from otherroof.jobs.locks import service_lock
from otherroof.ledger.job_times import JobTimes
from otherroof.ledger.runs import Hold
from otherroof.probe.ladder import ClimbResult, RungFinding, RungResult
from otherroof.settings import require_settings
from otherroof.settings.crontab import Crontab
from otherroof.watch.gather import WatchInputs, subjects
from otherroof.watch.look import look
from otherroof.watch.overview import overview
from support.household import write_household
from support.ledgers import ledger_of
from support.live import live_run, under_way
from support.simulated import NO_ANSWER
from support.watching import DAY, HOUR, MAIL, Night, NotingChannel, run_id, write_run

CLOCK_OFF = "the far clock is 10 min ahead of ours (± 0.5 s); see that both machines set their clocks from the network"


class House:
    """A household asked by the command line; its ledger is written as runs, probes and the watch write it."""

    def __init__(self, where: Path, capsys: pytest.CaptureFixture[str], jobs: list[str], *, heard: bool = True) -> None:
        self.where = write_household(where, jobs=dict.fromkeys(jobs, ""), more=MAIL if heard else "")
        self.settings = require_settings(self.where)
        self.ledger = ledger_of(self, self.settings.ledger)
        self.capsys = capsys
        self.now = SystemClock().now()

    def shown(self, moment: datetime) -> str:
        return moment_text(moment, self.settings.zone)

    def copied(self, *jobs: str, ago: timedelta) -> None:
        self.ledger.answers.note("heron", self.now - ago)
        for name in jobs:
            write_run(self.ledger, self.now - ago, Night(), name)

    def look(self) -> None:
        """The watch looks, after it has been awake for a while."""
        channels = {name: NotingChannel() for name in self.settings.told.channels}
        clock = SteppedClock(self.now - 4 * HOUR)
        look(self.settings, self.ledger, clock, WatchInputs(), channels)
        clock.step(4 * 3600)
        look(self.settings, self.ledger, clock, WatchInputs(), channels)

    def ask(self, *words: str) -> tuple[int, str]:
        with pytest.raises(SystemExit) as ended:
            main(["status", *words, "--config", self.where])
        captured = self.capsys.readouterr()
        assert captured.err == ""
        return int(ended.value.code or 0), captured.out

    def json(self) -> Any:
        return json.loads(self.ask("--json")[1])


@pytest.fixture
def house(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> House:
    return House(tmp_path, capsys, ["photos", "papers", "music"])


def test_a_household_where_all_is_well_needs_no_hand(house: House) -> None:
    house.copied("photos", "papers", "music", ago=5 * HOUR)
    house.look()
    code, said = house.ask()
    assert code == 0
    assert "\nnothing needs a hand\n" in said
    (box,) = house.json()["far"]
    assert (box["answers"], box["silent_since"], box["notes"]) == (True, None, [])


def test_where_alerts_reach_nobody_status_and_digest_both_say_so_and_leave_with_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path, capsys, ["photos"], heard=False)
    house.copied("photos", ago=5 * HOUR)
    house.look()
    code, said = house.ask()
    assert code == EXIT_LOOK
    assert "nothing needs a hand" not in said
    assert "alerts go to this machine's journal only" in said
    assert house.json()["heard"] is False
    with pytest.raises(SystemExit) as ended:
        main(["digest", "--config", house.where])
    assert ended.value.code == EXIT_LOOK
    assert "alerts go to this machine's journal only" in " ".join(capsys.readouterr().out.split())


def test_where_alerts_reach_nobody_it_is_said_beside_what_else_needs_a_hand(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    house = House(tmp_path, capsys, ["photos"], heard=False)
    house.copied("photos", ago=5 * HOUR)
    house.ledger.holds.note(Hold("photos", "r", house.now - HOUR, "8 of 10 files are gone", 8, 0, 10, None))
    house.look()
    _, said = house.ask()
    assert said.index("8 of 10 files are gone") < said.index("alerts go to this machine's journal only")


def test_since_when_a_far_box_has_not_answered_is_shown_with_the_last_probes_headline(house: House) -> None:
    house.copied("photos", "papers", "music", ago=20 * HOUR)
    house.ledger.probes.note("heron", house.now - 2 * HOUR, NO_ANSWER, answered=False)
    code, said = house.ask()
    assert code == 0, "one probe without an answer is no alarm yet"
    assert (
        f"heron has not answered since {house.shown(house.now - 20 * HOUR)}\n"
        f"last checks of heron, {house.shown(house.now - 2 * HOUR)}: SSH speaks: no answer; look at the router there\n"
    ) in said
    (box,) = house.json()["far"]
    assert box["answers"] is False
    assert box["silent_since"] == stamp(house.now - 20 * HOUR)
    assert box["headline"] == "SSH speaks: no answer"


def test_an_answer_after_the_last_probe_counts(house: House) -> None:
    house.ledger.probes.note("heron", house.now - 9 * HOUR, NO_ANSWER, answered=False)
    house.copied("photos", "papers", "music", ago=8 * HOUR)
    (box,) = house.json()["far"]
    assert (box["answers"], box["silent_since"]) == (True, None)


def test_what_a_probe_met_is_no_longer_said_once_a_newer_run_made_its_copy(house: House) -> None:
    house.copied("photos", "papers", "music", ago=20 * HOUR)
    refused = ClimbResult((RungResult("host key", RungFinding("not ok", "shows another key", "compare them")),))
    house.ledger.probes.note("heron", house.now - 9 * HOUR, refused, answered=False)
    house.look()
    code, said = house.ask()
    assert (code, "shows another host key" in said) == (1, True)
    house.copied("photos", "papers", "music", ago=8 * HOUR)
    code, said = house.ask()  # the watch has not looked since, so its alert still stands in the ledger
    assert (code, "another" in said) == (0, False), said
    box = house.json()["far"][0]
    assert (box["headline"], box["answers"]) == ("", True)


def test_a_far_box_that_never_answered_is_said_to_have_never(house: House) -> None:
    code, said = house.ask()
    assert code == 1
    assert "heron has never answered\n" in said
    assert house.json()["far"][0]["answers"] is False


def test_a_silence_is_shown_once_with_all_that_is_late_by_it(house: House) -> None:
    house.copied("photos", "papers", "music", ago=4 * DAY)
    house.ledger.probes.note("heron", house.now - HOUR, NO_ANSWER, answered=False)
    house.look()
    code, said = house.ask()
    assert code == 1
    assert f"alerts now, as last looked at {house.shown(house.now)}:" in said
    assert said.count("silent:heron: far box heron has not answered since") == 1
    assert "  older than promised because of it: music, papers and photos\n" in said
    assert "`otherroof probe heron`" in said
    assert "late:photos" not in said
    assert "otherroof probe heron\n" not in said, "what an alert says is not said again"
    assert {one["alert"] for one in house.json()["alerts"]} == {
        "silent:heron", "late:photos", "late:papers", "late:music"
    }  # fmt: skip


def test_what_is_late_for_a_reason_of_its_own_is_not_put_down_to_the_silence(house: House) -> None:
    """What follows from what is the rule's to say: a held job would not be copied if the far box answered."""
    house.copied("photos", "papers", "music", ago=4 * DAY)
    hold = Hold("photos", "r", house.now - 4 * DAY, "2,104 of 2,900 files are gone", 2104, 0, 2900, None)
    house.ledger.holds.note(hold)
    house.ledger.probes.note("heron", house.now - HOUR, NO_ANSWER, answered=False)
    house.look()
    said = house.ask()[1]
    assert (
        "  older than promised because of it: photos\n"
        in said[said.index("held:photos: ") : said.index("silent:heron: ")]
    )
    assert "  older than promised because of it: music and papers\n" in said


def test_a_late_copy_is_said_at_once_though_home_has_only_just_come_back(house: House) -> None:
    house.copied("photos", "papers", "music", ago=60 * HOUR)
    house.copied("papers", "music", ago=HOUR)
    look(house.settings, house.ledger, SteppedClock(house.now), WatchInputs(), {})
    assert house.ledger.alerts.standing() == [], "the watch gives it time to catch up"
    code, said = house.ask()
    assert code == 1
    assert "photos: older than promised (2 d): otherroof probe heron\n" in said
    assert house.json()["jobs"][2]["alert"] == "late:photos"


def test_a_far_box_is_silent_here_from_the_moment_on_that_it_is_for_the_rule(house: House) -> None:
    house.copied("photos", "papers", "music", ago=HOUR)
    last = house.now - HOUR
    for early, answers in ((timedelta(seconds=1), True), (timedelta(0), False)):
        found = overview(house.settings, house.ledger, SteppedClock(last + 3 * DAY - early))
        (box,) = found.far
        assert (box.answers, box.silent_since) == (answers, None if answers else stamp(last))
        assert box.needs == ("" if answers else "has not answered for 3 d: otherroof probe heron")


def test_alerts_for_other_reasons_stand_one_by_one_and_quiet_ones_do_not_call(house: House) -> None:
    house.copied("photos", "papers", "music", ago=60 * HOUR)
    house.copied("papers", "music", ago=HOUR)
    house.look()
    code, said = house.ask()
    assert code == 1
    assert "late:photos: the newest good copy of photos is from" in said
    assert "`otherroof run photos` tries now" in said
    assert house.ledger.alerts.quiet("late:photos", house.now + 3 * DAY)
    code, said = house.ask()
    assert code == 0
    assert f"late:photos (quiet until {house.shown(house.now + 3 * DAY)}): " in said


def test_what_a_job_waits_for_is_shown(house: House) -> None:
    house.copied("photos", "papers", "music", ago=5 * HOUR)
    waits = "waits for its window, which opens at 2031-03-06 22:00"
    house.ledger.job_times.note(JobTimes("photos", "30 1 * * *", house.now, waiting=waits))
    assert f"photos: {waits}\n" in house.ask()[1]
    assert {one["job"]: one["waits"] for one in house.json()["jobs"]} == {"photos": waits, "papers": "", "music": ""}


def test_a_far_clock_that_is_off_is_said_until_a_run_finds_it_right(house: House) -> None:
    house.copied("papers", "music", ago=5 * HOUR)
    at = house.now - HOUR
    report = Night(outcome="done with problems").report("photos", run_id(at))
    report.problems = [Problem("", CLOCK_OFF)]
    house.ledger.runs.begin("photos", run_id(at), "heron", at)
    house.ledger.runs.end(report, at)
    code, said = house.ask()
    assert code == 1
    assert f"heron: {CLOCK_OFF}\n" in said
    assert "could not be copied" not in said
    assert house.json()["far"][0]["notes"] == [CLOCK_OFF]
    house.copied("papers", ago=HOUR / 2)
    code, said = house.ask()
    assert (code, "the far clock" in said) == (0, False)


def test_entries_that_could_not_be_copied_are_counted(house: House) -> None:
    house.copied("papers", "music", ago=5 * HOUR)
    at = house.now - HOUR
    report = Night(outcome="done with problems").report("photos", run_id(at))
    report.files.problems, report.problems = 1, [Problem("a.jpg", "cannot be read")]
    house.ledger.runs.begin("photos", run_id(at), "heron", at)
    house.ledger.runs.end(report, at)
    code, said = house.ask()
    assert code == 1
    assert "photos: 1 entry could not be copied: otherroof ledger photos --json\n" in said


NAMES = ["letters", "photos", "recipes-database", "server"]


def test_a_usual_household_in_trouble_fits_a_small_terminal_and_nothing_is_cut_off(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    house = House(tmp_path, capsys, NAMES)
    main_file = tmp_path / "otherroof.toml"
    box = main_file.read_text().partition("[far.heron]")[2].partition("[mail]")[0]
    main_file.write_text(main_file.read_text() + "[far.wren]" + box.replace("10.77.0.2", "10.77.1.2"))
    for name in NAMES:
        job = tmp_path / "jobs" / f"{name}.toml"
        text = job.read_text().replace(str(tmp_path / "family"), "/srv/larch")
        job.write_text(text.replace("heron", "wren") if name in NAMES[2:] else text)
    house.settings = require_settings(house.where)
    house.copied(*NAMES[:2], ago=5 * DAY)
    house.ledger.probes.note("heron", house.now - 2 * HOUR, NO_ANSWER, answered=False)
    house.ledger.answers.note("wren", house.now)
    write_run(house.ledger, house.now - HOUR, Night(), "recipes-database")
    write_run(house.ledger, house.now - DAY, Night(), "server")
    write_run(house.ledger, house.now - HOUR, Night("held"), "server")
    house.ledger.file.db.execute("UPDATE run SET far='wren' WHERE job IN ('recipes-database', 'server')")
    house.ledger.holds.note(Hold("server", "r", house.now - HOUR, "2,104 of 2,900 files are gone", 2104, 0, 2900, None))
    for name in NAMES[:2]:
        waits = "the last try failed; the next is at 2031-04-07 07:20"
        house.ledger.job_times.note(JobTimes(name, "30 1 * * *", house.now - DAY, waiting=waits))
    house.look()
    monkeypatch.setattr(
        "otherroof.cli.look.status.console", lambda: Console(width=80, height=25, force_terminal=True, no_color=True)
    )
    code, said = house.ask()
    said = re.sub("\x1b[^m]*m", "", said)
    assert code == 1
    assert "…" not in said
    lines = said.splitlines()
    assert len(lines) <= 24, said
    assert max(len(line) for line in lines) <= 80
    told = " ".join(said.split())
    assert "letters and photos: the last try failed; the next is at 2031-04-07 07:20" in told
    assert told.count("has not answered since") == 1
    assert "Only then `otherroof release server`" in told


def test_a_first_copy_that_is_on_its_way_asks_for_nothing(house: House) -> None:
    house.copied("papers", "music", ago=5 * HOUR)
    assert (
        "photos: no copy by this server yet: otherroof run photos (what lies there: otherroof versions"
        in house.ask()[1]
    )
    with under_way(house.ledger, run_id(house.now), house.now - HOUR):
        code, said = house.ask()
    assert code == 0
    assert "under way" in said


def test_a_mistake_in_one_job_file_hides_nothing_of_the_others(house: House) -> None:
    house.copied("photos", "papers", "music", ago=5 * HOUR)
    house.look()
    Path(house.where, "jobs", "music.toml").write_text('folder = "/srv/music"\nfar = "heron"\nat = "25 1 * *"\n')
    code, said = house.ask()
    assert code == 1
    assert "photos" in said.splitlines()[1] + said.splitlines()[2]
    assert "music: its file has a mistake; until that is mended it is copied by the service alone" in said
    assert "music.toml: at: '25 1 * *' has 4 fields" in said
    told = house.json()
    assert (told["unread"], len(told["mistakes"]), len(told["jobs"])) == (["music"], 1, 2)


def test_a_first_copy_of_many_cut_nights_is_on_its_way_until_it_stops_getting_on(house: House) -> None:
    house.copied("papers", "music", ago=5 * HOUR)
    for night in range(12, 0, -1):
        cut = Night("cut", sent=5_000_000_000, reason="its window closed")
        write_run(house.ledger, house.now - (night - 0.5) * DAY, cut, "photos")
    code, said = house.ask()
    assert (code, "late" in said) == (0, False), said
    assert "photos: first copy under way: about 60.0 GB of 90.0 GB there (67 %)" in said
    found = overview(house.settings, house.ledger, SteppedClock(house.now + 2 * DAY))
    assert found.needs_a_look
    (row,) = [one for one in found.jobs if one.job == "photos"]
    assert row.alert == "late:photos"


def test_the_share_of_a_first_copy_counts_content_that_was_sent_twice_but_once(house: House) -> None:
    house.copied("papers", "music", ago=5 * HOUR)
    # GB that each run had to send as it began: of the 30 that the second sent, 20 had to be sent anew.
    for night, left in ((3, 90), (2, 60), (1, 50)):
        cut = Night("cut", sent=30_000_000_000, to_send=left * 10**9, reason="its window closed")
        write_run(house.ledger, house.now - (night - 0.5) * DAY, cut, "photos")
    said = house.ask()[1]
    assert "about 70.0 GB of 90.0 GB there (78 %)" in " ".join(said.split()), said


def test_a_first_copy_says_what_its_nights_bring_and_when_it_is_whole(house: House) -> None:
    house.copied("papers", "music", ago=5 * HOUR)
    for night in range(5, 0, -1):
        cut = Night("cut", sent=10_000_000_000, to_send=(4 + night) * 10**10, reason="its window closed")
        write_run(house.ledger, house.now - night * DAY, cut, "photos")
    code, said = house.ask()
    said = " ".join(said.split())
    day = day_text(house.now + 4 * DAY, house.settings.zone)
    assert code == 0
    assert "there (56 %); the last 5 nights brought 10.0 GB each on average; whole about " + day in said


def test_a_first_copy_in_one_long_run_is_not_late_while_it_is_under_way(house: House) -> None:
    house.copied("papers", "music", ago=5 * HOUR)
    house.ledger.looks.note_watched(subjects(house.settings), house.now - 9 * DAY)
    house.look()
    assert "late:photos: job photos has no copy by this server yet, 9 d" in house.ask()[1]
    with under_way(house.ledger, run_id(house.now - 5 * DAY), house.now - 5 * DAY):
        code, said = house.ask()
    assert (code, "late" in said) == (0, False), said


def test_the_next_run_and_the_moment_of_a_failure_are_said(house: House) -> None:
    house.copied("papers", "music", "photos", ago=5 * HOUR)
    write_run(house.ledger, house.now - HOUR, Night("failed", reason="/srv/family/photos: no such folder"), "photos")
    house.ledger.answers.note("heron", house.now)
    told = house.json()
    zone = house.settings.zone
    (row,) = [one for one in told["jobs"] if one["job"] == "photos"]
    due = from_stamp(row["next_at"])
    assert due == Crontab.parse(house.settings.jobs["photos"].at).next_after(house.now, zone)
    said = house.ask()[1]
    assert f"{due.astimezone(zone):%H:%M}" in next(line for line in said.splitlines() if line.startswith("photos"))
    failed = house.shown(house.now - HOUR)
    assert f"photos: its last run, {failed}, failed: /srv/family/photos: no such folder" in said


def test_the_free_space_of_a_far_box_is_shown_with_the_day_on_which_it_is_full(house: House) -> None:
    house.copied("papers", "music", "photos", ago=21 * DAY)
    house.copied("papers", "music", "photos", ago=5 * HOUR)
    assert "–" in next(line for line in house.ask()[1].splitlines() if line.startswith("heron"))
    for day in range(20, -1, -1):
        house.ledger.spaces.note("heron", house.now - day * DAY, int(1e12 + day * 10e9), int(2e12))
    (line,) = [line for line in house.ask()[1].splitlines() if line.startswith("heron")]
    assert "1.00 TB" in line
    assert day_text(house.now + 100 * DAY, house.settings.zone) in line  # 1 TB at 10 GB a day


def test_six_jobs_in_trouble_fit_a_terminal_of_24_lines_and_each_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    names = ["letters", "mails", "music", "papers", "photos", "recipes-database"]
    house = House(tmp_path, capsys, names)
    house.copied(*names, ago=5 * DAY)
    house.ledger.answers.note("heron", house.now)
    house.ledger.spaces.note("heron", house.now, 2_000_000_000, 2_000_000_000_000)
    for place, name in enumerate(names):
        why = f"{(place + 1) * 1000:,} of 10,000 files are gone since the last copy, more than may go by itself"
        house.ledger.holds.note(Hold(name, "r", house.now - HOUR, why, 2104, 0, 2900, None))
    house.look()
    wide = house.ask()[1]
    assert "Look into" in wide  # without a terminal all is said, with what to do
    shown = Console(width=80, height=24, force_terminal=True, no_color=True)
    monkeypatch.setattr("otherroof.cli.look.status.console", lambda: shown)
    code, said = house.ask()
    lines = re.sub("\x1b[^m]*m", "", said).splitlines()
    assert code == 1
    assert len(lines) <= 23, said
    assert max(len(line) for line in lines) <= 80
    assert all(any(line.startswith(f"held:{name}: ") for line in lines) for name in names)
    assert any(line.startswith("space:heron: ") for line in lines)
    assert lines[-1] == "what to do about each: otherroof digest"


def test_watch_looks_again_until_it_is_ended_and_leaves_with_what_it_saw_last(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    house.copied("photos", "papers", "music", ago=5 * HOUR)
    pauses = []

    def pause(seconds: float) -> None:
        pauses.append(seconds)
        if len(pauses) == 2:
            raise KeyboardInterrupt
        house.ledger.holds.note(Hold("photos", "r", house.now, "most files are gone", 9, 0, 10, None))

    monkeypatch.setattr("otherroof.cli.look.status.time.sleep", pause)
    code, said = house.ask("--watch")
    first, second = said.split("looks again every 5 s; Ctrl-C ends\n")[:2]
    assert "nothing needs a hand" in first
    assert "photos: held: most files are gone" in " ".join(second.split()) or "held:photos" in second
    assert (code, pauses) == (1, [5, 5])


def test_watch_and_json_are_refused_together(house: House) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["status", "--watch", "--json", "--config", house.where])
    assert ended.value.code == 2
    assert "--watch and --json do not go together" in json.loads(house.capsys.readouterr().out)["error"]["what"]


# --- what is under way


def test_a_run_under_way_is_shown_with_share_rate_and_time_left_and_by_whom(house: House) -> None:
    house.copied("photos", "papers", "music", ago=5 * HOUR)
    with under_way(house.ledger, "r", house.now - HOUR / 2, "photos", by="hand", at=house.now):
        said, told = house.ask()[1], house.json()
    since = f"{(house.now - HOUR / 2).astimezone(house.settings.zone):%H:%M}"
    half = "51 %, 1,204 of 5,000 files, 153 MB of 300 MB, 8.00 Mbit/s, about 2 min left"
    assert f"photos: sending: {half} (by hand, since {since})\n" in said
    (row,) = [one for one in told["jobs"] if one["job"] == "photos"]
    assert (row["last"], row["progress"]["share"], row["progress"]["by"]) == ("under way", 0.51, "hand")
    assert [one["progress"] for one in told["jobs"] if one["job"] != "photos"] == [None, None]


def test_a_run_that_was_asked_to_stop_says_so(house: House) -> None:
    house.copied("photos", "papers", "music", ago=5 * HOUR)
    with under_way(house.ledger, "r", house.now, "photos", stopping="stopped by hand"):
        assert "left (since" in (said := house.ask()[1])
    assert "; asked to stop: stopped by hand\n" in said


@pytest.mark.parametrize("hours", [-5, 5])
def test_what_a_run_said_long_ago_is_not_told_as_news(house: House, hours: int) -> None:
    """It hangs, or its disk is full; or the clock was put back and nothing came since."""
    house.copied("photos", "papers", "music", ago=5 * HOUR)
    said_at = house.now + hours * HOUR
    with under_way(house.ledger, "r", house.now - HOUR, "photos", at=said_at):
        assert f", as it was {moment_text(said_at, house.settings.zone)})\n" in house.ask()[1]


@pytest.mark.parametrize("width", [30, 40, 56, 64, 72, 80])
def test_each_job_and_far_box_has_its_name_however_narrow_the_terminal_is(
    house: House, monkeypatch: pytest.MonkeyPatch, width: int
) -> None:
    house.copied("photos", "papers", ago=5 * HOUR)
    shown = Console(width=width, height=60, force_terminal=True, no_color=True)
    monkeypatch.setattr("otherroof.cli.look.status.console", lambda: shown)
    lines = re.sub("\x1b[^m]*m", "", house.ask()[1]).splitlines()
    assert max(map(len, lines)) <= width
    for name in ("photos", "papers", "music", "heron"):
        assert [line for line in lines if line.startswith(f"{name} ") and "…" not in line], name
    # What has no room is named, and nothing is named that has.
    titles = " ".join(line for line in lines if line.startswith(("job ", "far box ")))
    told = " ".join(lines).partition("too narrow for: ")[2].partition(" (--json")[0]
    left_out = told.split(", ") if told else []
    assert all((title in titles) != (title in left_out) for title in ("files", "size", "address", "free", "age"))


def test_who_waits_for_a_turn_is_shown_with_what_it_waits_for(house: House) -> None:
    house.copied("photos", "papers", "music", ago=5 * HOUR)
    turn = Advance(ProgressReading("waiting for its turn", 0, 0, 0, 0))
    with (
        under_way(house.ledger, "r", house.now, "photos"),
        house.ledger.live.held(live_run("papers", advance=turn, by="hand")),
    ):
        said = house.ask()[1]
    assert "papers: waiting for its turn with heron, behind the run of photos (by hand, since" in said


def test_a_run_whose_process_is_gone_is_not_under_way_the_moment_it_is_gone(house: House) -> None:
    house.copied("papers", "music", "photos", ago=5 * HOUR)
    house.ledger.runs.begin("photos", run_id(house.now), "heron", house.now)
    said, told = house.ask()[1], house.json()
    assert "under way" not in said
    (row,) = [one for one in told["jobs"] if one["job"] == "photos"]
    assert (row["last"], row["progress"], row["reason"]) == ("cut", None, "the process ended without saying why")


def test_a_household_without_a_service_at_work_is_told_so(house: House) -> None:
    house.copied("photos", "papers", "music", ago=5 * HOUR)
    absent = "no service is at work here; `systemctl start otherroof` starts it\n"
    assert absent in house.ask()[1]
    with service_lock(house.settings, SystemClock()):
        assert absent not in house.ask()[1]


@pytest.mark.parametrize("watch", [False, True])
def test_six_jobs_in_trouble_and_all_under_way_fit_24_lines_with_what_needs_a_hand(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, watch: bool
) -> None:
    names = ["letters", "mails", "music", "papers", "photos", "recipes-database"]
    house = House(tmp_path, capsys, names)
    house.copied(*names, ago=5 * DAY)
    house.ledger.answers.note("heron", house.now)
    for name in names:
        house.ledger.holds.note(Hold(name, "r", house.now - HOUR, "most files are gone", 9, 0, 10, None))
    house.look()
    shown = Console(width=80, height=24, force_terminal=True, no_color=True)
    monkeypatch.setattr("otherroof.cli.look.status.console", lambda: shown)

    def leave(_seconds: float) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("otherroof.cli.look.status.time.sleep", leave)
    with ExitStack() as stack:
        for name in names:
            stack.enter_context(under_way(house.ledger, "r", house.now, name))
        said = house.ask(*(["--watch"] if watch else []))[1]
    lines = re.sub("\x1b[^a-zA-Z]*[a-zA-Z]", "", said).splitlines()
    assert len(lines) <= 23, said
    assert max(len(line) for line in lines) <= 80
    assert all(any(line.startswith(f"held:{name}: ") for line in lines) for name in names)
    assert lines[-1 - watch] == "what to do about each: otherroof digest"
    assert any("more: make the terminal higher" in line for line in lines), "and what is left out is counted"
