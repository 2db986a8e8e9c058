"""What the watch gathers before any rule judges: from the ledger, and from three clocks between two looks."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.copying.report import EncryptionSigns
from otherroof.forecast.trend import FillDays
from otherroof.ledger import Ledger, RunRow
from otherroof.ledger.far_findings import SpaceReading
from otherroof.ledger.last_look import WatchLook
from otherroof.ledger.runs import Hold
from otherroof.watch.facts import Facts
from otherroof.watch.gather import WatchInputs, compare_looks, gather
from otherroof.watch.rules import findings
from otherroof.watch.unusual import changed_share, stands_out, why_unusual
from support import watching
from support.simulated import household
from support.watching import Night, look_at, write_run

NOW = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
GB = 1_000_000_000


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(str(tmp_path / "ledger.db")) as made:
        yield made


def facts(ledger: Ledger, **far: object) -> Facts:
    settings = household({"photos": {}}, zone="UTC", far={"heron": dict(far), "wren": {}})
    return gather(settings, ledger, SteppedClock(NOW), WatchInputs())


# -- from the ledger --


def test_a_hold_is_one_only_until_it_is_released(ledger: Ledger) -> None:
    ledger.holds.note(Hold("photos", "r1", NOW, "too much", 1, 2, 3, None))
    assert facts(ledger).jobs[0].hold is not None
    ledger.holds.release("photos", NOW)
    assert facts(ledger).jobs[0].hold is None


def test_a_copy_in_another_house_or_of_the_future_is_not_the_newest_here(ledger: Ledger) -> None:
    write_run(ledger, NOW - 3 * DAY)
    ledger.runs.begin("photos", "elsewhere", "wren", NOW - DAY)
    ledger.runs.end(Night().report("photos", "elsewhere"), NOW - DAY)
    write_run(ledger, NOW + 30 * DAY)
    assert facts(ledger).jobs[0].newest == NOW - 3 * DAY


def test_an_answer_of_the_future_is_none(ledger: Ledger) -> None:
    write_run(ledger, NOW - 2 * DAY)
    ledger.answers.note("heron", NOW + 30 * DAY)
    assert facts(ledger).fars[0].answered == NOW - 2 * DAY


def test_a_gigabyte_of_the_floor_is_a_thousand_million_bytes(ledger: Ledger) -> None:
    """IEC 80000-13."""
    assert facts(ledger, floor_gb=10).fars[0].floor == 10 * GB


def test_a_new_disk_begins_a_new_history(ledger: Ledger) -> None:
    """The old one was nearly full and grew; of the new one nothing is known yet."""
    for day in range(30, 0, -1):
        ledger.spaces.note("heron", NOW - day * DAY, 10 * GB * day, 1000 * GB)
    assert facts(ledger).fars[0].fill is not None
    ledger.spaces.note("heron", NOW, 1900 * GB, 2000 * GB)
    assert facts(ledger).fars[0].fill is None


# -- from the clocks --


def after(
    wall: timedelta, *, ran: timedelta | None = None, asleep: timedelta = 0 * HOUR, boot: str = "b", limit_s: float = 60
) -> WatchLook:
    """A second look so long after the first by each clock."""
    first = look_at(NOW)
    ran_s = (wall if ran is None else ran).total_seconds()
    second = look_at(
        NOW + wall,
        monotonic_s=first.monotonic_s + ran_s,
        asleep_s=asleep.total_seconds(),
        boot=boot,
        awake_since=NOW + wall,
    )
    return compare_looks(first, second, limit_s)


def test_time_that_passed_is_no_jump() -> None:
    assert after(HOUR).jumped_at is None
    assert after(HOUR, ran=HOUR - timedelta(seconds=59)).jumped_at is None, "clocks are slewed a little"


@pytest.mark.parametrize(("wall", "seconds"), [(3 * HOUR, 7200), (-HOUR, -7200)], ids=["forward", "back"])
def test_a_clock_that_was_set_is_told_either_way(wall: timedelta, seconds: float) -> None:
    found = after(wall, ran=HOUR)
    assert (found.jumped_at, found.jumped_s) == (NOW + wall, seconds)


def test_a_machine_that_slept_has_not_jumped() -> None:
    assert after(9 * HOUR, ran=HOUR, asleep=8 * HOUR).jumped_at is None


def test_over_a_restart_only_a_clock_that_went_back_can_be_told() -> None:
    assert after(9 * HOUR, ran=-100 * DAY, boot="another").jumped_at is None
    assert after(9 * HOUR, ran=8 * HOUR, boot="another").jumped_at is None
    assert after(-HOUR, ran=-100 * DAY, boot="another").jumped_s == -3600


@pytest.mark.parametrize(("hours", "anew"), [(11, False), (13, True)])
def test_after_half_a_day_without_a_look_home_has_just_awoken(hours: int, anew: bool) -> None:
    """Then the far box gets a while to answer, and copies a while to catch up."""
    found = after(hours * HOUR)
    assert (found.awake_since == NOW + hours * HOUR) is anew


def test_a_clock_that_was_set_back_puts_the_waking_not_into_the_future() -> None:
    first = look_at(NOW, awake_since=NOW - HOUR)
    second = look_at(NOW - 5 * HOUR, monotonic_s=first.monotonic_s + 60, awake_since=NOW)
    assert compare_looks(first, second, 60).awake_since == NOW - 5 * HOUR


# -- at the very edge of a rule --


def found(made: Facts) -> set[str]:
    return {one.key for one in findings(made)}


def test_a_far_box_is_silent_from_its_limit_on() -> None:
    just, before = (watching.far(answered=watching.NOW - ago) for ago in (3 * DAY, 3 * DAY - timedelta(seconds=1)))
    assert "silent:heron" in found(watching.facts(fars=(just,)))
    assert "silent:heron" not in found(watching.facts(fars=(before,)))


@pytest.mark.parametrize(("hours", "told"), [(-1, False), (0, True), (23, True), (24, False)])
def test_a_jump_of_the_clock_is_told_for_a_day_and_not_from_the_future(hours: int, told: bool) -> None:
    look = watching.look_at(jumped_at=watching.NOW - hours * HOUR, jumped_s=7200.0)
    assert ("clock" in found(watching.facts(look=look))) is told


def test_at_twice_its_limit_a_silence_is_told_also_if_home_has_just_awoken() -> None:
    awake = watching.look_at(awake_since=watching.NOW - HOUR)
    for days, told in ((4, False), (6, True)):
        silent = watching.far(answered=watching.NOW - days * DAY)
        assert ("silent:heron" in found(watching.facts(look=awake, fars=(silent,)))) is told
    standing = watching.facts(
        look=awake, fars=(watching.far(answered=watching.NOW - 4 * DAY),), standing=frozenset({"silent:heron"})
    )
    assert "silent:heron" in found(standing), "what stands does not end because home restarted"


def test_a_floor_that_is_reached_is_another_thing_than_a_trend_towards_it() -> None:
    """A new mark has it told at once, and not only with next week's word."""
    grows = FillDays(20, 15, 30, 40, GB, GB)
    trend = watching.far(space=SpaceReading(watching.NOW, 50 * GB, 100 * GB), fill=grows, fill_days=30)
    reached = watching.far(space=SpaceReading(watching.NOW, 5 * GB, 100 * GB), fill=None, fill_days=30)
    marks = [
        one.mark for box in (trend, reached) for one in findings(watching.facts(fars=(box,))) if one.rule == "space"
    ]
    assert marks == ["trend", "floor"]


# -- how much of a folder a run has changed --


def ran(seen: int, *, new: int = 0, changed: int = 0, removed: int = 0) -> RunRow:
    return watching.row(NOW, Night(seen=seen, new=new, changed=changed, removed=removed))


@pytest.mark.parametrize(
    ("seen", "new", "changed", "removed", "share"),
    [
        (1000, 0, 100, 0, 0.1),
        (900, 0, 0, 100, 0.1),  # of the 1000 that there were
        (900, 0, 100, 100, 0.2),
        (2000, 1000, 100, 0, 0.1),  # new ones were not there before
        (0, 0, 0, 100, 1.0),
        (0, 0, 0, 0, 0.0),
    ],
)
def test_the_share_is_of_what_there_was_before_with_what_went(
    seen: int, new: int, changed: int, removed: int, share: float
) -> None:
    assert changed_share(ran(seen, new=new, changed=changed, removed=removed)) == pytest.approx(share)


def test_a_quiet_jobs_small_change_does_not_stand_out_and_a_lively_jobs_large_one_does() -> None:
    """1.4826 times the median deviation estimates a standard deviation; six of them are far."""
    assert not stands_out(0.09, [0.0] * 10, 0.1)
    assert stands_out(0.11, [0.0] * 10, 0.1)
    lively = [0.0, 0.1, 0.2, 0.3, 0.4]  # the middle is 0.2, the median deviation 0.1
    assert not stands_out(0.2 + 6 * 0.14826 - 0.001, lively, 0.1)
    assert stands_out(0.2 + 6 * 0.14826 + 0.001, lively, 0.1)


@pytest.mark.parametrize(("nights", "told"), [(6, False), (7, True), (40, True)])
def test_a_week_of_runs_is_what_it_takes_to_compare(nights: int, told: bool) -> None:
    history = [ran(1000, changed=1) for _ in range(nights)]
    assert (why_unusual(ran(1000, changed=500), history, {}, 50) is not None) is told


def test_few_files_are_never_unusual() -> None:
    history = [ran(30) for _ in range(10)]
    assert why_unusual(ran(30, changed=29), history, {}, 50) is None
    assert why_unusual(ran(30, changed=29), history, {}, 29) is not None


@pytest.mark.parametrize(
    ("renamed", "files", "told"), [(49, 100, False), (50, 100, True), (50, 1001, False), (51, 1000, True)]
)
def test_names_with_a_further_ending_are_told_if_they_are_many_and_a_twentieth(
    renamed: int, files: int, told: bool
) -> None:
    now, history = ran(files), [ran(files) for _ in range(10)]
    signs = {now.report.run: EncryptionSigns(0, 0, renamed)}
    assert ("further ending" in (why_unusual(now, history, signs, 50) or "")) is told


def test_content_that_turns_into_noise_is_told() -> None:
    now = watching.row(NOW, Night(seen=1000, changed=0, removed=0))
    history = [watching.row(NOW - day * DAY, Night(seen=1000, changed=0, removed=0)) for day in range(1, 11)]
    usual = {one.report.run: EncryptionSigns(100, 10, 0) for one in history}
    for dense, told in ((35, False), (60, True)):
        said = why_unusual(now, history, usual | {now.report.run: EncryptionSigns(100, dense, 0)}, 50)
        assert ("cannot be compressed" in (said or "")) is told
