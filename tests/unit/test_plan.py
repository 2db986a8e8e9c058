"""The plan, rule by rule: what is due, what waits and for what, and what a wrong clock must not do."""

from __future__ import annotations

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from otherroof.base.local_time import month_begins, next_month
from otherroof.ledger.job_times import JobTimes
from otherroof.ledger.live.wishes import RunWish
from otherroof.schedule.due import JobScheduleFacts, current_times, next_due, retry_pause
from otherroof.schedule.job_window import window_end
from otherroof.schedule.plan import (
    FarScheduleFacts,
    ScheduleFacts,
    SchedulePlan,
    plan_schedule,
    wait_text,
)
from otherroof.settings import Settings
from support.simulated import household, utc

NOW = utc(2026, 6, 10, 12)
GB = 1_000_000_000
NIGHTLY = "30 1 * * *"


def turn(job: str = "photos", **more: object) -> JobTimes:
    return JobTimes(**{"job": job, "times": "", "since": utc(2026, 6, 1)} | more)  # type: ignore[arg-type]


def plan(
    settings: Settings,
    turns: dict[str, JobTimes],
    *,
    now: datetime = NOW,
    far: FarScheduleFacts | None = None,
    running: frozenset[str] = frozenset(),
) -> SchedulePlan:
    jobs = {name: JobScheduleFacts(turns[name]) for name in settings.jobs}
    return plan_schedule(settings, ScheduleFacts(now, jobs, {"heron": far or FarScheduleFacts()}, running))


def settled(job: str, begun: datetime) -> JobTimes:
    return turn(job, begun=begun, ended=begun + timedelta(minutes=5), ending="settled")


def test_a_job_that_has_never_run_waits_for_its_first_time() -> None:
    settings = household({"photos": {}}, zone="UTC")
    assert plan(settings, {"photos": turn(since=NOW)}).runs == ()
    later = plan(settings, {"photos": turn(since=NOW)}, now=utc(2026, 6, 11, 1, 30))
    assert [one.job for one in later.runs] == ["photos"]


def test_times_missed_while_the_machine_was_off_are_one_run() -> None:
    settings = household({"photos": {}}, zone="UTC")
    assert len(plan(settings, {"photos": settled("photos", utc(2026, 6, 1, 1, 30))}).runs) == 1
    assert plan(settings, {"photos": settled("photos", NOW)}).runs == ()


def test_a_missed_run_waits_for_its_window_and_the_window_wakes_it() -> None:
    settings = household({"photos": {"window": "22:00-06:30"}}, zone="UTC")
    found = plan(settings, {"photos": settled("photos", utc(2026, 6, 1, 1, 30))})
    assert found.runs == ()
    assert [(one.why, one.until) for one in found.waits] == [("window", utc(2026, 6, 10, 22))]
    assert found.wake <= utc(2026, 6, 10, 22)
    opened = plan(settings, {"photos": settled("photos", utc(2026, 6, 1, 1, 30))}, now=utc(2026, 6, 10, 22))
    assert opened.runs[0].until == utc(2026, 6, 11, 6, 30)


def test_two_jobs_for_one_far_box_go_one_after_the_other_the_longer_owed_first() -> None:
    settings = household({"papers": {"at": "0 1 * * *"}, "photos": {"at": "0 2 * * *"}}, zone="UTC")
    begun = utc(2026, 6, 9, 3)
    found = plan(settings, {name: settled(name, begun) for name in settings.jobs})
    assert [one.job for one in found.runs] == ["papers"]
    assert [(one.job, one.why) for one in found.waits] == [("photos", "queue")]
    busy = plan(settings, {name: settled(name, begun) for name in settings.jobs}, far=FarScheduleFacts("its probe"))
    assert busy.runs == ()
    assert {one.job for one in busy.waits} == {"papers", "photos"}


def test_a_job_under_way_is_not_begun_again() -> None:
    settings = household({"photos": {}}, zone="UTC")
    old = {"photos": settled("photos", utc(2026, 6, 1))}
    assert plan(settings, old, running=frozenset({"photos"})).runs == ()


def test_two_far_boxes_do_not_wait_for_each_other() -> None:
    settings = household({"photos": {}, "papers": {"far": "wren"}}, zone="UTC", far={"heron": {}, "wren": {}})
    jobs = {name: JobScheduleFacts(settled(name, utc(2026, 6, 1))) for name in settings.jobs}
    far = {"heron": FarScheduleFacts(), "wren": FarScheduleFacts()}
    found = plan_schedule(settings, ScheduleFacts(NOW, jobs, far, frozenset()))
    assert {one.job for one in found.runs} == {"photos", "papers"}


# The month's allowance.

CAPPED = household(
    {"papers": {"importance": 9, "at": "0 3 * * *"}, "films": {"importance": 1, "at": "0 1 * * *"}},
    zone="America/St_Johns",
    far={"heron": {"month_gb": 100.0}},
)
OLD = {name: settled(name, utc(2026, 6, 8)) for name in CAPPED.jobs}


@pytest.mark.parametrize(("share", "first"), [(0.5, "films"), (0.8, "papers"), (0.99, "papers")])
def test_near_the_months_allowance_what_matters_most_goes_first(share: float, first: str) -> None:
    found = plan(CAPPED, OLD, far=FarScheduleFacts(month_bytes=int(share * 100 * GB)))
    assert [one.job for one in found.runs] == [first]
    assert found.runs[0].room == 100 * GB - int(share * 100 * GB)
    assert found.runs[0].month_ends == utc(2026, 7, 1, 2, 30), "what crosses after that counts for the next month"


def test_over_the_months_allowance_runs_wait_for_the_next_month_and_it_is_said() -> None:
    found = plan(CAPPED, OLD, far=FarScheduleFacts(month_bytes=100 * GB))
    assert found.runs == ()
    assert {one.why for one in found.waits} == {"month"}
    # St John's keeps 2.5 hours behind UTC in summer.
    assert {one.until for one in found.waits} == {utc(2026, 7, 1, 2, 30)}
    assert "used up" in wait_text(found.waits[0], CAPPED.zone)
    assert "Wed 1 July 2026, 00:00" in wait_text(found.waits[0], CAPPED.zone)


def test_months_begin_at_the_households_midnight() -> None:
    zone = CAPPED.zone
    assert month_begins(utc(2026, 7, 1, 2), zone) == utc(2026, 6, 1, 2, 30)
    assert next_month(utc(2026, 12, 31, 23), zone) == utc(2027, 1, 1, 3, 30)


# Tries.


def again(facts: JobScheduleFacts, tries: int = 4) -> tuple[datetime, int]:
    found = next_due(household({"photos": {"tries": tries}}, zone="UTC").jobs["photos"], facts, CAPPED.zone)
    return found.at, found.tries


BEGUN, ENDED = utc(2026, 6, 10, 5), utc(2026, 6, 10, 5, 2)


@pytest.mark.parametrize(("tries", "minutes"), [(1, 5), (2, 10), (3, 20)])
def test_pauses_between_tries_grow(tries: int, minutes: int) -> None:
    failed = turn(begun=BEGUN, ended=ENDED, ending="unreached", tries=tries)
    assert again(JobScheduleFacts(failed)) == (ENDED + timedelta(minutes=minutes), tries)


def test_pauses_stop_growing_at_an_hour() -> None:
    assert retry_pause(99) == timedelta(hours=1)
    assert retry_pause(0) == retry_pause(1)


def test_after_the_last_try_the_next_time_or_an_answer_of_the_far_box_is_awaited() -> None:
    failed = turn(begun=BEGUN, ended=ENDED, ending="unreached", tries=4)
    assert again(JobScheduleFacts(failed)) == (utc(2026, 6, 11, 4), 0)  # 01:30 at St John's
    answered = ENDED + timedelta(hours=6)
    assert again(JobScheduleFacts(failed, answered=answered)) == (answered, 0)
    assert again(JobScheduleFacts(failed, answered=ENDED)) == (utc(2026, 6, 11, 4), 0)


def test_the_next_time_begins_a_new_count_of_tries() -> None:
    failed = turn(begun=utc(2026, 6, 10, 3, 58), ended=utc(2026, 6, 10, 3, 59), ending="unreached", tries=3)
    assert again(JobScheduleFacts(failed)) == (utc(2026, 6, 10, 4), 0)


def test_a_killed_run_is_taken_up_again_without_a_last_try_but_not_in_a_tight_loop() -> None:
    killed = turn(begun=BEGUN, tries=7)
    assert again(JobScheduleFacts(killed)) == (BEGUN + timedelta(hours=1), 7)
    assert again(JobScheduleFacts(turn(begun=BEGUN, tries=1))) == (BEGUN + timedelta(minutes=5), 1)


def test_a_run_that_was_cut_goes_on_as_soon_as_it_may() -> None:
    assert again(JobScheduleFacts(turn(begun=BEGUN, ended=ENDED, ending="cut"))) == (ENDED + timedelta(minutes=1), 0)


def test_work_that_somebody_else_was_at_is_tried_again_soon_and_not_counted() -> None:
    busy = turn(begun=BEGUN, ended=ENDED, ending="busy")
    assert again(JobScheduleFacts(busy)) == (ENDED + timedelta(minutes=5), 0)
    found = plan(household({"photos": {}}, zone="UTC"), {"photos": busy}, now=ENDED + timedelta(minutes=1))
    (wait,) = found.waits
    assert found.runs == ()
    assert found.wake <= ENDED + timedelta(minutes=5)
    assert wait_text(wait, ZoneInfo("UTC")).startswith("waits for a run that was started by hand; looks again at ")


def test_a_run_by_hand_deals_with_the_times_before_it() -> None:
    failed = turn(begun=BEGUN, ended=ENDED, ending="unreached", tries=1)
    assert again(JobScheduleFacts(failed, good=ENDED + timedelta(minutes=1))) == (utc(2026, 6, 11, 4), 0)


def test_a_run_that_was_committed_and_then_killed_is_not_run_again() -> None:
    assert again(JobScheduleFacts(turn(begun=BEGUN, tries=1), good=BEGUN)) == (utc(2026, 6, 11, 4), 0)


def test_a_released_job_is_owed_at_once() -> None:
    held = turn(begun=BEGUN, ended=ENDED, ending="settled")
    released = ENDED + timedelta(hours=3)
    assert again(JobScheduleFacts(held, released=released)) == (released, 0)
    assert again(JobScheduleFacts(held, released=BEGUN - timedelta(days=1))) == (utc(2026, 6, 11, 4), 0)


def test_a_refused_login_is_not_tried_again_until_the_next_time() -> None:
    assert again(JobScheduleFacts(turn(begun=BEGUN, ended=ENDED, ending="settled"))) == (utc(2026, 6, 11, 4), 0)


# Turns over changed settings and wrong clocks.


def test_a_time_that_was_only_just_written_down_is_not_missed() -> None:
    known = JobTimes(
        "photos", "0 23 * * * UTC", utc(2026, 6, 1), begun=utc(2026, 6, 9, 23), ended=NOW, ending="settled"
    )
    changed = current_times(known, "photos", "30 1 * * * UTC", NOW)
    assert changed.since == NOW
    job = household({"photos": {}}, zone="UTC").jobs["photos"]
    assert next_due(job, JobScheduleFacts(changed), household({}, zone="UTC").zone).at == utc(2026, 6, 11, 1, 30)


def test_a_clock_that_was_years_ahead_does_not_stop_a_job_for_years() -> None:
    wrong = JobTimes("photos", "t", utc(2026, 6, 1), begun=utc(2038, 1, 19), ended=utc(2038, 1, 19), ending="settled")
    assert current_times(wrong, "photos", "t", NOW) == JobTimes("photos", "t", NOW)


def test_a_clock_that_stepped_back_a_little_does_not_run_a_job_twice() -> None:
    done = JobTimes("photos", "t", utc(2026, 6, 1), begun=NOW + timedelta(seconds=5), ended=NOW, ending="settled")
    assert current_times(done, "photos", "t", NOW) == done


def test_a_window_that_was_changed_ends_a_run_under_way_at_once() -> None:
    job = household({"photos": {"window": "22:00-06:30"}}, zone="UTC").jobs["photos"]
    assert window_end(job, NOW, household({}, zone="UTC").zone) == NOW
    assert window_end(job, utc(2026, 6, 10, 23), household({}, zone="UTC").zone) == utc(2026, 6, 11, 6, 30)


def test_the_next_wake_is_always_ahead() -> None:
    settings = household({"photos": {"window": "22:00-06:30"}, "papers": {}}, zone="UTC")
    for hour in range(48):
        now = utc(2026, 6, 10) + timedelta(hours=hour)
        found = plan(settings, {name: settled(name, utc(2026, 6, 1)) for name in settings.jobs}, now=now)
        assert now < found.wake <= now + timedelta(hours=12)


# What a person wishes.


def wished(settings: Settings, turns: dict[str, JobTimes], *jobs: str, month: int = 0) -> SchedulePlan:
    facts = {
        name: JobScheduleFacts(turns[name], wish=RunWish(name, f"wish-{name}", NOW) if name in jobs else None)
        for name in settings.jobs
    }
    far = {"heron": FarScheduleFacts(month_bytes=month)}
    return plan_schedule(settings, ScheduleFacts(NOW, facts, far, frozenset()))


def test_what_a_person_wishes_begins_outside_its_window_and_its_months_allowance_and_before_what_is_owed() -> None:
    settings = household(
        {"papers": {}, "photos": {"window": "22:00-06:30"}}, zone="UTC", far={"heron": {"month_gb": 100.0}}
    )
    turns = {"papers": settled("papers", utc(2026, 6, 1)), "photos": settled("photos", NOW)}
    (start,) = wished(settings, turns, "photos").runs
    assert (start.job, start.until, start.room, start.month_ends) == ("photos", None, None, None)
    assert start.wish is not None
    assert start.wish.token == "wish-photos"
    over = wished(settings, turns, "photos", month=200 * GB)
    assert [one.job for one in over.runs] == ["photos"]
    assert [(one.job, one.why) for one in over.waits] == [("papers", "month")]


def test_who_waits_behind_a_run_is_told_which() -> None:
    settings = household({"papers": {}, "photos": {}}, zone="UTC")
    found = wished(settings, {name: settled(name, NOW) for name in settings.jobs}, "papers", "photos")
    assert [one.job for one in found.runs] == ["papers"]
    assert [wait_text(one, settings.zone) for one in found.waits] == [
        "waits for the run of papers with the same far box"
    ]


def test_a_wish_that_comes_in_the_middle_of_a_run_waits_for_its_end_and_is_told_so() -> None:
    settings = household({"papers": {}}, zone="UTC")
    facts = {"papers": JobScheduleFacts(settled("papers", NOW), wish=RunWish("papers", "wish", NOW))}
    far = {"heron": FarScheduleFacts("its probe")}
    found = plan_schedule(settings, ScheduleFacts(NOW, facts, far, frozenset({"papers"})))
    assert (found.runs, [one.behind for one in found.waits]) == ((), ["the run of papers"])
