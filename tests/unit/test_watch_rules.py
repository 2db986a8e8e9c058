"""Each rule of the watch, by facts of one moment: what it must find, and what it must leave alone."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import pytest

from otherroof.base.local_time import moment_text
from otherroof.copying.report import EncryptionSigns
from otherroof.ledger import Ledger
from otherroof.ledger.far_findings import DamagedFile, SpaceReading
from otherroof.ledger.messages import ChannelState
from otherroof.ledger.probes import WayStop
from otherroof.ledger.runs import Hold
from otherroof.watch.copies.together import folders_of
from otherroof.watch.facts import Facts, Finding
from otherroof.watch.rules import findings
from support.watching import DAY, HOUR, NOW, ZONE, Night, facts, far, job, look_at, row


def found(given: Facts) -> dict[str, Finding]:
    return {one.key: one for one in findings(given)}


def test_a_household_where_all_is_well_hears_nothing() -> None:
    assert found(facts()) == {}


# --- the far box is silent


def test_a_far_box_is_silent_after_its_days_and_not_before() -> None:
    assert "silent:heron" not in found(facts(fars=(far(answered=NOW - 3 * DAY + HOUR),)))
    one = found(facts(fars=(far(answered=NOW - 3 * DAY - HOUR),)))["silent:heron"]
    assert "has not answered since Mon 3 March 2031, 07:30 (3 d 1 h)" in one.headline
    assert "otherroof probe heron" in one.help
    assert one.begun == NOW - 3 * DAY - HOUR


def test_a_far_box_that_never_answered_is_silent_from_when_it_was_set_up() -> None:
    assert "silent:heron" not in found(facts(fars=(far(answered=None, watched_since=NOW - DAY),)))
    one = found(facts(fars=(far(answered=None, watched_since=NOW - 4 * DAY),)))["silent:heron"]
    assert "never answered" in one.headline


@pytest.mark.parametrize(
    ("rung", "asked"), [("SSH speaks", "Ask in the far house"), ("interface", "This is at home, not in the far house")]
)
def test_a_silence_says_at_which_check_the_way_stops_since_when_and_whose_that_is(rung: str, asked: str) -> None:
    stop = WayStop(rung, "nothing came back", "look at the router", NOW - 4 * DAY, NOW - HOUR)
    said = found(facts(fars=(far(answered=NOW - 5 * DAY, stop=stop),)))["silent:heron"].help
    since = moment_text(NOW - 4 * DAY, ZONE)
    assert said.startswith(
        f"The checks get no further than “{rung}” since {since}: nothing came back. Look at the router."
    )
    assert asked in said
    assert ("power" in said) == (rung == "SSH speaks")


def test_home_that_was_off_itself_gives_the_far_box_time_to_answer_but_not_for_ever() -> None:
    just_back = look_at(awake_since=NOW - HOUR)
    assert "silent:heron" not in found(facts(look=just_back, fars=(far(answered=NOW - 4 * DAY),)))
    assert "silent:heron" in found(facts(look=just_back, fars=(far(answered=NOW - 6 * DAY),)))
    assert "silent:heron" in found(facts(look=look_at(awake_since=NOW - 3 * HOUR), fars=(far(answered=NOW - 4 * DAY),)))


def test_a_restart_of_home_does_not_end_an_alert_that_stands() -> None:
    just_back = look_at(awake_since=NOW - HOUR)
    assert "silent:heron" in found(
        facts(look=just_back, fars=(far(answered=NOW - 4 * DAY),), standing={"silent:heron": ""})
    )


def test_a_silence_that_breaks_a_promise_is_told_before_its_days_are_over() -> None:
    """One word of what is wrong, not first of the copies that follow from it."""
    late = job(newest=NOW - 50 * HOUR)
    gone = far(answered=NOW - 40 * HOUR, unanswered=NOW - HOUR)
    assert list(found(facts(jobs=(late,), fars=(gone,)))) == ["silent:heron", "late:photos"]
    assert "silent:heron" not in found(facts(fars=(gone,))), "no copy is late"
    assert "silent:heron" not in found(facts(jobs=(late,), fars=(replace(gone, unanswered=None),)))
    before = replace(gone, answered=NOW - HOUR, unanswered=NOW)
    assert "silent:heron" not in found(facts(jobs=(late,), fars=(before,))), "it was late while the box answered"
    just_back = look_at(awake_since=NOW - HOUR)
    assert "silent:heron" not in found(facts(jobs=(late,), fars=(gone,), look=just_back)), "home itself was off"
    # The copies may go from the settings; the box does not answer all the same.
    assert "silent:heron" in found(facts(jobs=(), fars=(gone,), standing={"silent:heron": ""}))


@pytest.mark.parametrize(("rung", "rule"), [("host key", "host_key"), ("login", "login")])
def test_who_was_turned_away_hears_of_no_all_clear_because_the_box_is_off_too(rung: str, rule: str) -> None:
    stop = WayStop(rung, "shows the key A", "compare the keys", NOW - 2 * DAY, NOW - DAY)
    key, answered = f"{rule}:heron", NOW - 2 * DAY - HOUR
    first = found(facts(fars=(far(answered=answered, unanswered=NOW - DAY, stop=stop),)))[key]
    off = WayStop("far address", "no answer", "", NOW - HOUR, NOW - HOUR)
    box = far(answered=answered, unanswered=NOW - HOUR, stop=off)
    still = found(facts(fars=(box,), standing={key: first.mark}))[key]
    assert still.mark == first.mark, "else it were told as another one"
    assert "now nothing does" in still.headline
    assert key not in found(facts(fars=(box,)))
    assert key not in found(facts(fars=(far(answered=NOW),), standing={key: first.mark})), "it answers as it should"


# --- a copy is late


def test_a_copy_older_than_its_promise_is_late_and_says_what_the_last_run_met() -> None:
    assert "late:photos" not in found(facts(jobs=(job(newest=NOW - 48 * HOUR),)))
    cut = row(NOW - 10 * HOUR, Night(outcome="failed", reason="the far box did not answer"))
    one = found(facts(jobs=(job(newest=NOW - 50 * HOUR, runs=(cut,)),)))["late:photos"]
    assert "2 d 2 h ago" in one.headline
    assert "failed: the far box did not answer" in one.headline
    assert "otherroof run photos" in one.help
    assert one.begun == NOW - 2 * HOUR


def test_beside_a_late_copy_another_one_is_named_only_if_it_is_fresh_and_whole() -> None:
    late = job(name="photos@heron", newest=NOW - 50 * HOUR)
    mark = DamagedFile("photos@wren", "a.jpg", "r", NOW - HOUR, "its digest is another")
    for more, named in (({}, True), ({"newest": NOW - 49 * HOUR}, False), ({"damages": (mark,)}, False)):
        other = job(name="photos@wren", far="wren", **more)
        headline = found(facts(jobs=(late, other)))["late:photos@heron"].headline
        assert ("as new as promised: photos@wren" in headline) == named


def test_damage_in_one_copy_names_the_other_one_only_if_nothing_is_known_against_it() -> None:
    mark = DamagedFile("photos@wren", "a.jpg", "r", NOW - HOUR, "its digest is another")
    damaged = job(name="photos@wren", far="wren", damages=(mark,))
    for more, named in (({}, True), ({"newest": NOW - 49 * HOUR}, False), ({"damages": (mark,)}, False)):
        advice = found(facts(jobs=(job(name="photos@heron", **more), damaged)))["damage:photos@wren"].help
        assert ("safe, though no damage is known in photos@heron." in advice) == named
        assert ("they may be the only good ones" in advice) != named


def test_a_folder_is_kept_by_a_copy_that_is_fresh_and_whole_and_by_no_other() -> None:
    mark = DamagedFile("photos@wren", "a.jpg", "r", NOW - HOUR, "its digest is another")
    late = job(name="photos@heron", newest=NOW - 50 * HOUR)
    for more, kept in (({}, True), ({"damages": (mark,)}, False), ({"newest": NOW - 49 * HOUR}, False)):
        given = facts(jobs=(late, job(name="photos@wren", far="wren", **more)))
        (folder,) = folders_of(given, findings(given))
        assert (folder.name, folder.kept) == ("photos", kept)


def test_a_new_job_is_late_only_after_its_promise() -> None:
    assert "late:photos" not in found(facts(jobs=(job(newest=None, watched_since=NOW - 40 * HOUR),)))
    assert (
        "no copy by this server yet"
        in found(facts(jobs=(job(newest=None, watched_since=NOW - 60 * HOUR),)))["late:photos"].headline
    )


def test_a_late_copy_that_is_held_names_the_release_with_its_caution() -> None:
    hold = Hold("photos", "r", NOW - 3 * DAY, "most files are gone", 9000, 0, 10_000, None)
    one = found(facts(jobs=(job(newest=NOW - 4 * DAY, hold=hold),)))["late:photos"]
    assert "otherroof release photos" in one.help
    assert "Look at /srv/family/photos first" in one.help


def late_with(**box: object) -> Finding:
    """A copy whose promise ran out two hours ago, with a far box like this."""
    return found(facts(jobs=(job(newest=NOW - 50 * HOUR),), fars=(far(**box),), standing=STANDING))["late:photos"]


STANDING = {"late:photos": ""}


def test_a_copy_that_turned_late_while_its_far_box_did_not_answer_is_late_because_of_that() -> None:
    one = late_with(answered=NOW - 40 * HOUR, unanswered=NOW - HOUR)
    assert one.because == "silent:heron"
    assert "Far box heron has not answered since Tue 4 March 2031, 16:30: `otherroof probe heron`" in one.help
    assert "`otherroof run photos` tries now" in one.help
    # Also where nobody probed it, once it has been silent for its days, or never answered.
    assert late_with(answered=None, watched_since=NOW - 60 * HOUR, silent=2 * DAY).because == "silent:heron"


def test_a_copy_that_was_late_before_or_for_another_reason_is_not_blamed_on_the_far_box() -> None:
    assert late_with(answered=NOW - HOUR, unanswered=NOW - HOUR / 2).because == ""
    assert late_with(answered=NOW - HOUR).because == ""
    hold = Hold("photos", "r", NOW - 3 * DAY, "most files are gone", 9000, 0, 10_000, None)
    box = far(answered=NOW - 40 * HOUR, unanswered=NOW - HOUR)
    given = facts(jobs=(job(newest=NOW - 50 * HOUR, hold=hold),), fars=(box,))
    assert found(given)["late:photos"].because == "held:photos"
    later = replace(hold, at=NOW - HOUR)
    given = facts(jobs=(job(newest=NOW - 50 * HOUR, hold=later),), fars=(box,))
    assert found(given)["late:photos"].because == "", "it was late before it was held"


def test_a_copy_that_is_late_because_it_was_held_gets_a_day_once_it_is_released() -> None:
    def because(released: timedelta) -> str:
        late = job(newest=NOW - 50 * HOUR, released=NOW - released)
        return found(facts(jobs=(late,)))["late:photos"].because

    assert because(HOUR) == "held:photos"
    assert because(DAY) == "", "its run did not come, or came to nothing"
    assert because(timedelta(hours=3)) == "", "it was late before it was released"


def test_a_copy_gets_a_day_to_catch_up_once_its_far_box_is_back() -> None:
    assert late_with(answered=NOW - HOUR, unanswered=NOW - 20 * HOUR).because == "silent:heron"
    assert late_with(answered=NOW - HOUR, unanswered=NOW - 24 * HOUR).because == ""
    fresh = facts(jobs=(job(newest=NOW - 50 * HOUR),), fars=(far(unanswered=NOW - 20 * HOUR),))
    assert found(fresh)["late:photos"].because == "", "it turned late while the far box answered"


# --- held, damaged


def test_a_held_run_stands_until_it_is_released() -> None:
    hold = Hold("photos", "r", NOW - 5 * HOUR, "9,000 of 10,000 files are gone", 9000, 0, 10_000, None)
    one = found(facts(jobs=(job(hold=hold),)))["held:photos"]
    assert "9,000 of 10,000 files are gone" in one.headline
    assert "Only then `otherroof release photos`" in one.help
    freed = Hold("photos", "r", NOW - 5 * HOUR, "why", 9000, 0, 10_000, NOW - HOUR)
    assert "held:photos" not in found(facts(jobs=(job(hold=freed),)))


def test_damage_is_named_and_more_of_it_is_told_anew() -> None:
    def mark(path: str) -> DamagedFile:
        return DamagedFile("photos", path, "r", NOW - HOUR, "its digest is another")

    one = found(facts(jobs=(job(damages=(mark("a.jpg"),)),)))["damage:photos"]
    two = found(facts(jobs=(job(damages=(mark("a.jpg"), mark("b.jpg"))),)))["damage:photos"]
    assert "1 file of photos" in one.headline
    assert "`otherroof prove photos --heal`" in one.help
    assert one.mark != two.mark


# --- space


@dataclass(frozen=True)
class Days:
    days: float
    soonest: float
    latest: float | None = None


def disk(free: float, days: float | None = None, standing: bool = False) -> Facts:
    fill = None if days is None else Days(days, days * 0.9)
    mark = SpaceReading(NOW, int(free * 1e9), int(4e12))
    return facts(fars=(far(space=mark, fill=fill),), standing={"space:heron": "trend"} if standing else {})


def test_a_disk_below_its_floor_is_found() -> None:
    assert "space:heron" not in found(disk(10))
    assert "9.90 GB free of 4.00 TB (floor: 10.0 GB)" in found(disk(9.9))["space:heron"].headline


def test_a_disk_that_fills_within_its_days_is_found_with_the_day() -> None:
    assert "space:heron" not in found(disk(200, 31))
    one = found(disk(200, 25))["space:heron"]
    assert "about 31 March 2031 (in 25 days; 28 March 2031 at the soonest)" in one.headline
    assert "someone else's home" in one.help


def test_a_disk_at_the_edge_does_not_come_and_go() -> None:
    assert "space:heron" in found(disk(200, 33, standing=True))
    assert "space:heron" in found(disk(11, standing=True))
    assert "space:heron" not in found(disk(200, 40, standing=True))
    assert "space:heron" not in found(disk(13, standing=True))


def test_a_disk_without_room_for_a_first_copy_is_found_while_that_is_under_way() -> None:
    space = SpaceReading(NOW, int(200e9), int(4e12))
    assert "space:heron" not in found(facts(fars=(far(space=space, coming=int(189e9)),)))
    one = found(facts(fars=(far(space=space, coming=int(191e9)),)))["space:heron"]
    assert "no room for the first copies that are under way: 191 GB are yet to come; 200 GB free" in one.headline


def test_a_disk_that_fills_in_a_thousand_years_breaks_no_calendar() -> None:
    assert "space:heron" not in found(disk(2000, 5e9))


# --- unusual changes


def nights(*given: Night, start: timedelta = 8 * HOUR) -> tuple[object, ...]:
    return tuple(row(NOW - start - place * DAY, night) for place, night in enumerate(given))


USUAL = [Night(changed=30 + 7 * (place % 5), removed=place % 3) for place in range(30)]


def test_a_night_that_replaces_far_more_than_usual_is_found() -> None:
    one = found(facts(jobs=(job(runs=nights(Night(changed=4000), *USUAL)),)))["unusual:photos"]
    assert "4,003 files were replaced or gone (40 %)" in one.headline
    assert "otherroof versions photos" in one.help
    assert "--as-of" in one.help


def test_a_usual_night_is_not_unusual() -> None:
    assert found(facts(jobs=(job(runs=nights(*USUAL)),))) == {}


def test_a_job_that_always_changes_much_is_not_unusual() -> None:
    busy = [Night(changed=4000 + 90 * (place % 7)) for place in range(30)]
    assert found(facts(jobs=(job(runs=nights(*busy)),))) == {}


def test_one_odd_night_in_the_past_does_not_hide_the_next() -> None:
    runs = nights(Night(changed=4000), *USUAL[:10], Night(changed=9000), *USUAL[10:])
    assert "unusual:photos" in found(facts(jobs=(job(runs=runs),)))


def test_a_handful_of_files_or_a_young_job_is_not_unusual() -> None:
    few = [Night(seen=60, changed=1, removed=0)] * 20
    assert found(facts(jobs=(job(runs=nights(Night(seen=60, changed=30), *few)),))) == {}
    assert found(facts(jobs=(job(runs=nights(Night(changed=4000), *USUAL[:5])),))) == {}


def test_an_unusual_night_still_stands_after_a_usual_one_and_ends_after_a_week() -> None:
    runs = nights(*USUAL[:3], Night(changed=4000), *USUAL)
    assert "unusual:photos" in found(facts(jobs=(job(runs=runs),)))
    runs = nights(*USUAL[:9], Night(changed=4000), *USUAL)
    assert found(facts(jobs=(job(runs=runs),))) == {}


def natured(dense: int, endings: int = 0) -> Facts:
    runs = nights(*USUAL)
    natures = {one.report.run: EncryptionSigns(60, 6 + place % 3, 0) for place, one in enumerate(runs)}
    newest = runs[0].report.run
    natures[newest] = EncryptionSigns(60, dense, endings)
    return facts(jobs=(job(runs=runs, natures=natures),))


def test_content_that_turns_incompressible_is_found() -> None:
    assert "93 % of the new content cannot be compressed" in found(natured(56))["unusual:photos"].headline
    assert found(natured(9)) == {}


def test_many_new_endings_are_found() -> None:
    assert "further ending" in found(natured(6, endings=800))["unusual:photos"].headline
    assert found(natured(6, endings=20)) == {}


# --- settings, channels, clock


def test_broken_settings_are_found_with_the_first_mistake() -> None:
    one = found(facts(mistakes=("jobs/photos.toml: folder: is missing", "another")))["settings"]
    assert "2 mistakes" in one.headline
    assert "folder: is missing" in one.headline
    assert "otherroof check" in one.help


def test_a_channel_that_fails_for_an_hour_is_told_by_the_others() -> None:
    def state(since: timedelta) -> Facts:
        return facts(channels={"family": ChannelState(NOW - since, 4, "the mail server refused the login", None, 3)})

    assert found(state(timedelta(minutes=50))) == {}
    one = found(state(HOUR))["unsent:family"]
    assert one.not_by == "family"
    assert "3 messages wait" in one.headline
    assert "otherroof alert-test family" in one.help


@pytest.mark.parametrize(("by_s", "said"), [(7200.0, "forward by 2 h"), (-600.0, "back by 10 min")])
def test_a_clock_that_jumped_is_told_for_a_day(by_s: float, said: str) -> None:
    assert said in found(facts(look=look_at(jumped_at=NOW - HOUR, jumped_s=by_s)))["clock"].headline
    assert found(facts(look=look_at(jumped_at=NOW - DAY, jumped_s=by_s))) == {}


def test_runs_from_the_future_are_told() -> None:
    assert "1 run from the future" in found(facts(runs_ahead=1))["clock"].headline
    jumped = facts(runs_ahead=1, look=look_at(jumped_at=NOW - HOUR, jumped_s=-600.0))
    assert "set back by 10 min" in found(jumped)["clock"].headline, "what may stand for years hides no new jump"


def test_what_a_run_saw_in_its_content_reaches_the_rule(tmp_path: Path) -> None:
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        at = NOW - DAY
        ledger.runs.begin("photos", "r", "heron", at)
        report = Night().report("photos", "r")
        report.nature = EncryptionSigns(60, 55, 7)
        ledger.runs.end(report, at + HOUR)
        assert ledger.runs.natures("photos", at) == {"r": EncryptionSigns(60, 55, 7)}
        assert ledger.runs.natures("photos", at + DAY) == {}
        assert ledger.runs.natures("music", at) == {}
