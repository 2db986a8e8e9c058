"""What the watch makes of drills: when a copy would come back too slowly, and when what came back is of no use."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from otherroof.ledger import Ledger
from otherroof.ledger.drills import DrillFigures, DrillRow
from otherroof.watch.drills import drill_text
from otherroof.watch.facts import Finding
from otherroof.watch.rules import findings
from support.watching import DAY, HOUR, NOW, ZONE, facts, job, run_id

FIGURES = DrillFigures(
    files=412,
    size=480_000_000,
    of_files=41_000,
    of_size=1_200_000_000_000,
    back_s=123 * 3600.0,
    soonest_s=96 * 3600.0,
    latest_s=168 * 3600.0,
)
ROW = DrillRow("photos", "heron", NOW - 3 * DAY, False, "r", NOW - 3 * DAY, "whole", "", FIGURES)


def found(drilled: DrillRow | None, hours: float = 72, *standing: str) -> dict[str, Finding]:
    given = facts(jobs=(job(drilled=drilled, back_within=hours * HOUR),), standing=frozenset(standing))
    return {one.key: one for one in findings(given)}


def test_copy_that_comes_back_too_slowly_is_told_with_what_would_help() -> None:
    one = found(ROW)["too_slow:photos"]
    assert "1.20 TB" in one.headline
    assert "about 5 d 3 h (between 4 d and 7 d)" in one.headline
    assert "wanted within 3 d" in one.headline
    assert "fetch the disk of far box heron home" in one.help
    assert "about 3 h 20 min" in one.help, "1.2 TB at 100 MB/s"
    assert "someone else's home" in one.help


def test_nobody_is_told_if_it_is_soon_enough_or_no_matter_or_not_known() -> None:
    assert found(ROW, 124) == {}
    assert found(ROW, 0) == {}
    assert found(None) == {}
    assert found(replace(ROW, figures=replace(FIGURES, back_s=None))) == {}


def test_alert_that_stands_ends_only_clear_of_the_edge() -> None:
    assert "too_slow:photos" in found(ROW, 130, "too_slow:photos")
    assert "too_slow:photos" not in found(ROW, 130)
    assert "too_slow:photos" not in found(ROW, 155, "too_slow:photos")


def test_check_that_failed_is_told_until_one_passes() -> None:
    failed = replace(ROW, figures=replace(FIGURES, check_code=3, check_said="the index is broken"))
    one = found(failed, 0)["check_failed:photos"]
    assert "ended with 3: the index is broken" in one.headline
    assert "`otherroof drill photos`" in one.help
    assert found(replace(ROW, figures=replace(FIGURES, check_code=0)), 0) == {}


@pytest.mark.parametrize(
    ("row", "within_s", "text"),
    [
        (None, 0.0, "never drilled yet"),
        (
            ROW,
            72 * 3600.0,
            "last drill Mon 3 March 2031, 08:30: 412 of 41,000 files came back; all would take about 5 d 3 h (between "
            "4 d and 7 d), wanted within 3 d",
        ),
        (
            replace(ROW, figures=replace(FIGURES, damaged=2, back_s=None, check_code=9)),
            0.0,
            "last drill Mon 3 March 2031, 08:30: 412 of 41,000 files came back, 2 damaged; the check of them ended "
            "with 9",
        ),
    ],
)
def test_one_line_says_when_what_and_how_long(row: DrillRow | None, within_s: float, text: str) -> None:
    assert drill_text(row, within_s, ZONE) == text


# -- the ledger's page --


def test_page_gives_back_what_was_written_and_marks_a_killed_drill_as_cut(tmp_path: Path) -> None:
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        first = DrillRow("photos", "heron", NOW - 2 * DAY, False)
        ledger.drills.begin(first)
        second = replace(first, started=NOW - DAY, from_nothing=True)
        number = ledger.drills.begin(second)
        ended = replace(
            second,
            version=run_id(NOW),
            ended=NOW - DAY + HOUR,
            outcome="damaged",
            figures=replace(FIGURES, wire_down=7),
        )
        ledger.drills.end(number, ended)
        newest, oldest = ledger.drills.rows("photos", "heron", NOW)
        assert newest == ended
        assert (oldest.outcome, oldest.reason) == ("cut", "the process ended without a word")
        assert ledger.drills.last("photos", "heron", NOW) == ended
        assert ledger.drills.last("photos", "wren", NOW) is None
        assert ledger.drills.last("photos", "heron", NOW - 30 * HOUR) is None, "written by a clock that was ahead"
        assert ledger.wire_bytes_since("heron", NOW - timedelta(days=5)) == 7
        assert ledger.wire_bytes_since("heron", NOW) == 0


def test_drill_that_came_to_nothing_does_not_hide_the_one_before(tmp_path: Path) -> None:
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        for day, outcome in ((3, "whole"), (2, "failed"), (1, "cut")):
            row = replace(ROW, started=NOW - day * DAY, outcome=outcome)  # type: ignore[arg-type]
            ledger.drills.end(ledger.drills.begin(row), row)
        last = ledger.drills.last("photos", "heron", NOW)
        assert last is not None
        assert last.started == NOW - 3 * DAY
