"""A first copy that takes weeks, of the only copy or of a second one: what status, digest, page and alerts say each
day, as long as it gets on, and once it stands still."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.base.clock import SteppedClock
from otherroof.copying.report import MONTH_ENDED
from otherroof.ledger import Ledger, RunRow
from otherroof.watch import digest
from otherroof.watch.first_copy import by_clock, last_got_on
from otherroof.watch.gather import WatchInputs, gather, night_room_of, subjects
from otherroof.watch.rules import findings, without_grace
from support.first_copies import FULL, GB, NIGHTLY, FirstCopies
from support.noons import Day
from support.simulated import Troubles, household, utc
from support.watching import DAY, HOUR, NOW, ZONE, Night, job, write_run
from support.watching import row as run_row

ONE = {"photos": "heron"}
TWO = {"photos@heron": "heron", "photos@wren": "wren"}
FIRST = {"one": ("photos", ONE, ()), "second": ("photos@wren", TWO, ("photos@heron",))}
NIGHTS = 13  # cut ones, of some 21 to 23 GB, from 2 February on: of 300 GB, and half a GB a night that is new
VERDICT = {"one": "first", "second": "safe"}
FULL_FROM, FULL_TO = utc(2031, 2, 8, 12), utc(2031, 2, 13, 12)


@pytest.fixture(params=FIRST)
def which(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.mark.slow
def test_a_first_copy_that_gets_on_for_weeks_is_told_with_its_day_and_nothing_is_called_late(
    which: str, tmp_path: Path
) -> None:
    name, boxes, whole = FIRST[which]
    house = FirstCopies(tmp_path, boxes, whole=whole)
    days = house.days(16)
    assert house.mails == []
    building = [day for day in days if day.row(name).newest_good is None]
    assert len(building) == NIGHTS
    (whole,) = [day.at.day for day in days if day.row(name).newest_good is not None][:1]
    for day in days:
        assert day.alerts == frozenset(), day.at
        assert (day.overview.needs_a_look, day.row(name).needs, day.digest.hands) == (False, "", ()), day.at
    for day in building[2:]:  # three nights tell of those to come
        (told,) = set(re.findall(r"there, whole (?:about|between) ([^)]*)\)", day.digest.sentence))
        likely = int(re.findall(r"whole about (\d+) February 2031", day.row(name).waits)[0])
        assert abs(likely - whole) <= 1, (day.at, told)
        _agree(day, name, told)
    assert {day.digest.verdict for day in building} == {VERDICT[which]}
    assert days[-1].digest.sentence.startswith("Safe: ")
    assert "first copy" not in digest.as_text(days[-1].digest)
    house.ledger.close()


def _agree(day: Day, name: str, told: str) -> None:
    """Status, digest and the line of all copies tell the same day."""
    assert "first copy under way: about" in day.row(name).waits
    assert told in day.row(name).waits
    assert told in " ".join(digest.as_text(day.digest).split())
    for line in day.digest.several:
        assert line.startswith("photos: 2 copies: heron last night, wren first copy under way (")
        assert told in line
    if name != "photos":
        assert day.digest.sentence.startswith("Safe: the one folder has a recent copy")
        wren = day.digest.folders[0].as_json(day.at, day.digest.zone)["copies"][1]
        assert told in wren["first_copy"]


@pytest.mark.slow
def test_one_that_stands_still_is_told_after_its_promise_once_and_its_getting_on_once(
    which: str, tmp_path: Path
) -> None:
    name, boxes, whole = FIRST[which]
    house = FirstCopies(tmp_path, boxes, whole=whole, full={boxes[name]: (FULL_FROM, FULL_TO)})
    days = house.days(15)
    got_on = utc(2031, 2, 8, 5, 30)  # when the window closed, in Berlin
    for day in days:
        late = got_on + timedelta(hours=48) < day.at < FULL_TO + timedelta(hours=12)
        assert day.alerts == (frozenset([f"late:{name}"]) if late else frozenset()), day.at
        # The forecast of nights that bring nothing is none.
        still = "first copy stands still since 8 February 2031 (" in day.row(name).waits
        assert (still, "whole" in day.row(name).waits) == (late, not late and day.at > days[1].at), day.at
        for line in day.digest.several:
            assert ("wren first copy stands still since 8 February 2031 (" in line) == late
    alert, clear = house.mails
    assert alert.at - got_on < timedelta(hours=48 + 12)
    assert f"the first copy of {name} has not got on since Sat 8 February 2031, 06:30" in alert.subject + alert.text
    assert FULL in alert.text
    # Five runs began meanwhile, and the watch looked at each: none of them was taken for getting on.
    assert FULL_TO < clear.at < FULL_TO + timedelta(hours=19)
    assert "all clear" in clear.subject
    (stuck,) = [day for day in days if day.at == utc(2031, 2, 12, 12)]
    if which == "one":
        assert stuck.digest.sentence.startswith("Not safe: the one job is without any copy yet: photos")
    else:
        assert "the folder has a copy as new as promised: photos@heron" in alert.subject + alert.text
        assert stuck.digest.sentence.startswith("Safe: the one folder has a recent copy")
        assert stuck.digest.sentence.endswith("1 thing needs a hand: the first copy of photos@wren stands still.")
    house.ledger.close()


@pytest.mark.slow
def test_beside_a_first_copy_that_gets_on_the_promise_of_the_other_copy_is_watched_as_ever(tmp_path: Path) -> None:
    silent = Troubles(silent={"heron": [(utc(2031, 2, 5, 12), utc(2031, 3, 1))]})
    house = FirstCopies(tmp_path, TWO, whole=("photos@heron",), troubles=silent)
    days = house.days(11)
    # Its newest copy was begun at 1:00 of 5 February, in Berlin; two days are promised.
    for day in days:
        late = day.at > utc(2031, 2, 7)
        assert ("late:photos@heron" in day.alerts, "late:photos@wren" in day.alerts) == (late, False), day.at
        if late:
            assert day.digest.sentence.startswith("Not safe: the one folder is without a copy as fresh as promised")
            assert "heron silent since 5 February 2031, wren first copy under way (" in day.digest.several[0]
    assert [mail.about for mail in house.mails] == ["silent:heron"]
    house.ledger.close()


def row(back: float, sent: int, to_send: int = 0, **more: Any) -> RunRow:
    """A cut night of a first copy of 90 GB, `back` days ago: GB sent of those that were to be sent."""
    return run_row(NOW - back * DAY, Night("cut", sent=sent * 10**9, to_send=to_send * 10**9, **more))


def begins(*runs: RunRow, **more: Any) -> datetime:
    return job(newest=None, watched_since=NOW - 30 * DAY, runs=runs, **more).promise_begins(NOW, ZONE)


def test_what_is_sent_every_night_anew_brings_nothing_on() -> None:
    """A file of 40 that changes every day: what was sent of it the night before is of no use."""
    first, *again = row(5, 20, 50), row(4, 20, 50), row(3, 20, 50), row(2, 20, 50)
    assert begins(*again[::-1], first) == first.ended
    brought = row(1, 25, 50)
    assert begins(brought, *again[::-1], first) == brought.ended


def test_a_first_copy_of_a_folder_that_grows_gets_on_and_what_is_sent_anew_then_does_not() -> None:
    first, grown, again = row(5, 20, 60), row(4, 40, 170), row(3, 10, 130)
    grown.report.bytes.seen, again.report.bytes.seen = 200 * 10**9, 180 * 10**9
    assert begins(grown, first) == grown.ended, "50 GB are there, 70"
    assert begins(again, grown, first) == grown.ended, (
        "60 of them are there now, though less is left than the day before"
    )


def test_one_run_that_was_killed_after_days_got_on_to_its_last_minute() -> None:
    killed = row(6, 30, total_s=5 * 86_400.0)
    killed = RunRow(killed.far, killed.started, None, killed.report)
    assert begins(killed) == NOW - 1 * DAY


def test_a_run_that_has_only_begun_is_no_getting_on_and_one_that_sends_is() -> None:
    old = row(9, 30, 50)
    assert begins(old, under_way=NOW - HOUR) == old.ended
    assert begins(old, under_way=NOW - HOUR, sends=True) == NOW
    assert begins(under_way=NOW - HOUR) == NOW - 30 * DAY


@pytest.mark.parametrize(("back", "expected"), [(3, NOW), (8, None)])
def test_a_first_copy_does_not_stand_still_before_the_month_begins_whose_allowance_it_waits_for(
    back: int, expected: datetime | None
) -> None:
    used_up = row(back, 30, 50, reason=f"photos: {MONTH_ENDED}")
    month = datetime(2031, 3, 1, 3, 30, tzinfo=UTC)  # midnight in the household's zone
    assert begins(used_up) == (expected or month)
    assert begins(row(8, 30, 50)) < month


@pytest.mark.parametrize("ahead", [(10, 90), (40, 70)], ids=["before", "after"])
def test_what_a_clock_that_was_ahead_noted_does_not_hide_that_a_first_copy_stands_still(
    tmp_path: Path, ahead: tuple[int, int]
) -> None:
    """Whether it was noted before or after the last run that had a right clock."""
    sent, to_send = ahead
    settings = household({"photos": {}}, zone="UTC", far={"heron": {}})
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        ledger.looks.watched_since(subjects(settings), NOW - 30 * DAY)
        write_run(ledger, NOW - 12 * DAY, Night("cut", sent=20 * GB, to_send=80 * GB))
        write_run(ledger, NOW + 300 * DAY, Night("cut", sent=sent * GB, to_send=to_send * GB))
        found = gather(settings, ledger, SteppedClock(NOW), WatchInputs())
    (photos,) = found.jobs
    assert photos.promise_begins(NOW, UTC) < NOW - 11 * DAY, "and is late by now"
    assert "late" in [one.rule for one in findings(without_grace(found))]
    assert photos.first_copy_bytes == (30 * GB, 90 * GB), "as the last run with a right clock saw it"
    since = photos.got_on(NOW)
    assert since is not None
    assert since < NOW


def test_a_clock_that_is_behind_all_runs_leaves_them_in_their_order() -> None:
    assert by_clock([row(1, 2), row(2, 1)], NOW - 99 * DAY) == [row(1, 2), row(2, 1)]


@given(st.lists(st.integers(0, 30), min_size=1, max_size=12))
def test_every_night_that_leaves_less_to_send_got_on(nights: list[int]) -> None:
    left, rows = 90, []
    for place, wanted in enumerate(nights):
        sent = min(wanted, left)
        rows.append(row(len(nights) - place, sent, left))
        left -= sent
    brought = [one for one in rows if one.report.bytes.sent]
    assert last_got_on(rows[::-1]) is (brought[-1] if brought else None)


@pytest.mark.parametrize("hour", [3, 12])
def test_the_nights_of_a_first_copy_are_as_long_as_its_window_whatever_its_time(hour: int) -> None:
    """One that was cut goes on as soon as the window opens, not at the job's own time an hour later."""
    settings = household({"photos": NIGHTLY}, zone="Europe/Berlin")
    room = night_room_of(settings.jobs["photos"], settings.far["heron"], settings.zone, utc(2031, 2, 9, hour))
    assert room.seconds == 6.5 * 3600
