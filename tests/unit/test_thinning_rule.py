"""Which versions stay: against a table worked out by hand over two years, and what must hold of any row of runs."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.base.local_time import wall_time
from otherroof.restore.thinning.rule import KeepingRule, going_versions
from otherroof.restore.versions import Version
from otherroof.settings.versions import SPACINGS, spacing_lines
from support.quick import examples

BERLIN = ZoneInfo("Europe/Berlin")
USUAL = spacing_lines({"7 days": "every run", "30 days": "one a day", "1 year": "one a week", "5 years": "one a month"})


def at(moment: datetime, number: int = 0) -> Version:
    return Version(f"{moment.astimezone(UTC):%Y-%m-%dT%H%M%SZ}-{number:04x}", moment.astimezone(UTC))


def local(day: date, clock: time) -> Version:
    return at(datetime.combine(day, clock, BERLIN))


def days(first: date, last: date) -> list[date]:
    return [first + timedelta(days=number) for number in range((last - first).days + 1)]


FIRST, LATE = time(0, 15), time(23, 45)  # by UTC, the first run of a day is of the day before

# Worked out with a calendar on paper, for noon of Saturday, 1 January 2028, with runs at 0:15 and 23:45 each day since
# 1 January 2026. Sundays in 2027: a week's newest run; 1 December, a Wednesday, is where "one a day" begins after it.
SUNDAYS_2027 = """
01-03 01-10 01-17 01-24 01-31 02-07 02-14 02-21 02-28 03-07 03-14 03-21 03-28 04-04 04-11 04-18 04-25 05-02 05-09 05-16
05-23 05-30 06-06 06-13 06-20 06-27 07-04 07-11 07-18 07-25 08-01 08-08 08-15 08-22 08-29 09-05 09-12 09-19 09-26 10-03
10-10 10-17 10-24 10-31 11-07 11-14 11-21 11-28
"""
MONTH_ENDS_2026 = "01-31 02-28 03-31 04-30 05-31 06-30 07-31 08-31 09-30 10-31 11-30 12-31"
STAYS = (
    [local(date.fromisoformat(f"2026-{day}"), LATE) for day in MONTH_ENDS_2026.split()]
    + [local(date.fromisoformat(f"2027-{day}"), LATE) for day in [*SUNDAYS_2027.split(), "12-01"]]
    + [local(day, LATE) for day in days(date(2027, 12, 2), date(2027, 12, 24))]
    + [local(day, clock) for day in days(date(2027, 12, 25), date(2027, 12, 31)) for clock in (FIRST, LATE)]
    + [local(date(2028, 1, 1), FIRST)]
)
TWO_YEARS = [local(day, clock) for day in days(date(2026, 1, 1), date(2027, 12, 31)) for clock in (FIRST, LATE)] + [
    local(date(2028, 1, 1), FIRST)
]
NOON = datetime(2028, 1, 1, 12, tzinfo=BERLIN)


def staying(versions: list[Version], rule: KeepingRule, now: datetime, zone: ZoneInfo = BERLIN) -> list[Version]:
    gone = {going.version.run for going in going_versions(versions, rule, now, zone)}
    return [version for version in versions if version.run not in gone]


def test_two_years_are_thinned_as_the_table_says() -> None:
    """Invariant 9: read in the household's zone, over four changes of the clock."""
    assert len(STAYS) == 12 + 49 + 23 + 15
    assert staying(TWO_YEARS, KeepingRule(USUAL), NOON) == STAYS
    utc = staying(TWO_YEARS, KeepingRule(USUAL), NOON, ZoneInfo("UTC"))
    assert utc != STAYS, "the zone decides which day a run is of"


@pytest.mark.parametrize(
    ("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25), (date(2026, 6, 1), 24)], ids=str
)
def test_day_on_which_the_clock_changes_is_one_day(day: date, hours: int) -> None:
    """Invariant 9."""
    begin = datetime.combine(day, time(0), BERLIN).astimezone(UTC)
    runs = [at(begin + timedelta(minutes=30 * number)) for number in range(-2, hours * 2 + 2)]
    assert [wall_time(run.taken, BERLIN).date() == day for run in runs].count(True) == hours * 2
    later = at(begin + timedelta(days=20))
    kept = staying([*runs, later], KeepingRule(USUAL), later.taken)
    assert kept == [runs[1], runs[-3], runs[-1], later], (
        "of the day before, the day, and the day after the last one each"
    )


def test_thinned_day_by_day_nothing_that_is_wanted_later_has_gone_before() -> None:
    """The stretches move on with each day; what stays is still one for each day, week and month."""
    held: list[Version] = []
    for day in days(date(2026, 1, 1), date(2027, 12, 31)):
        for clock in (FIRST, LATE):
            held.append(local(day, clock))
            held = staying(held, KeepingRule(USUAL), held[-1].taken)
    dates = [wall_time(version.taken, BERLIN).date() for version in held]
    assert set(days(date(2027, 12, 1), date(2027, 12, 31))) <= set(dates)
    weeks = {(day - timedelta(days=day.weekday())) for day in days(date(2027, 1, 1), date(2027, 12, 31))}
    assert weeks <= {day - timedelta(days=day.weekday()) for day in dates}
    assert {day.month for day in dates if day.year == 2026} == set(range(1, 13))
    assert len(held) <= len(STAYS) + 3


def test_what_is_older_than_the_last_line_goes_and_says_so() -> None:
    old, stays = local(date(2022, 12, 31), LATE), local(date(2023, 1, 1), FIRST)
    goes = going_versions([old, stays, *TWO_YEARS], KeepingRule(USUAL), NOON, BERLIN)
    assert (goes[0].version, goes[0].spacing, goes[0].instead) == (old, None, "")
    assert stays not in [going.version for going in goes]
    first = next(going for going in goes if going.version == TWO_YEARS[0])
    assert (first.spacing, first.instead) == ("one a month", local(date(2026, 1, 31), LATE).run)


def test_without_a_line_nothing_ever_goes() -> None:
    assert going_versions(TWO_YEARS, KeepingRule(), datetime(2400, 1, 1, tzinfo=UTC), BERLIN) == ()
    assert going_versions([], KeepingRule(USUAL), NOON, BERLIN) == ()


def test_job_that_rested_for_ten_years_keeps_its_newest() -> None:
    late = datetime(2040, 1, 1, tzinfo=UTC)
    assert staying(TWO_YEARS, KeepingRule(USUAL, 5), late) == TWO_YEARS[-5:]
    assert staying(TWO_YEARS, KeepingRule(USUAL), late) == TWO_YEARS[-1:]
    pinned = frozenset({TWO_YEARS[7].run, TWO_YEARS[9].run})
    assert staying(TWO_YEARS, KeepingRule(USUAL, 5, pinned), late) == [TWO_YEARS[7], TWO_YEARS[9], *TWO_YEARS[-5:]]


def test_version_of_a_night_with_a_clock_ahead_counts_as_young() -> None:
    ahead = local(date(2031, 1, 1), FIRST)
    follows = Version("2031-01-01T000000Z-ffff", datetime(2028, 1, 1, tzinfo=UTC))
    kept = staying([*TWO_YEARS, ahead, follows], KeepingRule(USUAL), NOON)
    assert kept == [*STAYS, ahead, follows]


def test_newest_version_stays_even_if_a_wrong_clock_dates_it_back() -> None:
    dated_back = Version("2028-01-01T105900Z-ffff", datetime(1999, 1, 1, tzinfo=UTC))
    assert staying([*TWO_YEARS, dated_back], KeepingRule(USUAL), NOON)[-1] == dated_back


ZONES = st.sampled_from(["Europe/Berlin", "America/St_Johns", "Pacific/Apia", "Africa/Casablanca", "UTC"]).map(ZoneInfo)
MOMENTS = st.datetimes(datetime(2009, 1, 1), datetime(2033, 1, 1), timezones=st.just(UTC))
AGES = ("3 days", "2 weeks", "3 months", "2 years", "9 years")


@st.composite
def rules(draw: st.DrawFn) -> KeepingRule:
    ages = [age for age in AGES if draw(st.booleans())]
    spacings = sorted(draw(st.sampled_from(SPACINGS)) for _ in ages)
    table = dict(zip(ages, sorted(spacings, key=SPACINGS.index), strict=True))
    return KeepingRule(spacing_lines(table), draw(st.integers(1, 12)))


@st.composite
def histories(draw: st.DrawFn) -> list[Version]:
    moments = sorted(draw(st.lists(MOMENTS, max_size=40, unique=True)))
    near = [moment + timedelta(hours=draw(st.integers(1, 30))) for moment in moments if draw(st.booleans())]
    return sorted((at(moment, number) for number, moment in enumerate([*moments, *near])), key=lambda one: one.run)


@examples(200)
@given(histories(), rules(), MOMENTS, ZONES, st.integers(0, 5))
def test_of_any_row_of_runs(
    versions: list[Version], rule: KeepingRule, now: datetime, zone: ZoneInfo, pins: int
) -> None:
    """Thinning twice changes nothing; the newest and the pinned stay; so do `at_least`; and whatever goes has another
    in its place or is too old."""
    pinned = frozenset(version.run for version in versions if int(version.run[-4:], 16) % 5 == pins)
    rule = KeepingRule(rule.lines, rule.at_least, pinned)
    goes = going_versions(versions, rule, now, zone)
    stays = staying(versions, rule, now, zone)
    runs = {version.run for version in stays}
    assert going_versions(stays, rule, now, zone) == ()
    assert going_versions(reversed(versions), rule, now, zone) == goes
    assert versions[-1:] == stays[-1:]
    assert pinned <= runs
    free = [version for version in versions if version.run not in pinned]
    assert sum(version.run not in pinned for version in stays) >= min(rule.at_least, len(free))
    for going in goes:
        assert going.instead in runs if going.instead else going.spacing is None
        assert going.instead == "" or going.instead > going.version.run


@examples(100)
@given(histories(), rules(), MOMENTS, ZONES, st.integers(1, 12))
def test_one_more_pin_or_a_higher_number_never_lets_more_go(
    versions: list[Version], rule: KeepingRule, now: datetime, zone: ZoneInfo, more: int
) -> None:
    goes = {going.version.run for going in going_versions(versions, rule, now, zone)}
    higher = KeepingRule(rule.lines, rule.at_least + more)
    assert {going.version.run for going in going_versions(versions, higher, now, zone)} <= goes
    for version in versions[:3]:
        pin = KeepingRule(rule.lines, rule.at_least, frozenset({version.run}))
        assert {going.version.run for going in going_versions(versions, pin, now, zone)} <= goes
