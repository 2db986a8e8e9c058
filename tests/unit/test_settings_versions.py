"""`[versions]`: what a household may write, what it means for each job, and how a mistake in it is named."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from otherroof.settings import read_parts, require_settings
from otherroof.settings.versions import Age, Versions, spacing_lines
from support.household import write_household

IN_MAIN = """
[versions]
at_least = 4
thin_wait_days = 3
[versions.spacing]
"1 year" = "one a week"
"7 days" = "every run"
"""


def household(where: Path, main: str = "", job: str = "") -> str:
    folder = write_household(where, jobs={"photos": job, "letters": ""})
    path = where / "otherroof.toml"
    path.write_text(path.read_text() + main)
    return folder


def test_without_a_word_every_version_stays(tmp_path: Path) -> None:
    versions = require_settings(household(tmp_path)).jobs["photos"].versions
    assert (versions.lines, versions.at_least, versions.thin_wait_days) == ((), 10, 7)


def test_main_file_holds_for_every_job_and_a_jobs_own_words_come_first(tmp_path: Path) -> None:
    own = '[versions]\nat_least = 30\n[versions.spacing]\n"2 years" = "one a month"\n'
    jobs = require_settings(household(tmp_path, IN_MAIN, own)).jobs
    assert jobs["letters"].versions == Versions(
        at_least=4, thin_wait_days=3, spacing={"1 year": "one a week", "7 days": "every run"}
    )
    assert jobs["photos"].versions == Versions(at_least=30, thin_wait_days=3, spacing={"2 years": "one a month"})
    assert [line.spacing for line in jobs["letters"].versions.lines] == ["every run", "one a week"], "by age"


@pytest.mark.parametrize(
    ("lines", "key", "wrong"),
    [
        ('spacing."a week" = "every run"', "versions.spacing", "'a week' is not an age; such as \"7 days\""),
        ('spacing."0 days" = "every run"', "versions.spacing", "is not an age"),
        ('spacing."7 days" = "one a dya"', "versions.spacing", "perhaps 'one a day' is meant"),
        ('spacing."7 days" = "often"', "versions.spacing", "one of these is wanted: every run, one a day"),
        ('spacing."7 days" = "every run"\nspacing."1 week" = "one a day"', "versions.spacing", "are the same age"),
        ('spacing."12 months" = "every run"\nspacing."1 year" = "one a day"', "versions.spacing", "are the same age"),
        ('spacing."7 days" = "one a week"\nspacing."1 year" = "one a day"', "versions.spacing", "closer together"),
        ("at_least = 0", "versions.at_least", "at least 1"),
        ("thin_wait_days = 0", "versions.thin_wait_days", "at least 1"),
        ("at_last = 3", "versions.at_last", "not a key"),
        ("spacing = 3", "versions.spacing", "a table is wanted"),
    ],
)
def test_mistake_is_named_in_the_main_file_and_in_a_jobs(tmp_path: Path, lines: str, key: str, wrong: str) -> None:
    for number, (main, job) in enumerate([(f"[versions]\n{lines}\n", ""), ("", f"[versions]\n{lines}\n")]):
        found = read_parts(household(tmp_path / str(number), main, job)).mistakes
        assert [mistake.key for mistake in found] == [key]
        assert wrong in found[0].line()
        assert found[0].file.endswith("photos.toml" if job else "otherroof.toml")


@pytest.mark.parametrize(
    ("text", "day", "before"),
    [
        ("7 days", date(2028, 3, 3), date(2028, 2, 25)),
        ("1 day", date(2028, 3, 1), date(2028, 2, 29)),
        ("8 weeks", date(2028, 3, 1), date(2028, 1, 5)),
        ("1 month", date(2028, 3, 31), date(2028, 2, 29)),
        ("13 months", date(2028, 3, 31), date(2027, 2, 28)),
        ("1 year", date(2028, 2, 29), date(2027, 2, 28)),
        ("9999 years", date(2028, 2, 29), date(1, 1, 1)),
        ("9999 weeks", date(28, 2, 28), date(1, 1, 1)),
    ],
)
def test_age_is_counted_on_the_calendar(text: str, day: date, before: date) -> None:
    assert Age.parse(text).before(day) == before


def test_lines_of_an_age_by_age_that_is_written_in_any_order() -> None:
    table = {"5 years": "one a month", "30 days": "one a day", "1 month": "one a week"}
    assert [line.age for line in spacing_lines(table)] == [Age(30, "day"), Age(1, "month"), Age(5, "year")]
