"""What NIST SP 800-53r5 asks in CP-9(1), (2) and (7), and SP 800-34r1 of the time to recover, by name, on a copy."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.schedule.chores import service_chores
from support.drills import drill_rows, drilled, left_over
from support.main_job import JOB, OneJob
from support.outside import outside
from support.thinned_household import thinned_household
from support.verbs import two_files_and_a_link

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

CP9 = "NIST SP 800-53r5"


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with two_files_and_a_link(tmp_path) as made:
        made.done()
        yield made


@outside(
    CP9,
    "CP-9(1), testing for reliability and integrity",
    "drills and proofs are on a schedule",
    value="read",
    main=True,
)
def test_cp_9_1_copies_are_tested_on_a_schedule(job: OneJob) -> None:
    assert job.settings.jobs[JOB].drill_days > 0, "without a word in the settings"
    names = {chore.name for chore in service_chores(SystemClock())(job.settings)}
    assert {f"drill {JOB}", f"prove {JOB}"} <= names


@outside(
    CP9,
    "CP-9(1), testing for reliability and integrity",
    "a spoiled copy does not pass its test",
    value="read",
    main=True,
)
def test_cp_9_1_a_copy_that_is_spoiled_does_not_pass(job: OneJob) -> None:
    assert drilled(job).wrong == []
    (job.latest / "a").write_bytes(b"FIRST a")
    assert [one.path for one in drilled(job).wrong] == ["a"]
    assert [row.outcome for row in drill_rows(job)] == ["damaged", "whole"]


@outside(
    CP9, "CP-9(2), test restoration using sampling", "a random sample is restored and compared", value="read", main=True
)
def test_cp_9_2_a_sample_is_restored_and_compared(job: OneJob) -> None:
    for number in range(40):
        job.put(f"many/{number}", bytes([number]) * 9_000)
    job.done()
    for seed in range(2):
        found = drilled(job, most=200_000, seed=seed)
        assert 0 < found.files < found.sums.files
        assert found.compared.same_at_home == found.files, "each one was held against the file at home"
    assert left_over(job) == []


@outside(
    "NIST SP 800-34r1",
    "§3.2.1, recovery time objective",
    "a drill's measured time beside the promise",
    value="read",
    main=True,
)
def test_recovery_time_is_measured_and_stands_beside_the_promise(job: OneJob) -> None:
    back = drilled(job).back
    assert back is not None
    assert 0 < back.soonest <= back.seconds <= back.latest
    figures = drill_rows(job)[0].figures
    assert figures.back_s == pytest.approx(back.seconds)


@outside(
    CP9,
    "CP-9(7), dual authorization for deletion or destruction",
    "a version goes by a second word alone, days after the first",
    value="from memory",
    main=True,
)
def test_cp_9_7_nothing_is_deleted_by_one_word(tmp_path: Path) -> None:
    with thinned_household(tmp_path) as home:
        for day in range(5):
            home.job.put("letter", f"day {day}")
            home.day()
        home.thin("show")
        assert (home.notes(), home.versions()) == ([], home.runs), "the look changes nothing"
        home.thin()
        assert home.notes() == home.runs[:2]
        assert home.versions() == home.runs, "the first word writes down what is to go"
        home.thin("recall")
        home.clock.step(90 * 86_400)
        home.thin()
        assert home.versions() == home.runs, "what was taken back waits anew"
        home.clock.step(2 * 86_400)
        home.thin()
        assert not set(home.runs[:2]) & set(home.versions()), "the second word, after the wait"
        home.all_that_stay_come_back()
