"""What a household decides by, each figure reckoned by hand: the copy's days, the month, the disk, the way back."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from otherroof.forecast.planning.copy_time import AskedLine, LineFacts, SentNight, Work, asked_line, back_s, copy_s
from otherroof.forecast.planning.estimate import Estimate, Likely
from otherroof.forecast.planning.facts import Amounts, DiskFacts, KeepingFacts, PlanFacts
from otherroof.forecast.planning.open_hours import HourlyLimit, Load, MonthAllowance, OpenHours, cross
from otherroof.forecast.planning.outlook import outlook
from otherroof.forecast.planning.packets import PacketPath
from otherroof.settings.versions import NOMINAL_DAYS, spacing_lines

ZONE = ZoneInfo("Europe/Berlin")
NOW = datetime(2031, 3, 3, 21, tzinfo=UTC)  # 22:00 on the wall
TODAY = float(NOW.date().toordinal())
NONE = Likely.sure(0.0)
LINE = LineFacts(
    Likely.sure(8.0), Likely.sure(8.0), 0.0, "asked", "asked", NONE, NONE
)  # a megabyte a second, both ways
MONTH = NOMINAL_DAYS["month"]
GB = 1e9


def figures(**more: Any) -> dict[str, Estimate]:
    return outlook(facts(**more)).estimates


def facts(**more: Any) -> PlanFacts:
    amounts = Amounts(100 * GB, 1000, Likely.sure(1 * GB), 10, Likely.sure(0.5 * GB), "asked", "asked")
    hours = OpenHours(ZONE, "22:00-06:00", (), MonthAllowance(300 * GB))
    plain = PlanFacts("photos", NOW, amounts, LINE, hours, disk=DiskFacts(1e12, TODAY))
    return replace(plain, **more)


def remarks(**more: Any) -> str:
    return "; ".join(remark for section in outlook(facts(**more)).sections for remark in section.remarks)


# -- time --


def test_a_hundred_gigabytes_take_a_hundred_thousand_seconds_each_way_at_a_megabyte_a_second() -> None:
    found = figures()
    for key in ("first_copy.sending", "back.whole"):
        assert found[key].likely.value == pytest.approx(100_000, rel=0.02)
        assert found[key].likely.value > 100_000


def test_each_file_takes_its_own_time_both_ways() -> None:
    slow = replace(LINE, file_s=Likely.sure(0.01), file_back_s=Likely.sure(0.02))
    many = Work(0, 500_000)
    assert copy_s(many, slow).value - copy_s(many, LINE).value == pytest.approx(5000)
    assert back_s(many, slow).value - back_s(many, LINE).value == pytest.approx(10_000)


def test_a_nights_file_takes_longer_than_a_first_copys_until_runs_have_told_what_it_takes() -> None:
    untold = LineFacts(Likely.sure(8.0), Likely.sure(8.0), 0.0, "asked", "asked")
    many = Amounts(100 * GB, 100_000, Likely.sure(1 * GB), 10_000, NONE, "asked", "asked")
    first = copy_s(Work(1 * GB, 10_000, 100_000), untold).value
    night = figures(line=untold, amounts=many)["night.seconds"].likely.value
    assert night - first == pytest.approx(10_000 * (0.0004 - 0.00005))
    told = replace(untold, file_s=Likely.sure(0.002))
    seen = figures(line=told, amounts=many)["night.seconds"].likely.value
    assert seen == pytest.approx(copy_s(Work(1 * GB, 10_000, 100_000), told).value)


def test_the_way_back_goes_by_the_far_houses_upload() -> None:
    known = asked_line(AskedLine(100, 10), PacketPath())
    assert 80 < known.up.value < 100
    assert 8 < known.back.value < 10


def test_a_restore_from_a_fetched_disk_takes_its_way_and_its_reading() -> None:
    found = figures()
    reading = found["carried.fill"].likely
    assert found["back.fetched"].likely.value == pytest.approx(reading.value + 4 * 3600)
    assert found["carried.whole"].likely.value == pytest.approx(reading.value + 24 * 3600)


# -- hours and the month --


def test_a_limit_above_what_the_line_carries_makes_it_no_faster() -> None:
    found = cross(Load(3.6 * GB), 8.0, NOW, OpenHours(ZONE, None, (HourlyLimit({}, 100),)))
    assert found is not None
    assert found.at == NOW + timedelta(hours=1)


def test_what_is_left_of_a_month_is_less_by_what_it_used_and_counts_both_ways() -> None:
    hours = OpenHours(ZONE, None, (), MonthAllowance(2 * GB, used=1 * GB))
    found = cross(Load(2 * GB, counted=1.25), 8.0, NOW, hours)
    assert found is not None
    # One GB is left of March, which takes 0.8 of content; 1.2 GB are left for April, from its first moment on.
    assert found.at == datetime(2031, 4, 1, 0, 20, tzinfo=ZONE)


def test_each_night_takes_of_the_month_what_it_sent_and_what_came_back() -> None:
    hours = OpenHours(ZONE, "22:00-23:00", (), MonthAllowance(5 * GB))
    found = cross(Load(4.4 * GB, counted=1.25), 8.0, NOW, hours)
    assert found is not None
    # 3.6 and 0.4 GB make five of the month's with what comes back; the rest waits for April.
    assert found.at == datetime(2031, 4, 1, 22, 6, 40, tzinfo=ZONE)


def test_what_other_jobs_take_of_a_month_is_not_there_for_this_one() -> None:
    hours = OpenHours(ZONE, None, (), MonthAllowance(20 * GB, others_a_day=0.5 * GB))
    found = cross(Load(6 * GB), 8.0, datetime(2031, 4, 1, tzinfo=ZONE), hours)
    assert found is not None
    # Of April's 20 GB others take 15; the sixth waits for May.
    assert found.at == datetime(2031, 5, 1, tzinfo=ZONE) + timedelta(seconds=1000)


def test_a_window_is_as_long_as_it_is_open() -> None:
    hours = OpenHours(ZONE, "22:00-06:00")
    assert hours.seconds_a_day(NOW.date()) == 8 * 3600
    assert OpenHours(ZONE, "01:00-02:30").seconds_a_day(NOW.date()) == 5400


def own_nights(seconds: float, up: int = int(GB), down: int = 0) -> dict[str, Any]:
    """A job with a copy whose last nights were all like this."""
    return {"whole": True, "nights": [SentNight(seconds, seconds, 5, up, down)] * 9}


def test_a_month_takes_its_runs_both_ways_and_its_checks() -> None:
    four = KeepingFacts(runs_a_day=4.0)
    found = figures(**own_nights(60, int(GB), int(GB)), keeping=four, checks_a_day=0.5 * GB)["month.share"].likely
    assert found.value == pytest.approx((2 * 4 + 0.5) * MONTH / 300)
    before_any_run = figures(checks_a_day=0.5 * GB)["month.share"].likely
    assert before_any_run.value == pytest.approx((1 + 0.5) * MONTH / 300, rel=0.02)


def test_nights_and_months_that_do_not_fit_are_said() -> None:
    too_long, too_much = "a usual night does not fit its window", "the month's allowance does not last"
    fits = remarks(**own_nights(8 * 3600 - 1))
    assert too_long not in fits
    assert too_much not in fits
    assert too_long in remarks(**own_nights(8 * 3600 + 1))
    assert too_much in remarks(**own_nights(60, int(10 * GB)))


def test_growth_has_the_room_of_the_window_or_of_the_time_between_two_runs() -> None:
    # 28.8 GB fit into eight hours, less the seconds before; one is usual.
    assert figures()["night.growth_room"].likely.value == pytest.approx(28.8, rel=0.02)
    often = figures(hours=OpenHours(ZONE), keeping=KeepingFacts(runs_a_day=4.0))["night.growth_room"].likely
    assert often.value == pytest.approx(21.6 / 0.25, rel=0.02), "six hours between two runs, a quarter GB each"


# -- disks --


def test_the_disk_to_buy_is_no_smaller_than_what_it_is_to_hold() -> None:
    # The copy, a year of a gigabyte a day, and a tenth: 511.5 GB.
    assert "make 512 GB: a disk of 1 TB" in remarks()


def test_the_day_on_which_the_disk_is_full_by_amounts() -> None:
    unthinned = figures(disk=DiskFacts(1e12, TODAY, free=400 * GB), keeping=KeepingFacts(), there=20 * GB)
    # 80 GB are still to come; then one a day.
    assert unthinned["far_disk.full"].likely.value == pytest.approx(TODAY + 320)
    found = figures(keeping=KeepingFacts(spacing_lines({"30 days": "one a day"})))
    kept = found["versions.kept"].likely.value
    assert kept > 10 * GB
    assert found["far_disk.full"].likely.value == pytest.approx(TODAY + (900 * GB - kept) / (0.5 * GB))
