"""Going back to a moment: by the time that a listing proves; what home knows and the far box hides is told."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock, stamp
from otherroof.base.errors import Damaged, WrongUse
from otherroof.far_copy.listing import Header, header_in
from otherroof.jobs.restore import LOST, RestoreRequest, list_versions, restore, restore_dry
from support.main_job import OneJob, one_job
from support.simulated import utc

DAYS = {8: "Monday", 9: "Tuesday", 10: "Wednesday", 11: "Thursday", 12: "Friday"}  # of June 2026


@pytest.fixture
def job(tmp_path: Path) -> Iterator[OneJob]:
    with one_job(tmp_path) as made:
        yield made


def run_on(job: OneJob, moment: datetime, content: str) -> str:
    job.clock = SteppedClock(moment)
    job.put("page", content)
    ran = job.run()  # the far clock, which is right, is told as wrong
    assert ran.error is None, ran.error
    assert ran.report.files.problems == 0
    return ran.report.run


def page(job: OneJob, as_of: str) -> tuple[str, list[str]]:
    """What comes back, and what is said of it."""
    found, back = job.restore(as_of)
    assert found.damaged == []
    return (back / "page").read_text(), [problem.why for problem in found.problems]


def a_week(job: OneJob) -> dict[str, str]:
    return {name: run_on(job, utc(2026, 6, day, 10), name) for day, name in DAYS.items()}


def test_one_night_with_a_clock_ahead_hides_no_later_day(job: OneJob) -> None:
    """Invariant 9."""
    run_on(job, utc(2026, 6, 8, 10), "Monday")
    run_on(job, utc(2031, 1, 1, 1), "Tuesday, with a wrong clock")
    for day in (10, 11):
        assert run_on(job, utc(2026, 6, day, 10), DAYS[day]).startswith("2031-")
    assert page(job, "2026-06-11") == ("Thursday", [])
    assert page(job, "2026-06-10") == ("Wednesday", [])
    assert page(job, "2026-06-09T12:00Z") == ("Monday", [])
    assert page(job, "") == ("Thursday", [])
    assert [f"{version.taken:%Y-%m-%d}" for version in list_versions(job.settings, "papers")][:2] == [
        "2026-06-11",
        "2026-06-10",
    ]


def test_a_night_with_a_clock_ahead_is_gone_back_to_though_the_history_before_later_days_is_lost(job: OneJob) -> None:
    """The far box shows those days, so nothing of them is hidden."""
    run_on(job, utc(2031, 1, 1, 1), "Tuesday, with a wrong clock")
    Path(job.settings.ledger).unlink()
    for day in (10, 11):
        run_on(job, utc(2026, 6, day, 10), DAYS[day])
    assert page(job, "2031-06-01") == ("Tuesday, with a wrong clock", [])
    assert page(job, "2026-06-11") == ("Thursday", [])


def test_a_folder_of_the_future_made_by_the_far_box_hides_no_later_day(job: OneJob) -> None:
    """Invariant 5."""
    run_on(job, utc(2026, 6, 8, 10), "Monday")
    (job.far / "earlier" / "2099-01-01T000000Z-0000").mkdir(parents=True)
    for day in (9, 10, 11):
        run_on(job, utc(2026, 6, day, 10), DAYS[day])
    assert page(job, "2026-06-11") == ("Thursday", [])
    assert page(job, "2026-06-09") == ("Tuesday", [])


@pytest.mark.parametrize("as_of", ["", "2026-06-11T12:00Z"])
def test_a_far_box_that_shows_an_old_state_is_told(job: OneJob, as_of: str) -> None:
    """Invariant 5: also if a moment was asked for, and if a later name stands there."""
    runs = {"Monday": run_on(job, utc(2026, 6, 8, 10), "Monday")}
    kept = job.where / "kept"
    shutil.copytree(job.far, kept)
    for day in (9, 10, 11):
        runs[DAYS[day]] = run_on(job, utc(2026, 6, day, 10), DAYS[day])
    shutil.rmtree(job.far)
    shutil.copytree(kept, job.far)
    for later in (False, True):
        if later:
            (job.far / "runs" / "2026-06-20T000000Z-0000.jsonl.gz").write_bytes(b"")
        if later and not as_of:
            with pytest.raises(Damaged):
                page(job, as_of)
            continue
        content, (why,) = page(job, as_of)
        assert content == "Monday"
        assert runs["Thursday"] in why
        assert LOST in why
    assert (runs["Thursday"], LOST) in [(one.run, one.flaw) for one in list_versions(job.settings, "papers")]
    assert page(job, "2026-06-08T12:00Z") == ("Monday", []), "up to then nothing else had counted"


def test_on_a_new_machine_a_run_that_somebody_wrote_down_shows_an_old_state(job: OneJob) -> None:
    """Invariant 5: there is no history at home that would know of it."""
    run_on(job, utc(2026, 6, 8, 10), "Monday")
    kept = job.where / "kept"
    shutil.copytree(job.far, kept)
    tuesday = run_on(job, utc(2026, 6, 9, 10), "Tuesday")
    job.forget_state()
    into = job.where / "back"
    shown = restore(job.settings, RestoreRequest("papers", bytes(into / "1"), newest=tuesday))
    assert shown.problems == []
    shutil.rmtree(job.far)
    shutil.copytree(kept, job.far)
    assert restore(job.settings, RestoreRequest("papers", bytes(into / "2"))).problems == [], "nobody could know"
    (told,) = restore(job.settings, RestoreRequest("papers", bytes(into / "3"), newest=tuesday)).problems
    assert tuesday in told.why
    assert LOST in told.why
    assert (tuesday, LOST) in [(one.run, one.flaw) for one in list_versions(job.settings, "papers", tuesday)]
    with pytest.raises(WrongUse, match="not a run's id"):
        list_versions(job.settings, "papers", tuesday[:-1])


def test_a_listing_under_another_runs_name_is_refused(job: OneJob) -> None:
    """Invariant 5: the far box cannot hide Thursday by giving it another day's listing."""
    runs = a_week(job)
    shutil.copyfile(job.listing(runs["Friday"]), job.listing(runs["Thursday"]))
    with pytest.raises(Damaged, match="otherroof versions"):
        page(job, "2026-06-11T12:00Z")
    assert page(job, "2026-06-10T12:00Z") == ("Wednesday", [])


@pytest.mark.parametrize("claimed", [utc(2026, 6, 8, 11), utc(2026, 6, 20)])
def test_a_listing_that_shows_one_time_and_proves_another_is_refused_or_told(
    job: OneJob, claimed: datetime, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Invariant 5: a far box may answer a look at the beginning otherwise than a reading of the whole."""
    runs = a_week(job)

    def lying(head: bytes, where: str) -> Header:
        header = header_in(head, where)
        return replace(header, taken=stamp(claimed)) if header.run == runs["Thursday"] else header

    monkeypatch.setattr("otherroof.layouts.open.job_folder.header_in", lying)
    if claimed < utc(2026, 6, 11):
        with pytest.raises(Damaged, match="another time"):
            page(job, "2026-06-08T12:00Z")
    content, (why,) = page(job, "2026-06-11T12:00Z")
    assert content == "Wednesday"
    assert runs["Thursday"] in why


def test_a_week_comes_back_day_by_day(job: OneJob) -> None:
    a_week(job)
    for day, name in DAYS.items():
        assert page(job, f"2026-06-{day:02}T12:00Z") == (name, [])


def test_a_time_as_it_is_shown_brings_that_version_back(job: OneJob) -> None:
    run_on(job, utc(2026, 6, 8, 8, 54), "early")
    run_on(job, utc(2026, 6, 8, 8, 59) + timedelta(seconds=20), "late")
    run_on(job, utc(2026, 6, 8, 9, 0), "later")
    shown = utc(2026, 6, 8, 8, 59).astimezone(job.settings.zone)
    assert page(job, f"{shown:%Y-%m-%d %H:%M}") == ("late", [])
    assert page(job, f"{shown:%Y-%m-%d}") == ("later", [])
    assert page(job, f"{shown:%Y-%m-%d %H:%M}:19") == ("early", [])


def test_a_dry_restore_says_that_a_version_is_not_the_newest(job: OneJob) -> None:
    """Invariant 5."""
    run_on(job, utc(2026, 6, 8, 10), "Monday")
    kept = job.where / "kept"
    shutil.copytree(job.far, kept)
    tuesday = run_on(job, utc(2026, 6, 9, 10), "Tuesday")
    request = RestoreRequest("papers", bytes(job.where / "back"))
    assert restore_dry(job.settings, request).problems == []
    shutil.rmtree(job.far)
    shutil.copytree(kept, job.far)
    (told,) = restore_dry(job.settings, request).problems
    assert tuesday in told.why
    assert LOST in told.why
