"""A promise that a job's own times cannot keep would cry wolf for ever."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from otherroof.settings import read_parts
from otherroof.settings.promises import longest_pause, promises_that_cannot_be_kept
from support.household import write_household


@pytest.mark.parametrize(
    ("at", "hours"),
    [
        ("30 1 * * *", 25),  # the night in autumn
        ("0 * * * *", 1),
        ("*/5 8-18 * * *", 13 + 5 / 60),  # so many times a day: the first weeks of the year tell
        ("0 4 * * 0", 7 * 24 + 1),
        ("0 4 1 * *", 31 * 24 + 1),
        ("0 0 1,15 * 1", 7 * 24 + 1),  # each Monday too
        ("0 4 1 1 *", 365 * 24),
        ("0 4 29 2 *", 430 * 24),  # once in four years: at least as long as is looked at
    ],
)
def test_the_longest_pause_is_found(at: str, hours: float) -> None:
    assert longest_pause(at, ZoneInfo("Europe/Berlin")) == timedelta(hours=hours)


def test_a_weekly_job_with_the_usual_promise_is_a_mistake(tmp_path: Path) -> None:
    weekly = 'at = "30 1 * * 0"\n'
    write_household(tmp_path, jobs={"daily": "", "weekly": weekly, "patient": weekly + "promise_hours = 200\n"})
    for name in ("weekly", "patient"):
        path = tmp_path / "jobs" / f"{name}.toml"
        path.write_text(path.read_text().replace('at = "30 1 * * *"\n', "", 1))
    (found,) = promises_that_cannot_be_kept(read_parts(str(tmp_path)))
    assert found.file.endswith("jobs/weekly.toml")
    assert found.line().endswith(
        "promise_hours: 48 h is promised, but 7 d 1 h can pass from one time of at to the next; "
        "more than 169 h with some time for the run, or more times in at"
    )


def test_settings_without_a_home_are_judged_all_the_same(tmp_path: Path) -> None:
    write_household(tmp_path, jobs={"daily": "promise_hours = 20\n"})
    (tmp_path / "otherroof.toml").write_text("nothing of TOML")
    (found,) = promises_that_cannot_be_kept(read_parts(str(tmp_path)))
    assert "20 h is promised, but 1 d can pass" in found.line()
