"""When a job is due, and which goes first: values in, values out, one rule at a time."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from otherroof.ledger.job_times import JobTimes
from otherroof.schedule.due import JobScheduleFacts, current_times, next_due, retry_pause
from otherroof.schedule.plan import FarScheduleFacts, ScheduleFacts, SchedulePlan, plan_schedule
from otherroof.settings import Job, Settings, require_settings
from support.household import write_household

NOW = datetime(2031, 3, 6, 12, 0, tzinfo=UTC)
HOUR, DAY, MINUTE = timedelta(hours=1), timedelta(days=1), timedelta(minutes=1)
ZONE = ZoneInfo("UTC")


def job(**more: Any) -> Job:
    return Job(**{"folder": "/srv/photos", "far": "heron", "at": "0 3 * * *", "tries": 3} | more)


def due(
    answered: datetime | None = None, good: datetime | None = None, released: datetime | None = None, **turn: Any
) -> tuple[datetime, int]:
    times = JobTimes("photos", "0 3 * * *", **{"since": NOW - 30 * DAY} | turn)
    found = next_due(job(), JobScheduleFacts(times, good=good, released=released, answered=answered), ZONE)
    return found.at, found.tries


NEXT_NIGHT = datetime(2031, 3, 7, 3, 0, tzinfo=UTC)
THIS_NIGHT = datetime(2031, 3, 6, 3, 0, tzinfo=UTC)
SETTLED = {"begun": THIS_NIGHT, "ended": THIS_NIGHT + HOUR, "ending": "settled"}
UNREACHED = {"begun": THIS_NIGHT, "ended": THIS_NIGHT + HOUR, "ending": "unreached"}


def test_what_ran_this_night_is_due_next_night() -> None:
    assert due(**SETTLED) == (NEXT_NIGHT, 0)


def test_what_a_person_ran_counts_for_the_times_before_it() -> None:
    assert due(good=NOW) == (NEXT_NIGHT, 0)
    assert due(begun=THIS_NIGHT - 5 * DAY, ended=THIS_NIGHT - 5 * DAY, ending="settled", good=NOW) == (NEXT_NIGHT, 0)


def test_a_run_that_failed_is_not_begun_again_at_once() -> None:
    assert due(good=NOW - 9 * DAY, **SETTLED) == (NEXT_NIGHT, 0)


def test_a_release_after_the_last_run_is_due_at_once_and_one_before_it_is_not() -> None:
    assert due(released=NOW - HOUR, **SETTLED) == (NOW - HOUR, 0)
    assert due(released=THIS_NIGHT - DAY, **SETTLED) == (NEXT_NIGHT, 0)


@pytest.mark.parametrize(("tries", "minutes"), [(1, 5), (2, 10)])
def test_an_unreached_far_box_is_tried_again_after_growing_pauses(tries: int, minutes: int) -> None:
    assert due(tries=tries, **UNREACHED) == (THIS_NIGHT + HOUR + minutes * MINUTE, tries)


def test_pauses_grow_to_an_hour() -> None:
    assert [retry_pause(tries) / MINUTE for tries in (0, 1, 2, 3, 4, 5, 6, 99)] == [5, 5, 10, 20, 40, 60, 60, 60]


def test_out_of_tries_only_a_new_answer_counts() -> None:
    assert due(tries=3, **UNREACHED) == (NEXT_NIGHT, 0)
    assert due(tries=3, answered=THIS_NIGHT, **UNREACHED) == (NEXT_NIGHT, 0)
    assert due(tries=3, answered=NOW, **UNREACHED) == (NOW, 0)


def test_after_a_good_run_by_hand_nothing_is_left_to_try() -> None:
    assert due(tries=1, good=THIS_NIGHT + 2 * HOUR, **UNREACHED) == (NEXT_NIGHT, 0)


def test_a_run_that_was_stopped_goes_on_a_minute_later() -> None:
    stopped = {"begun": THIS_NIGHT, "ended": THIS_NIGHT + HOUR, "ending": "cut"}
    assert due(**stopped) == (THIS_NIGHT + HOUR + MINUTE, 0)


def test_a_try_that_would_come_after_the_next_time_is_that_times_run() -> None:
    late = {"begun": THIS_NIGHT, "ended": NEXT_NIGHT - MINUTE, "ending": "unreached", "tries": 1}
    assert due(**late) == (NEXT_NIGHT, 0)


def test_new_times_count_from_when_they_were_written() -> None:
    turn = JobTimes("photos", "0 3 * * *", NOW - 30 * DAY, begun=THIS_NIGHT)
    assert current_times(turn, "photos", "0 3 * * *", NOW) is turn
    assert current_times(turn, "photos", "0 11 * * *", NOW).since == NOW
    assert current_times(None, "photos", "0 3 * * *", NOW).since == NOW


@pytest.mark.parametrize("ahead", ["since", "begun"])
def test_what_a_wrong_clock_wrote_is_begun_anew(ahead: str) -> None:
    turn = JobTimes("photos", "0 3 * * *", **{"since": NOW - DAY, "begun": None} | {ahead: NOW + 2 * DAY})
    assert current_times(turn, "photos", "0 3 * * *", NOW).since == NOW
    near = JobTimes("photos", "0 3 * * *", **{"since": NOW - DAY, "begun": None} | {ahead: NOW + HOUR})
    assert current_times(near, "photos", "0 3 * * *", NOW) is near


# -- which goes first --


def household(where: Path, jobs: dict[str, str], far: str = "") -> Settings:
    """Jobs with more lines of their own each; `far` goes into heron's table, which is the last of them."""
    where.mkdir(exist_ok=True)
    return require_settings(write_household(where, more=far + "\n", jobs=jobs))


def planned(
    settings: Settings,
    *,
    month: int = 0,
    at_work: str = "",
    running: tuple[str, ...] = (),
    since: Mapping[str, datetime] = {},
) -> SchedulePlan:
    facts = {name: JobScheduleFacts(JobTimes(name, "0 3 * * *", since.get(name, NOW - DAY))) for name in settings.jobs}
    return plan_schedule(
        settings, ScheduleFacts(NOW, facts, {"heron": FarScheduleFacts(at_work, month)}, frozenset(running))
    )


def first(plan: SchedulePlan) -> str:
    return plan.runs[0].job if plan.runs else ""


GB = 1_000_000_000


def test_a_gigabyte_of_the_allowance_is_a_thousand_million_bytes(tmp_path: Path) -> None:
    """IEC 80000-13; as providers count. 2³⁰ would pass the cap by seven per cent."""
    settings = household(tmp_path, {"photos": ""}, "month_gb = 10")
    plan = planned(settings, month=10 * GB - 1)
    assert (first(plan), plan.runs[0].room) == ("photos", 1)
    for used in (10 * GB, 10 * GB + 1):
        plan = planned(settings, month=used)
        assert ([wait.why for wait in plan.waits], plan.runs) == (["month"], ())


def test_near_the_cap_what_matters_most_goes_first_else_what_is_owed_longest(tmp_path: Path) -> None:
    settings = household(tmp_path, {"films": "importance = 1", "papers": "importance = 9"}, "month_gb = 10")
    since = {"films": NOW - 3 * DAY, "papers": NOW - DAY}
    assert first(planned(settings, month=0, since=since)) == "films"
    assert first(planned(settings, month=8 * GB - 1, since=since)) == "films"
    assert first(planned(settings, month=8 * GB, since=since)) == "papers"


def test_of_what_is_owed_since_the_same_time_the_more_important_goes_first(tmp_path: Path) -> None:
    settings = household(tmp_path, {"films": "importance = 1", "papers": "importance = 9"})
    assert first(planned(settings)) == "papers"


def test_one_run_at_a_time_for_a_far_box_and_none_beside_other_work(tmp_path: Path) -> None:
    settings = household(tmp_path, {"films": "", "papers": ""})
    plan = planned(settings)
    assert (len(plan.runs), [wait.why for wait in plan.waits]) == (1, ["queue"])
    assert planned(settings, at_work="its probe").runs == ()


def test_what_is_running_is_not_begun_again(tmp_path: Path) -> None:
    plan = planned(household(tmp_path, {"photos": ""}), running=("photos",))
    assert (plan.runs, plan.waits) == ((), ())


def test_a_job_waits_for_its_window_and_is_stopped_at_its_end(tmp_path: Path) -> None:
    shut = planned(household(tmp_path / "shut", {"photos": 'window = "22:00-06:30"'}))
    assert (shut.runs, [wait.why for wait in shut.waits]) == ((), ["window"])
    settings = household(tmp_path / "open", {"photos": 'window = "00:10-23:50"'})
    (run,) = planned(settings).runs
    assert run.until is not None
    assert run.until.astimezone(settings.zone).strftime("%H:%M") == "23:50"


def test_the_loop_is_woken_later_than_now(tmp_path: Path) -> None:
    settings = household(tmp_path, {"photos": ""})
    assert planned(settings, since={"photos": NOW}).wake > NOW
