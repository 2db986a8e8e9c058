"""The forecast as arithmetic: hours of a line, versions kept, ranges that hold, and what differs from last time."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from otherroof.base.local_time import wall_time
from otherroof.cli.think_ahead.show_outlook import picture
from otherroof.forecast.first_copy import NightsLeft
from otherroof.forecast.planning.copy_time import AskedLine, LineFacts, SentNight, Work, asked_line, copy_s, seen_up
from otherroof.forecast.planning.estimate import Estimate, Likely
from otherroof.forecast.planning.facts import (
    Amounts,
    CopyKept,
    DiskFacts,
    DrilledBack,
    KeepingFacts,
    Outlook,
    PlanFacts,
)
from otherroof.forecast.planning.first import disk_wanted
from otherroof.forecast.planning.open_hours import HourlyLimit, Load, MonthAllowance, OpenHours, cross
from otherroof.forecast.planning.outlook import changed_since, outlook
from otherroof.forecast.planning.packets import PacketPath
from otherroof.forecast.planning.spacing import (
    ReplacedContent,
    covered_days,
    kept_ages,
    kept_share,
    kept_size,
    unbroken_since,
)
from otherroof.forecast.trend import FillDays
from otherroof.restore.thinning.rule import KeepingRule, going_versions
from otherroof.restore.versions import Version
from otherroof.settings.versions import spacing_lines

BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2031, 3, 3, 21, tzinfo=UTC)  # 22:00 on the wall
MB_S = 8.0  # Mbit/s, a megabyte a second


def line(up: float = MB_S) -> LineFacts:
    sure = Likely.sure(0.0)
    return LineFacts(Likely(up * 0.9, up, up * 1.1), Likely.sure(up), 0.0, "asked", "asked", sure, sure)


def facts(**more: object) -> PlanFacts:
    amounts = Amounts(100e9, 1000, Likely(0.5e9, 1e9, 2e9), 10, Likely(0.2e9, 0.5e9, 1e9), "asked", "asked")
    plain = PlanFacts("photos", NOW, amounts, line(), OpenHours(BERLIN))
    return replace(plain, **more)  # type: ignore[arg-type]


# -- hours --


def test_a_line_that_is_always_open_takes_bytes_by_rate() -> None:
    found = cross(Load(3.6e9), MB_S, NOW, OpenHours(BERLIN))
    assert found is not None
    assert found.at == NOW + timedelta(hours=1)
    assert (found.nights, found.busy_s) == (1, 3600)


def test_a_line_that_is_always_open_sends_through_every_night_on_the_way() -> None:
    noon = datetime(2031, 3, 4, 12, tzinfo=BERLIN)
    for begin, hours, nights in ((noon, 24, 1), (noon, 25, 2), (noon + timedelta(hours=9), 24 * 5, 6)):
        found = cross(Load(3.6e9 * hours), MB_S, begin, OpenHours(BERLIN))
        assert found is not None
        assert found.nights == nights


def test_a_window_closes_the_line_until_the_next_evening() -> None:
    hours = OpenHours(BERLIN, "22:00-06:00")
    found = cross(Load(3.6e9 * 10), MB_S, NOW, hours)
    assert found is not None
    assert found.nights == 2
    assert wall_time(found.at, BERLIN) == datetime(2031, 3, 5, 0, 0), "eight hours, then two of the next night"


def test_a_night_with_a_missing_hour_carries_an_hour_less() -> None:
    hours = OpenHours(BERLIN, "22:00-06:00")
    spring = datetime(2031, 3, 29, 21, tzinfo=UTC)  # clocks go forward that night
    found = cross(Load(3.6e9 * 7.5), MB_S, spring, hours)
    assert found is not None
    assert found.nights == 2


def test_each_night_pays_for_its_beginning() -> None:
    hours = OpenHours(BERLIN, "22:00-23:00")
    found = cross(Load(3.6e9 * 2, before_s=1800), MB_S, NOW, hours)
    assert found is not None
    assert found.nights == 4


def test_limits_by_hour_hold_together_and_the_least_counts() -> None:
    hours = OpenHours(BERLIN, None, (HourlyLimit({"22:00-23:00": 4}), HourlyLimit({"22:30-00:00": 2}, 0)))
    # Half an hour at 4, an hour and a half at 2 Mbit/s, then all of it.
    first = 1800 * 0.5e6 + 5400 * 0.25e6
    found = cross(Load(first + 3600 * 1e6), MB_S, NOW, hours)
    assert found is not None
    assert wall_time(found.at, BERLIN) == datetime(2031, 3, 4, 1, 0)


def test_a_months_allowance_makes_it_wait_for_the_first_of_the_next() -> None:
    hours = OpenHours(BERLIN, None, (), MonthAllowance(2e9, used=1e9))
    found = cross(Load(2e9, counted=1.25), MB_S, NOW, hours)
    assert found is not None
    # 0.8 GB of content in March, with what an allowance counts besides; 1.2 GB from the first of April on.
    assert wall_time(found.at, BERLIN).date().isoformat() == "2031-04-01"
    assert found.busy_s == pytest.approx(2000)


def test_an_allowance_is_used_up_over_several_nights() -> None:
    hours = OpenHours(BERLIN, "22:00-23:00", (), MonthAllowance(5e9))
    found = cross(Load(10e9), MB_S, NOW, hours)
    assert found is not None
    # 3.6 and 1.4 GB in March, as much in April.
    assert (wall_time(found.at, BERLIN).date().isoformat(), found.nights) == ("2031-04-02", 4)


def test_an_allowance_that_other_things_eat_never_lets_it_end() -> None:
    hours = OpenHours(BERLIN, None, (), MonthAllowance(1e9, others_a_day=1e9))
    assert cross(Load(1e12), MB_S, NOW, hours) is None


@settings(max_examples=50)
@given(
    st.floats(1e6, 2e11),
    st.floats(2, 200),
    st.sampled_from([None, "22:00-06:30", "01:00-05:00"]),
    st.integers(0, 700),
)
def test_more_bytes_never_arrive_earlier_and_never_faster_than_the_line(
    size: float, mbit: float, window: str | None, days: int
) -> None:
    begin, hours = NOW + timedelta(days=days), OpenHours(BERLIN, window, (HourlyLimit({"02:00-04:00": 3}),))
    found, more = cross(Load(size), mbit, begin, hours), cross(Load(size * 1.5), mbit, begin, hours)
    if found is None:
        assert more is None
        return
    # A moment has whole microseconds.
    assert (found.at - begin).total_seconds() >= size * 8e-6 / mbit * (1 - 1e-9) - 1e-3
    assert more is None or (more.at >= found.at and more.nights >= found.nights)


# -- versions --


def test_a_rule_has_as_many_versions_as_its_lines_say() -> None:
    ages = kept_ages(spacing_lines({"30 days": "one a day", "1 year": "one a week"}), runs_a_day=1)
    assert len(ages) == 30 + math.floor((365.2425 - 30) / 7)
    assert covered_days(ages) == 7
    assert kept_ages(spacing_lines({"2 days": "every run"}), runs_a_day=4) == [0.25 * place for place in range(1, 9)]


def test_content_that_changes_daily_is_kept_once_a_version_and_what_changes_once_for_good() -> None:
    ages = [1.0, 2.0, 9.0, 16.0]
    assert kept_share(ages, 1.0) == 4
    assert kept_share(ages, 7.0) == 16
    assert kept_share(ages, math.inf) == 16
    assert kept_share([], 5.0) == 0


@given(st.lists(st.floats(0.1, 400), min_size=1, max_size=40, unique=True), st.floats(0.1, 500), st.integers(1, 2000))
def test_kept_days_agree_with_a_count_of_all_days(ages: list[float], stood: float, grain: int) -> None:
    """Held against counting moments one by one: replaced so long ago, is there a version that saw it?"""
    ages.sort()
    step = max(ages) / grain
    moments = [step * (place + 0.5) for place in range(grain)]
    counted = sum(any(moment < age <= moment + stood for age in ages) for moment in moments) * step
    assert kept_share(ages, stood) == pytest.approx(counted, abs=2 * step * (len(ages) + 1))


def test_a_record_of_what_was_replaced_gives_the_size_and_an_end_to_what_is_not_known() -> None:
    ages = [1.0, 2.0, 9.0, 16.0]
    record = [ReplacedContent(70.0, 1.0), ReplacedContent(30.0, 7.0), ReplacedContent(10.0, 1.0, at_least=True)]
    found = kept_size(ages, Likely.sure(0), record, seen_days=10)
    assert found.low == pytest.approx((70 * 4 + 30 * 16 + 10 * 4) / 10)
    assert found.high == pytest.approx((70 * 4 + 30 * 16 + 10 * 16) / 10)
    assert found.low < found.value < found.high


@given(st.floats(0, 1e12), st.sampled_from(["one a day", "one a week", "one a month"]))
def test_wider_spacing_never_takes_more(replaced: float, spacing: str) -> None:
    closer = kept_size(kept_ages(spacing_lines({"1 year": "one a day"}), 1), Likely.sure(replaced))
    wider = kept_size(kept_ages(spacing_lines({"1 year": spacing}), 1), Likely.sure(replaced))
    assert wider.value <= closer.value * (1 + 1e-9)
    assert wider.low <= wider.value <= wider.high


PERIODS = {3e6: 1, 10e6: 3, 40e6: 10, 70e6: 45}  # a file of so many bytes changes each so many days


def played_versions(table: dict[str, str], looks: range) -> Iterator[float]:
    """What the real rule keeps besides the newest copy, after these nights, with each night's version and content."""
    rule = KeepingRule(spacing_lines(table))
    start = datetime(2031, 1, 1, 1, 30, tzinfo=UTC)
    standing: list[Version] = []
    for day in range(looks.stop):
        now = start + timedelta(days=day)
        standing.append(Version(f"{now:%Y-%m-%dT%H%M%SZ}-0000", now, 4, 0))
        gone = {going.version.run for going in going_versions(standing, rule, now, BERLIN)}
        standing = [version for version in standing if version.run not in gone]
        if day in looks:
            nights = [round((version.taken - start) / timedelta(days=1)) for version in standing]
            yield sum(
                size * len({night // period for night in nights} - {day // period}) for size, period in PERIODS.items()
            )


@pytest.mark.slow
@pytest.mark.parametrize(
    "table",
    [
        {"30 days": "one a day", "1 year": "one a week"},
        {"1 year": "one a month"},
        {"14 days": "every run", "8 weeks": "one a week", "2 years": "one a month"},
        {"60 days": "one a day"},
    ],
)
def test_versions_take_what_was_told_once_the_real_rule_has_filled_up(table: dict[str, str]) -> None:
    ages = kept_ages(spacing_lines(table), 1)
    seen = 90.0
    record = [
        ReplacedContent(size, float(period)) for size, period in PERIODS.items() for _ in range(int(seen) // period)
    ]
    told = kept_size(ages, Likely.sure(0), record, seen)
    played = list(played_versions(table, range(740, 770, 3)))
    assert told.value == pytest.approx(sum(played) / len(played), rel=0.1)


@given(st.lists(st.floats(0.8, 1.5), min_size=1, max_size=60), st.floats(5, 100))
def test_a_stretch_without_missing_versions_ends_at_the_first_long_gap(gaps: list[float], long: float) -> None:
    moments = [0.0]
    for gap in gaps:
        moments.append(moments[-1] - gap)
    older = [moments[-1] - long - step for step in range(3)]
    assert unbroken_since([*older, *moments]) == moments[-1]


# -- lines --


def test_runs_of_different_mixes_tell_files_and_bytes_apart() -> None:
    nights = [
        SentNight(files * 0.002 + size * 8e-6 / 16, 0, files, size, 0)
        for files, size in ((100, 400_000_000), (20_000, 150_000_000), (3, 900_000_000), (5_000, 60_000_000))
    ]
    seen = seen_up(nights)
    assert seen is not None
    assert seen[0].value == pytest.approx(16, rel=0.01)
    assert seen[1].value == pytest.approx(0.002, rel=0.05)
    assert seen_up(nights[:2]) is None
    assert seen_up([replace(night, wire_up=1000) for night in nights]) is None, "what sent nothing says nothing"


@given(st.floats(0.1, 1000), st.floats(0, 1e13), st.floats(0, 1e7), st.floats(0, 0.05), st.floats(0.001, 0.5))
def test_every_range_holds_its_likely_value(
    up: float, size: float, files: float, loss: float, round_trip: float
) -> None:
    known = asked_line(AskedLine(up, up / 2, round_trip, loss), PacketPath())
    seconds = copy_s(Work(size, files), known)
    assert seconds.low <= seconds.value <= seconds.high
    assert seconds.value * 1e6 * up >= size * 8 * 0.99, "never faster than the line itself"


# -- the whole --


def everything(**more: object) -> Outlook:
    hours = OpenHours(BERLIN, "22:00-06:00", (), MonthAllowance(300e9, 10e9))
    keeping = KeepingFacts(spacing_lines({"30 days": "one a day"}), spacing_lines({"1 year": "one a month"}))
    disk = DiskFacts(1e12, NOW.date().toordinal())
    given_facts = {"hours": hours, "checks_a_day": 0.2e9, "keeping": keeping, "disk": disk, "few": Work(1e9, 10)}
    return outlook(facts(**(given_facts | more)))


def test_every_figure_has_unit_range_and_the_sentence_of_how_it_came_about() -> None:
    found = everything(copies=(CopyKept("here", False, "now"), CopyKept("heron", True, "")))
    assert {
        *("first_copy.nights", "first_copy.day", "first_copy.sending", "carried.fill", "night.seconds", "night.share"),
        *("night.growth_room", "month.share", "far_disk.full", "versions.kept", "versions.other", "back.whole"),
        *("back.few", "back.fetched", "copies.there", "line.up", "line.back"),
    } <= set(found.estimates)
    for key, one in found.estimates.items():
        assert one.likely.low <= one.likely.value <= one.likely.high, key
        assert one.how, key
    assert "1 copy, 0 under another roof; common advice is three" in found.as_json()["remarks"][-1]


def test_a_first_copy_in_a_window_takes_the_nights_that_it_takes() -> None:
    nights = everything().estimates["first_copy.nights"].likely
    # Eight hours at 8 Mbit/s carry 28.8 GB: 100 GB take four nights.
    assert nights == Likely(4, 4, 4)


def test_what_has_arrived_of_a_first_copy_is_not_sent_again() -> None:
    part, none = everything(there=50e9).estimates, everything().estimates
    assert part["first_copy.sending"].likely.value == pytest.approx(
        none["first_copy.sending"].likely.value / 2, rel=0.001
    )


def test_a_job_with_a_copy_goes_by_its_own_nights_and_drill() -> None:
    nights = [SentNight(60, 100 + place, 5, 10**9, 10**6) for place in range(9)]
    drilled = DrilledBack(Likely(900, 1000, 1500), "2031-02-01")
    found = everything(whole=True, nights=nights, drilled=drilled).estimates
    assert found["night.seconds"].likely == Likely(100, 104, 108)
    assert found["back.whole"].likely == drilled.seconds
    assert "first_copy.nights" not in found


def test_a_disk_that_fills_up_has_the_day_of_its_readings_with_its_range() -> None:
    today = float(NOW.date().toordinal())
    full = Likely(today + 400, today + 500, math.inf)
    disk = DiskFacts(1e12, today, free=5e11, growth=FillDays(500, 400, None, 41, 1.1e9, -2e8), full=full)
    found = everything(whole=True, disk=disk).estimates["far_disk.full"]
    assert found.likely == full
    assert found.how == (
        "41 days of readings: 1.10 GB more a day by least squares, 200 MB less by medians; the range holds both"
    )


def test_a_disk_that_fills_in_another_century_gets_no_day() -> None:
    disk = DiskFacts(1e12, 40, free=5e11, growth=FillDays(50_000, 40_000, None, 41, 1e6, 1e6))
    found = everything(whole=True, disk=disk)
    assert "far_disk.full" not in found.estimates
    assert any("not full within a hundred years" in remark for remark in found.as_json()["remarks"])


def test_readings_without_growth_say_so_and_give_no_date() -> None:
    found = everything(whole=True, disk=DiskFacts(1e12, 40, free=5e11))
    assert "far_disk.full" not in found.estimates
    assert any("no clear growth" in remark for remark in found.as_json()["remarks"])


def test_while_another_first_copy_fills_the_disk_no_date_is_told() -> None:
    found = everything(whole=True, disk=DiskFacts(1e12, 40, coming=True))
    assert "far_disk.full" not in found.estimates
    assert any("first copy of another job" in remark for remark in found.as_json()["remarks"])
    assert "far_disk.full" in everything(disk=DiskFacts(1e12, 40, coming=True)).estimates, "its own, by amounts"


def test_what_others_keep_on_the_disk_is_no_room_for_the_copy() -> None:
    empty = everything(disk=DiskFacts(1e12, 40)).estimates["far_disk.full"].likely.value
    shared = everything(disk=DiskFacts(1e12, 40, free=4e11)).estimates["far_disk.full"].likely.value
    assert 40 < shared < empty


def test_a_first_copy_under_way_goes_by_its_own_nights() -> None:
    made = everything(there=50e9, brought=(5, NightsLeft(10e9, 5, 4, None)), disk=DiskFacts(1e12, 700_000.9)).estimates
    assert made["first_copy.nights"].likely == Likely(4, 5, math.inf)
    assert made["first_copy.day"].likely == Likely(700_004, 700_005, math.inf)
    assert "the last 5 nights brought, 10.0 GB each" in made["first_copy.nights"].how


def test_a_line_too_slow_for_ten_years_is_said_and_null_in_json() -> None:
    found = everything(line=line(0.001), hours=OpenHours(BERLIN))
    assert math.isinf(found.estimates["first_copy.day"].likely.value)
    assert found.as_json()["figures"]["first_copy.day"]["likely"] is None
    assert any("ten years" in remark for remark in found.as_json()["remarks"])


def test_the_disk_to_buy_holds_the_copy_a_year_and_a_tenth() -> None:
    assert disk_wanted(facts()) == pytest.approx((100e9 + 365e9) * 1.1)


def test_only_what_left_its_last_range_is_told_as_changed() -> None:
    before = everything().as_json()
    assert changed_since(everything(), before) == []
    slower = everything(line=line(1.0))
    changed = {one.estimate.key for one in changed_since(slower, before)}
    assert {"first_copy.nights", "first_copy.day", "line.up"} <= changed
    assert "carried.fill" not in changed
    nearly = {one.estimate.key for one in changed_since(everything(line=line(MB_S * 1.03)), before)}
    assert "line.up" not in nearly, "another value within the range that was told is no news"
    never = Outlook("photos", ())
    assert changed_since(never, before) == []


def test_a_figure_that_became_endless_is_told_as_changed() -> None:
    before = everything(hours=OpenHours(BERLIN)).as_json()
    now = everything(hours=OpenHours(BERLIN), line=line(0.001))
    assert "first_copy.day" in {one.estimate.key for one in changed_since(now, before)}
    assert changed_since(now, now.as_json()) == []


def test_an_estimate_is_null_in_json_at_an_endless_end() -> None:
    one = Estimate("far_disk.full", "day", Likely(1, 2, math.inf), "why").as_json()
    assert (one["low"], one["likely"], one["high"]) == (1, 2, None)


FOLDERS = st.tuples(
    st.sampled_from([0.0, 1.0, 3e5, 2e10, 9e11]),
    st.sampled_from([0.0, 1.0, 5e4]),
    st.floats(0, 1e11),
    st.floats(0, 1e11),
)
LINES = st.tuples(
    st.floats(2, 300), st.sampled_from([None, "22:00-06:00", "12:00-12:30"]), st.sampled_from([0.0, 1e10, 5e11])
)
RULES = st.sampled_from([{}, {"30 days": "one a day"}, {"1 day": "every run", "2 years": "one a year"}])


@settings(max_examples=30, deadline=None)
@given(FOLDERS, LINES, st.sampled_from([0.0, 1e9, 4e12]), RULES)
def test_whatever_the_facts_every_figure_has_its_range_and_can_be_shown(
    folder: tuple[float, float, float, float],
    way: tuple[float, str | None, float],
    disk: float,
    lines: dict[str, str],
) -> None:
    (size, files, daily, growth), (up, window, month) = folder, way
    amounts = Amounts(
        size, files, Likely(daily / 2, daily, daily * 2), files / 100, Likely(0, growth, growth), "a", "b"
    )
    found = outlook(
        facts(
            amounts=amounts,
            line=asked_line(AskedLine(up), PacketPath()),
            hours=OpenHours(BERLIN, window, (), MonthAllowance(month)),
            disk=DiskFacts(disk, NOW.date().toordinal()),
            keeping=KeepingFacts(spacing_lines(lines), spacing_lines({"1 year": "one a week"})),
            few=Work(size / 10, files / 10),
        )
    )
    for key, one in found.estimates.items():
        assert one.likely.low <= one.likely.value <= one.likely.high, key
    shown = list(picture(found, amounts))
    assert all(len(line) <= 80 for line in shown)
    assert json.loads(json.dumps(found.as_json(), allow_nan=False))["job"] == "photos"
    assert changed_since(found, found.as_json()) == []


# -- the lines of all files --


def test_days_that_bring_nothing_put_no_listing_on_the_line() -> None:
    many = 10_000_000
    amounts = replace(facts().amounts, files=many)
    month = OpenHours(BERLIN, month=MonthAllowance(500e9))

    def said(daily: Likely, count: float) -> tuple[Likely, Likely]:
        own = facts(amounts=replace(amounts, daily=daily, daily_files=count), hours=month)
        told = {key: one.likely for key, one in outlook(own).estimates.items()}
        return told["night.seconds"], told["month.share"]

    listing = many * 52
    night, share = said(Likely.sure(0.0), 0.0)
    assert share.high * 500e9 < listing
    changed, shared = said(Likely(0.0, 1e6, 2e6), 10)
    assert shared.low == share.low, "such a month may bring nothing at all"
    assert shared.value * 500e9 > 30 * listing
    assert changed.value - night.value > listing * 8e-6 / MB_S


def test_the_end_of_a_first_copy_does_not_come_before_its_listing_has_crossed() -> None:
    """Next to all of a folder of many files is there: what is left is their lines."""
    amounts = Amounts(100e9, 10_000_000, Likely.sure(1e9), 10, Likely.sure(0.0), "asked", "asked")
    own = facts(amounts=amounts, there=99.99e9)
    told = {key: one.likely for key, one in outlook(own).estimates.items()}
    over_line = outlook(own).sections[1].bars[0]
    assert over_line.part == pytest.approx(told["first_copy.sending"].value, rel=0.01)
