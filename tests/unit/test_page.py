"""The page: what its charts say in shapes and in words, what it may run, and how the service keeps it fresh."""

from __future__ import annotations

import base64
import hashlib
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import HomeTrouble
from otherroof.cli.main import main
from otherroof.ledger import Ledger
from otherroof.schedule.chores import Chore, ChoreFacts, ChoreInputs, service_chores
from otherroof.settings import Settings, require_settings
from otherroof.settings.machine_checks import check_machine
from otherroof.watch.digest.nights import nights_of
from otherroof.watch.digest.values import Night as NightCame
from otherroof.watch.page.nights import night_chart
from otherroof.watch.page.render import AGE_SCRIPT
from otherroof.watch.page.svg import HIGHEST, SLIVER, LogScale
from support.household import write_household
from support.screens import HOUSEHOLDS, lived, pages
from support.watching import NOW, ZONE, Night, row, write_run

TO = date(2031, 3, 6)


def came(*rows: tuple[str, Night], first_good: dict[str, datetime | None] | None = None) -> NightCame:
    """What last night came to by these runs, job by job."""
    at = NOW - timedelta(hours=8)
    known = dict.fromkeys((name for name, _ in rows), datetime(2030, 1, 1, tzinfo=UTC)) | (first_good or {})
    (night,) = nights_of([row(at, night, name) for name, night in rows], NOW, ZONE, 1, known)
    return night


def test_a_night_on_which_one_job_failed_is_not_painted_good() -> None:
    night = came(("photos", Night(sent=5)), ("server", Night("failed", sent=2)))
    assert (night.state, night.lacking, night.sent, night.good) == ("part", ("server",), 7, False)
    chart = night_chart([night], "all jobs")
    assert '<g class="part">' in chart.shape and 'class="mark"' in chart.shape
    assert chart.wrong == "no good copy in 1 of 1 night: Thu 6 Mar (server)"


def test_a_night_on_which_all_failed_fills_its_column() -> None:
    night = came(("photos", Night("failed", sent=0)), ("server", Night("held", sent=0)))
    assert (night.state, night.lacking) == ("bad", ("photos", "server"))
    assert 'class="wrong"' in night_chart([night], "all jobs").shape


def test_of_several_tries_of_a_night_the_best_counts() -> None:
    assert came(("photos", Night("failed", sent=0)), ("photos", Night())).state == "good"
    assert came(("photos", Night()), ("photos", Night("failed", sent=0))).state == "good"


def test_a_night_of_a_first_copy_is_a_part_of_it_and_not_marked_as_wrong() -> None:
    cut = Night("cut", sent=4_000_000_000)
    night = came(("photos", cut), ("server", Night()), first_good={"photos": None})
    assert (night.state, night.lacking) == ("building", ())
    chart = night_chart([night], "all jobs")
    assert chart.wrong == "" and "mark" not in chart.shape
    # Cut before it sent anything, or cut once there is a copy: that is no part of a first one.
    assert came(("photos", Night("cut", sent=0)), first_good={"photos": None}).state == "bad"
    assert came(("photos", cut)).state == "bad"


def test_without_a_run_there_is_no_bar() -> None:
    night = came()
    assert (night.state, night.good) == ("none", None)


@given(st.lists(st.integers(0, 10**13), min_size=1, max_size=91))
def test_bars_stand_in_the_order_of_their_bytes_and_between_the_marks(sent: list[int]) -> None:
    scale = LogScale.of(sent)
    heights = [scale.height(one) for one in sorted(sent)]
    assert heights == sorted(heights)
    assert all(SLIVER <= height <= HIGHEST for height in heights)
    assert len(scale.marks) >= 2
    for value, height in scale.marks:
        assert scale.height(value) == pytest.approx(max(height, SLIVER))
    assert [a[0] / b[0] for a, b in zip(scale.marks, scale.marks[1:], strict=False)] == pytest.approx(
        [10] * (len(scale.marks) - 1)
    )


def test_one_big_night_does_not_flatten_the_rest() -> None:
    usual, busy, big = 120_000_000, 480_000_000, 380_000_000_000
    scale = LogScale.of([*[usual] * 60, busy, big])
    assert scale.height(usual) > HIGHEST / 5
    assert scale.height(busy) - scale.height(usual) > HIGHEST / 10


def test_a_chart_says_in_words_and_figures_what_it_shows() -> None:
    days = [TO - timedelta(days=back) for back in range(3, -1, -1)]
    nights = [
        NightCame(days[0], 0, "none"),
        NightCame(days[1], 1_000_000, "good"),
        NightCame(days[2], 0, "bad", ("photos",)),
        NightCame(days[3], 3_000_000, "good"),
    ]
    chart = night_chart(nights, "job photos")
    assert chart.figures == "last night: 3.00 MB, good copy; usual: 1.00 MB (median); most: 3.00 MB on Thu 6 Mar"
    assert chart.wrong == "no good copy in 1 of 3 nights: Wed 5 Mar"
    # Nothing from before the first run.
    assert chart.rows == [
        ("Thu 6 Mar", "3.00 MB", "good copy"),
        ("Wed 5 Mar", "0 B", "no good copy"),
        ("Tue 4 Mar", "1.00 MB", "good copy"),
    ]


@pytest.mark.parametrize("name", HOUSEHOLDS)
def test_the_page_runs_one_script_pinned_by_its_digest_and_says_until_when_it_is_fresh(name: str) -> None:
    with lived(name) as household:
        shown, _ = pages(*household)
    assert re.findall(r"<script[^>]*>(.*?)</script>", shown) == [AGE_SCRIPT]
    digest = base64.b64encode(hashlib.sha256(AGE_SCRIPT.encode()).digest()).decode()
    assert f"script-src 'sha256-{digest}'" in shown
    assert re.findall(r" on[a-z]+=", shown) == []
    assert 'data-fresh-until="2031-03-07T12:00:00Z"' in shown


def household(where: Path, folder: Path | None) -> Settings:
    more = f'[page]\nfolder = "{folder}"\n' if folder is not None else ""
    return require_settings(write_household(where, more=more))


def page_chore(settings: Settings) -> list[Chore]:
    return [chore for chore in service_chores(SteppedClock(NOW))(settings) if chore.name == "page"]


def test_the_service_writes_the_page_each_hour_and_soon_after_something_happened(tmp_path: Path) -> None:
    (tmp_path / "www").mkdir()
    settings = household(tmp_path, tmp_path / "www")
    (chore,) = page_chore(settings)

    def due(rested_s: float, *, news: bool) -> timedelta:
        moment = chore.due(ChoreFacts(NOW, settings, {}, rested_s, news))
        assert moment is not None
        return moment - NOW

    assert due(3600, news=False) == timedelta(0)
    assert due(1800, news=False) == timedelta(minutes=30)
    assert due(60, news=True) == timedelta(0)
    assert due(20, news=True) == timedelta(seconds=40)
    assert chore.due(ChoreFacts(NOW, settings, None)) is None
    with Ledger(settings.ledger) as ledger:
        write_run(ledger, NOW - timedelta(hours=8))
    chore.do(ChoreInputs(settings))
    assert (tmp_path / "www" / "index.html").stat().st_mode & 0o777 == 0o644
    assert "Safe: the one copy is recent" in (tmp_path / "www" / "index.html").read_text()


def test_without_the_setting_no_page_is_written(tmp_path: Path) -> None:
    assert page_chore(household(tmp_path, None)) == []


def test_a_folder_that_is_not_there_is_not_made_by_the_service_and_named_by_check(tmp_path: Path) -> None:
    settings = household(tmp_path, tmp_path / "gone")
    (chore,) = page_chore(settings)
    with pytest.raises(HomeTrouble, match="ReadWritePaths="):
        chore.do(ChoreInputs(settings))
    assert not (tmp_path / "gone").exists()
    assert [mistake.key for mistake in check_machine(settings)] == ["page.folder"]


def test_the_verb_writes_where_the_settings_say_unless_another_folder_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def told(*argv: str) -> str:
        with pytest.raises(SystemExit):
            main(["page", "--config", str(tmp_path), *argv])
        return "".join(capsys.readouterr())

    (tmp_path / "www").mkdir()
    household(tmp_path, tmp_path / "www")
    assert str(tmp_path / "www" / "index.html") in told()
    assert (tmp_path / "www" / "index.html").exists()
    told("--out", str(tmp_path / "other"))
    assert (tmp_path / "other" / "index.html").exists()
    household(tmp_path, None)
    assert "`--out DIR`" in told()
