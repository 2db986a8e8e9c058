"""The weekly digest: what it must say, in which order, and what it must never get wrong."""

from __future__ import annotations

import html.parser
import json
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.copying.report import Problem
from otherroof.ledger.far_findings import DamagedFile, SpaceReading
from otherroof.ledger.job_times import JobTimes
from otherroof.ledger.runs import Hold
from otherroof.settings import Settings, read_settings, require_settings
from otherroof.watch import digest, page
from otherroof.watch.digest.build import ABOUT_FAR_BOXES, ABOUT_JOBS, build_digest, copies_of, job_report
from otherroof.watch.digest.nights import nights_of
from otherroof.watch.digest.unprotected import folders_in, unprotected_folders
from otherroof.watch.digest.verdict import BRIEF, verdict_of
from otherroof.watch.digest.weeks import DigestFacts, FarWeek, JobWeek
from otherroof.watch.facts import Finding
from otherroof.watch.gather import WatchInputs
from otherroof.watch.look import look
from otherroof.watch.rules import HEALED, OF_FARS, OF_JOBS, RULES
from support.household import write_household
from support.ledgers import ledger_of
from support.live import under_way
from support.long_history import write_history
from support.watching import DAY, HOUR, MAIL, Night, NotingChannel, far, row, write_run

NOW = datetime(2031, 3, 6, 10, 0, tzinfo=UTC)
ZONE = ZoneInfo("America/St_Johns")
EXTRA = WatchInputs()


class House:
    """A household with a history of 40 nights and a clock that stands."""

    def __init__(self, where: Path, jobs: dict[str, str], more: str = MAIL) -> None:
        self.where = where
        self.settings: Settings = require_settings(write_household(where, more=more, jobs=jobs))
        self.ledger = ledger_of(self, str(where / "state" / "ledger.sqlite"))
        self.clock = SteppedClock(NOW)
        write_history(self.ledger, list(jobs), NOW, 40)
        self.ledger.file.db.execute("UPDATE run SET outcome='done', reason=''")

    def make(self) -> digest.Digest:
        return digest.make(self.settings, self.ledger, self.clock, EXTRA)

    def text(self) -> str:
        return digest.as_text(self.make())


@pytest.fixture
def house(tmp_path: Path) -> House:
    return House(tmp_path, {"photos": "", "music": ""})


def test_all_is_well_is_said_in_one_sentence_and_absence_is_given_a_meaning(house: House) -> None:
    made = house.make()
    assert made.verdict == "safe"
    assert made.sentence == ("Safe: both copies are recent (the older is 22 h old).")
    text = " ".join(digest.as_text(made).split())
    assert "comes also when all is well, so that its absence means something" in text
    assert "The next one is due Mon 10 March 2031, 07:00" in text
    assert digest.subject(made) == "[larch] All well (week to 6 March 2031)"


def test_the_answers_come_in_their_order(house: House) -> None:
    for shown in (house.text(), digest.as_html(house.make())):
        places = [shown.index(word) for word in ("Safe: both", "WHAT NEEDS A HAND", "JOBS", "FAR BOXES", "NOT COVERED")]
        assert places == sorted(places)


def test_a_late_job_makes_it_unsafe_and_names_the_command(house: House) -> None:
    house.ledger.file.db.execute("UPDATE run SET outcome='failed' WHERE job='photos' AND started > '2031-03-03'")
    made = house.make()
    assert made.verdict == "unsafe"
    assert made.sentence == "Not safe: 1 of 2 jobs is without a copy as fresh as promised: photos."
    text = " ".join(digest.as_text(made).split())
    assert "NOT KEPT" in text
    assert "`otherroof run photos` tries now" in text


def test_damage_makes_it_unsafe_though_every_copy_is_fresh(house: House) -> None:
    house.ledger.damages.note([DamagedFile("photos", "a.jpg", "r", NOW, "its digest is another")])
    made = house.make()
    assert made.sentence == "Not safe: damage was found in the far copy of photos."
    house.ledger.damages.settle("photos", ["a.jpg"])
    assert house.make().verdict == "safe"


def test_what_stands_is_told_whether_or_not_an_alert_went_out(house: House) -> None:
    house.ledger.holds.note(Hold("music", "r", NOW - HOUR, "most files are gone", 9, 0, 10, None))
    made = house.make()
    assert made.verdict == "look"
    assert "1 thing needs a hand" in made.sentence
    assert "otherroof release music" in digest.as_text(made)


def test_a_quiet_alert_is_still_in_the_digest(house: House) -> None:
    house.ledger.holds.note(Hold("music", "r", NOW - HOUR, "most files are gone", 9, 0, 10, None))
    look(house.settings, house.ledger, house.clock, EXTRA, {name: NotingChannel() for name in ("family", "journal")})
    house.ledger.alerts.quiet("held:music", NOW + 3 * DAY)
    assert "quiet until Sun 9 March 2031, 07:30" in " ".join(house.text().split())


def test_alerts_that_are_over_are_told_with_how_long_they_lasted(house: House) -> None:
    channels = {name: NotingChannel() for name in ("family", "journal")}
    house.ledger.holds.note(Hold("music", "r", NOW, "most files are gone", 9, 0, 10, None))
    look(house.settings, house.ledger, house.clock, EXTRA, channels)
    house.clock.step(3 * 3600)
    house.ledger.holds.drop("music")
    look(house.settings, house.ledger, house.clock, EXTRA, channels)
    assert "it lasted 3 h" in " ".join(house.text().split())


def test_what_was_over_while_the_clock_was_years_ahead_is_not_news_for_years(house: House) -> None:
    house.clock.jump(2000 * 86_400.0)
    house.ledger.holds.note(Hold("photos", "r", house.clock.now(), "most files are gone", 9, 0, 10, None))
    look(house.settings, house.ledger, house.clock, EXTRA, {name: NotingChannel() for name in ("family", "journal")})
    house.ledger.holds.drop("photos")
    look(house.settings, house.ledger, house.clock, EXTRA, {name: NotingChannel() for name in ("family", "journal")})
    assert [one.key for one in house.make().over if one.rule == "held"] == ["held:photos"]
    house.clock.jump(-2000 * 86_400.0)
    assert house.make().over == ()


def test_a_household_that_nobody_would_hear_is_told_so(tmp_path: Path) -> None:
    made = House(tmp_path, {"photos": ""}, more="").make()
    assert [one.what for one in made.hands] == ["alerts go to this machine's journal only, where nobody may read them"]
    assert "Write a channel" in made.hands[0].help


def test_a_household_without_a_job_is_not_called_safe(tmp_path: Path) -> None:
    made = House(tmp_path, {}).make()
    assert made.verdict == "unsafe"
    assert "nothing is protected" in made.sentence
    assert "none" in digest.as_text(made)
    assert "none" in digest.as_html(made)


def test_a_job_that_never_ran_is_not_called_safe(tmp_path: Path) -> None:
    house = House(tmp_path, {"photos": ""})
    house.ledger.file.db.execute("DELETE FROM run")
    text = " ".join(house.text().split())
    assert "newest good copy: none yet (promise 2 d)" in text
    assert "this week: no runs" in text


def test_a_job_that_is_not_copied_for_a_mistake_in_its_file_is_not_called_safe(house: House) -> None:
    (house.where / "jobs" / "music.toml").write_text('folder = "/srv/music"\nfar = "heron"\nat = "25 * * *"\n')
    settings, mistakes = read_settings(str(house.where))
    assert settings is not None
    made = digest.make(settings, house.ledger, house.clock, WatchInputs(tuple(one.line() for one in mistakes)))
    assert made.verdict == "unsafe"
    assert made.sentence == "Not safe: music is not copied, because of a mistake in the settings."
    assert "music.toml: at: " in made.hands[0].what
    (house.where / "jobs" / "photos.toml").write_text("nothing of TOML")
    settings, mistakes = read_settings(str(house.where))
    assert settings is not None
    assert digest.make(settings, house.ledger, house.clock).sentence == (
        "Not safe: music and photos are not copied, because of a mistake in the settings."
    )


def test_a_copy_with_problems_counts_but_its_gaps_are_told(house: House) -> None:
    house.ledger.file.db.execute("UPDATE run SET outcome='done with problems', problems=3 WHERE started > '2031-03-05'")
    made = house.make()
    assert made.verdict == "look"
    assert any("3 entries that could not be read or sent" in one.what for one in made.hands)


def test_a_copy_from_the_future_does_not_make_a_job_fresh(house: House) -> None:
    house.ledger.file.db.execute("DELETE FROM run WHERE job='photos' AND started > '2031-02-01'")
    write_run(house.ledger, NOW + 90 * DAY, Night(), "photos")
    made = house.make()
    assert made.verdict == "unsafe"
    assert any("from the future" in one.what for one in made.hands)


def test_a_far_clock_that_is_off_needs_a_hand(house: House) -> None:
    house.ledger.runs.begin("music", "r", "heron", NOW - HOUR)
    report = Night(outcome="done with problems").report("music", "r")
    report.problems = [Problem("", "the far clock is 10 min ahead of ours (± 0.5 s); see that both clocks are set")]
    house.ledger.runs.end(report, NOW)
    made = house.make()
    assert made.verdict == "look"
    told = [(one.what, one.help) for one in made.hands]
    assert told == [("far box heron: the far clock is 10 min ahead of ours (± 0.5 s)", "see that both clocks are set")]


def test_a_job_that_waits_for_its_month_says_so(house: House) -> None:
    waits = "waits until 2031-04-01 00:00: the far box's allowance for this month is used up"
    house.ledger.job_times.note(JobTimes("photos", "30 1 * * *", NOW, waiting=waits))
    assert f"now: {waits}" in " ".join(house.text().split())
    assert "allowance for this month" in digest.as_html(house.make())
    house.ledger.file.db.execute("DELETE FROM run WHERE job='photos' AND started > '2031-03-01'")
    assert any(waits in one.what for one in house.make().hands)


def test_a_run_under_way_is_not_counted_as_cut(house: House) -> None:
    with under_way(house.ledger, "now", NOW - HOUR):
        assert house.make().jobs[0].week.outcomes == {"done": 7}


# --- figures


def job_week(runs: list[Night], name: str = "photos") -> JobWeek:
    rows = [row(NOW - timedelta(hours=4) - place * DAY, night, name) for place, night in enumerate(runs)]
    good = next((one for one in rows if one.report.outcome == "done"), None)
    return JobWeek(name, "/srv/x", "heron", 48 * HOUR, good, rows, copies_of("/srv/x", [("heron", True)], ()))


def known(*jobs: JobWeek) -> DigestFacts:
    return DigestFacts("larch", ZONE, NOW, jobs=jobs, heard_by=("family",))


def test_the_week_is_held_against_a_mean_week_of_the_four_before() -> None:
    runs = [Night(sent=2_000_000, total_s=60)] * 7 + [Night(sent=1_000_000, total_s=120)] * 28 + [Night(sent=10**12)]
    (made,) = build_digest(known(job_week(runs))).jobs
    assert (made.week.runs, made.week.sent, made.week.mean_s) == (7, 14_000_000, 60)
    assert made.before is not None
    assert made.before.weeks == 4
    assert made.before.sent / made.before.weeks == 7_000_000
    assert made.before.mean_s == 120
    # 2 MB and 4 % of overhead in 35 s of sending: 0.475 Mbit/s.
    assert made.week.mean_mbit == pytest.approx(2_080_000 * 8 / 35 / 1e6)


def test_a_job_ten_days_old_is_not_divided_by_four_weeks() -> None:
    (made,) = build_digest(known(job_week([Night(sent=1_000_000)] * 17))).jobs
    assert made.before is not None
    assert made.before.weeks == pytest.approx(10 / 7)
    (young,) = build_digest(known(job_week([Night()] * 3))).jobs
    assert young.before is None


def test_failed_runs_count_but_do_not_spoil_the_means() -> None:
    runs = [Night(outcome="failed", sent=500, total_s=5)] + [Night(total_s=100)] * 6
    (made,) = build_digest(known(job_week(runs))).jobs
    assert made.week.outcomes == {"done": 6, "failed": 1}
    assert made.week.mean_s == 100


def test_a_night_runs_from_noon_to_noon_in_the_household_s_zone() -> None:
    def at(text: str) -> datetime:
        return datetime.fromisoformat(text).replace(tzinfo=ZONE).astimezone(UTC)

    rows = [row(at("2031-03-04T23:00"), Night(sent=1)), row(at("2031-03-05T03:00"), Night(sent=2))]
    rows += [row(at("2031-03-05T13:00"), Night(sent=4, outcome="failed"))]
    nights = nights_of(rows, NOW, ZONE, 3, {"photos": rows[0].started})
    assert [(one.day.day, one.sent, one.good) for one in nights] == [(4, 0, None), (5, 3, True), (6, 4, False)]


def test_nights_keep_their_day_when_clocks_change() -> None:
    # The household's clocks go forward on 9 March 2031 and back on 2 November 2031 (tz database).
    for day in (9, 10):
        moment = datetime(2031, 3, day, 1, 30, tzinfo=ZONE).astimezone(UTC)
        nights = nights_of([row(moment, Night(sent=7))], datetime(2031, 3, 11, 10, tzinfo=UTC), ZONE, 4, {})
        assert [one.day.day for one in nights if one.sent] == [day]


@dataclass(frozen=True)
class Days:
    days: float
    soonest: float
    latest: float | None


def test_the_far_disk_s_day_is_given_with_its_span() -> None:
    facts = far(space=SpaceReading(NOW, 10**12, 4 * 10**12), fill=Days(60, 40, None))
    made = build_digest(replace(known(job_week([Night()] * 3)), fars=(FarWeek(facts, (), NOW - 9 * DAY),)))
    text = " ".join(digest.as_text(made).split())
    assert "about 5 May 2031 (15 April 2031 at the soonest), if it goes on as in the last weeks" in text
    assert "last unanswered Tue 25 February 2031, 06:30" in text
    assert "1.00 TB free of 4.00 TB (25 %)" in text


def test_nights_before_a_job_existed_are_no_growth() -> None:
    def growth(*nights: Night) -> float | None:
        one = job_week(list(nights))
        return job_report(one, known(one)).growth

    assert growth(*[Night(sent=200_000_000)] * 6) is None
    assert growth(*(Night(sent=(30 - back) * 1_000_000) for back in range(20))) == pytest.approx(7_000_000)


def test_a_first_copy_that_has_only_begun_is_under_way_and_nothing_is_called_wrong(house: House) -> None:
    house.ledger.file.db.execute("DELETE FROM run WHERE job='photos'")
    with under_way(house.ledger, "r1", NOW - 9 * HOUR):
        text = " ".join(house.text().split())
    assert text.startswith("First copy under way: photos. The other copy is recent (21 h 51 min old).")
    assert "now: a run is under way since Wed 5 March 2031, 21:30" in text


def test_the_first_sentence_names_what_needs_a_hand(house: House) -> None:
    house.ledger.holds.note(Hold("photos", "r", NOW - HOUR, "most files are gone", 9, 0, 10, None))
    assert house.make().sentence.endswith("But 1 thing needs a hand: job photos is held.")
    assert digest.subject(house.make()) == "[larch] Safe, but something needs a hand (week to 6 March 2031)"
    house.ledger.file.db.execute("UPDATE answer SET at='2031-02-20T00:00:00Z'")
    assert house.make().sentence.endswith(
        "But 2 things need a hand: job photos is held and far box heron does not answer."
    )


def first_nights(house: House, *, until: int = 0) -> None:
    """Photos has five nights of its first copy behind it, the last one `until` days ago; 50 of 90 GB are there."""
    house.ledger.file.db.execute("DELETE FROM run WHERE job='photos'")
    for night in range(5, 0, -1):
        cut = Night("cut", sent=10_000_000_000, to_send=(4 + night) * 10**10, reason="its window closed")
        write_run(house.ledger, NOW - (night + until) * DAY + 8 * HOUR, cut)


def test_a_first_copy_that_gets_on_is_said_to_be_one_in_every_form_and_needs_nothing(house: House) -> None:
    first_nights(house)
    made = house.make()
    assert made.sentence == (
        "First copy under way: photos (56 % there, whole about 10 March 2031). "
        "The other copy is recent (21 h 51 min old)."
    )
    assert (made.verdict, made.hands, made.well) == ("first", (), True)
    assert digest.subject(made) == "[larch] First copy under way (week to 6 March 2031)"
    text = " ".join(digest.as_text(made).split())
    assert "about 50.0 GB of 90.0 GB there (56 %); the last 5 nights brought 10.0 GB each on average" in text
    assert "holds: 0 files" not in text
    assert "NOT KEPT" not in text
    assert "#a1260d" not in digest.as_html(made)  # the red of what is wrong


def test_a_first_copy_that_has_stopped_getting_on_is_late_and_unsafe(house: House) -> None:
    first_nights(house, until=4)
    made = house.make()
    assert made.verdict == "unsafe"
    assert made.sentence.startswith("Not safe: 1 of 2 jobs is without any copy yet: photos")
    assert "has not got on since" in made.hands[0].what
    assert made.jobs[0].mark == "late"


def test_a_first_copy_beside_something_that_needs_a_hand_says_both(house: House) -> None:
    first_nights(house)
    house.ledger.holds.note(Hold("music", "r", NOW - HOUR, "most files are gone", 9, 0, 10, None))
    made = house.make()
    assert (made.verdict, made.well) == ("first", False)
    assert made.sentence.endswith("But 1 thing needs a hand: job music is held.")
    assert digest.subject(made) == "[larch] First copy under way, and something needs a hand (week to 6 March 2031)"


def test_held_jobs_and_a_disk_that_fills_are_in_the_first_sentence_also_beside_something_worse(house: House) -> None:
    house.ledger.holds.note(Hold("photos", "r", NOW - HOUR, "most files are gone", 9, 0, 10, None))
    house.ledger.file.db.execute("DELETE FROM space")
    for day in range(20, -1, -1):
        house.ledger.spaces.note("heron", NOW - day * DAY, int(100e9 + day * 10e9), int(2e12))
    for worse in ("", "UPDATE run SET outcome='failed' WHERE job='music' AND started > '2031-03-03'"):
        house.ledger.file.db.execute(worse)
        sentence = house.make().sentence
        assert sentence.startswith("Not safe: 1 of 2" if worse else "Safe: both copies are recent")
        assert "job photos is held" in sentence
        assert "the disk of far box heron is full about 16 March 2031" in sentence


def test_what_is_wrong_comes_first_and_carries_a_mark(house: House) -> None:
    house.ledger.holds.note(Hold("music", "r", NOW - HOUR, "most files are gone", 9, 0, 10, None))
    house.ledger.spaces.note("heron", NOW, 1, int(2e12))
    made = house.make()
    assert [(job.name, job.mark) for job in made.jobs] == [("music", "held"), ("photos", "")]
    assert [box.mark for box in made.fars] == ["nearly full"]
    for shown in (digest.as_text(made), digest.as_html(made)):
        assert shown.count("! needs a hand: held") == 1
        assert shown.count("! needs a hand: nearly full") == 1
    house.ledger.holds.note(Hold("photos", "r", NOW - HOUR, "most files are gone", 9, 0, 10, None))
    house.ledger.holds.drop("music")
    assert [job.name for job in house.make().jobs] == ["photos", "music"]


def test_the_page_goes_from_the_verdict_over_what_needs_a_hand_to_what_is_wrong_and_then_the_rest(
    house: House, tmp_path: Path
) -> None:
    house.ledger.holds.note(Hold("music", "r", NOW - HOUR, "most files are gone", 9, 0, 10, None))
    page.write(house.settings, house.ledger, house.clock, str(tmp_path / "out"), EXTRA)
    shown = (tmp_path / "out" / "index.html").read_text()
    shown = shown[shown.index("<body ") :]
    order = [
        "But 1 thing needs a hand",
        "<h2>What needs a hand</h2>",
        "otherroof release music",
        "<h2>Nights</h2>",
        "<h2>Jobs</h2>",
        '<section class="card wrong">',
        "<h3>music</h3>",
        '<p class="mark">! needs a hand: held</p>',
        "<h3>photos</h3>",
        "<h2>Far boxes</h2>",
        "<h2>What is not covered</h2>",
    ]
    assert [shown.find(word) for word in order] == sorted(shown.find(word) for word in order)
    assert min(shown.find(word) for word in order) >= 0
    assert shown.count('class="card wrong"') == 1


def test_each_rule_has_its_few_words_for_the_first_sentence() -> None:
    assert set(BRIEF) == {one.__name__ for one in RULES}
    assert (set(ABOUT_JOBS), set(ABOUT_FAR_BOXES)) == (set(OF_JOBS), set(OF_FARS))


def test_a_disk_without_a_trend_gets_no_invented_day() -> None:
    made = build_digest(
        replace(known(job_week([Night()] * 3)), fars=(FarWeek(far(space=SpaceReading(NOW, 1, 2)), (), None),))
    )
    assert "no day in sight" in digest.as_text(made)


def test_copies_are_counted_as_far_as_they_can_be_known(tmp_path: Path) -> None:
    house = House(tmp_path, {"photos": 'also_kept = ["USB disk in the cupboard"]\n', "music": ""})
    by_name = {one.name: one.copies for one in house.make().jobs}
    assert by_name["photos"].count == 3
    assert by_name["music"].count == 2
    text = " ".join(house.text().split())
    assert "3 of 3 copies (here; under the roof of heron; USB disk in the cupboard, as the settings say)" in text
    assert "Two kinds of media: not known here. One elsewhere: yes" in text
    house.ledger.file.db.execute("DELETE FROM run")
    assert "1 of 3 copies (here). Two kinds of media: no. One elsewhere: no" in " ".join(house.text().split())


# --- what is not covered


def test_folders_beside_protected_ones_are_named() -> None:
    tree = {"/srv/family": ["films", "photos", "tmp", "lost+found"], "/": ["srv", "home", "usr", "proc"]}

    def listing(parent: str) -> list[str]:
        return tree[parent]

    found = unprotected_folders(["/srv/family/photos", "/srv"], ["/srv/family/tmp"], listing)
    assert [(one.parent, one.names) for one in found] == [("/", ("home",))]
    found = unprotected_folders(["/srv/family/photos"], ["/srv/family/tmp"], listing)
    assert [(one.parent, one.names) for one in found] == [("/srv/family", ("films",))]


def test_a_name_that_begins_alike_is_another_folder() -> None:
    found = unprotected_folders(["/srv/photos"], [], lambda parent: ["photos", "photos-old"])
    assert found[0].names == ("photos-old",)


def test_a_folder_above_a_protected_one_is_covered_in_part_and_not_named() -> None:
    assert (
        unprotected_folders(["/srv/a/b/c", "/srv/x"], [], lambda parent: {"/srv": ["a", "x"]}.get(parent, ["c"])) == []
    )


def test_empty_folders_links_and_files_are_not_named(tmp_path: Path) -> None:
    for name in ("full", "empty"):
        (tmp_path / name).mkdir()
    (tmp_path / "full" / "x").write_text("")
    (tmp_path / "link").symlink_to(tmp_path / "full")
    (tmp_path / "file").write_text("")
    assert folders_in(str(tmp_path)) == ["full"]
    assert folders_in(str(tmp_path / "none")) == []


# --- shown safely


class Checker(html.parser.HTMLParser):
    """Collects what a mail program would refuse or fetch, and whether every element is closed."""

    VOID = frozenset({"meta", "br", "link", "img"})

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.open: list[str] = []
        self.fetched: list[str] = []
        self.classes = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        if tag not in self.VOID:
            self.open.append(tag)
        for name, value in attrs:
            if name in {"src", "href", "background", "action", "poster", "srcset"} or "url(" in (value or ""):
                self.fetched.append(f"{tag} {name}={value}")
            assert not name.startswith("on")
            self.classes += name == "class"

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_html_is_what_mail_programs_show(house: House) -> None:
    checker = Checker()
    checker.feed(digest.as_html(house.make()))
    assert checker.open == []
    assert not {"script", "style", "link", "img", "svg", "iframe", "form", "div"} & set(checker.tags)
    assert checker.fetched == []
    assert checker.classes == 0
    assert checker.tags.count("table") > 10


def test_hostile_names_stay_text_in_every_form(tmp_path: Path) -> None:
    house = House(tmp_path, {"photos": "also_kept = ['<script>alert(1)</script>']\n"})
    evil = tmp_path / "family" / "<img src=x onerror=alert(1)>\n`rm`\udcff"
    evil.mkdir()
    (evil / "x").write_text("")
    house.ledger.holds.note(Hold("photos", "r", NOW, "<b>why</b>\nFrom: x", 9, 0, 10, None))
    made = house.make()
    shown = digest.as_html(made)
    shown.encode("utf-8")
    digest.as_text(made).encode("utf-8")
    json.dumps(made.as_json()).encode("utf-8")
    checker = Checker()
    checker.feed(shown)
    assert checker.open == []
    assert "script" not in checker.tags
    assert "img" not in checker.tags
    assert "&lt;script&gt;" in shown


def test_no_line_of_the_text_is_longer_than_a_mail_line_should_be(house: House) -> None:
    # RFC 5322 §2.1.1: lines should be no more than 78 characters. Paths and commands stay whole, so none here is long.
    house.settings = house.settings.model_copy(
        update={
            "jobs": {name: one.model_copy(update={"folder": "/srv/x"}) for name, one in house.settings.jobs.items()}
        }
    )
    assert max(len(line) for line in house.text().splitlines()) <= 78


# --- sent


def test_it_is_sent_once_by_those_that_carry_it_and_noted(house: House) -> None:
    channels = {name: NotingChannel() for name in ("family", "journal")}
    made = digest.send(house.settings, house.ledger, house.clock, EXTRA, channels)
    assert [(one.channel, one.sent) for one in made] == [("family", True), ("journal", True)]
    (mail,) = channels["family"].taken
    assert mail.kind == "digest"
    assert mail.html.startswith("<!DOCTYPE html>")
    assert json.loads(mail.facts)["verdict"] == "safe"
    assert house.ledger.marks.by_name()["digest"] == NOW


def test_a_digest_that_could_not_be_sent_is_replaced_by_the_next(house: House) -> None:
    channels = {name: NotingChannel(broken=name == "family") for name in ("family", "journal")}
    for _ in range(3):
        digest.send(house.settings, house.ledger, house.clock, EXTRA, channels)
        house.clock.step(7 * 86_400)
    assert [one.channel for one in house.ledger.posts.waiting()] == ["family"]
    channels["family"].broken = False
    look(house.settings, house.ledger, house.clock, EXTRA, channels)
    digests = [one for one in channels["family"].taken if one.kind == "digest"]
    assert [one.line for one in digests] == ["[larch] Not safe (week to 20 March 2031)"]


def test_mistakes_in_the_settings_are_in_the_digest(house: House) -> None:
    extra = WatchInputs(mistakes=("jobs/photos.toml: folder: is missing",))
    made = digest.make(house.settings, house.ledger, house.clock, extra)
    assert any("folder: is missing" in one.what for one in made.hands)


def test_a_finding_is_one_hand_each() -> None:
    finding = Finding("held", "photos", "photos is held", "`otherroof release photos`", NOW)
    made = build_digest(replace(known(job_week([Night()] * 3)), found=(finding,)))
    assert [one.what for one in made.hands] == ["photos is held"]


# -- the first sentence, over values --


def first_sentence(finding: Finding, *, fresh: bool, full: datetime | None = None) -> str:
    job: Any = SimpleNamespace(name="photos", newest=NOW, kept=fresh, first="", first_brief="", age_s=3600.0)
    facts = SimpleNamespace(name="heron", full=SimpleNamespace(likely=full) if full is not None else None)
    box: Any = SimpleNamespace(facts=facts)
    return verdict_of(DigestFacts("larch", ZONE, NOW, fars=[box], found=[finding]), [job], [])[1]


def test_damage_that_was_healed_makes_nothing_unsafe_and_other_damage_does() -> None:
    for mark, begins in ((f"{HEALED} 1", "Safe: the one copy is recent"), ("1", "Not safe: damage was found")):
        assert first_sentence(Finding("damage", "photos", "", "", NOW, mark=mark), fresh=True).startswith(begins)


@pytest.mark.parametrize(
    ("rule", "said"),
    [
        ("host_key", "far box heron shows another host key"),
        ("login", "far box heron does not let this home in"),
        ("silent", "far box heron does not answer"),
    ],
)
def test_what_a_late_copy_comes_from_is_said_beside_it(rule: str, said: str) -> None:
    sentence = first_sentence(Finding(rule, "heron", "", "", NOW), fresh=False)
    assert sentence.startswith("Not safe: the one job is without a copy as fresh as promised: photos; ")
    assert sentence.count(said) == 1


def test_a_day_that_has_passed_is_not_told_as_the_one_on_which_a_disk_will_be_full() -> None:
    for day, said in ((NOW - DAY, "is nearly full"), (NOW + 3 * DAY, "is full about 9 March 2031")):
        finding = Finding("space", "heron", "", "", NOW)
        assert f"the disk of far box heron {said}" in first_sentence(finding, fresh=False, full=day)
