"""What the watch makes of drills: when a copy would come back too slowly, and when what came back is of no use."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.ledger import Ledger
from otherroof.ledger.drills import DrillFigures, DrillRow
from otherroof.settings import require_settings
from otherroof.watch.drills import drill_text
from otherroof.watch.facts import Finding
from otherroof.watch.look import look
from otherroof.watch.rules import findings
from support.household import write_household
from support.watching import DAY, HOUR, MAIL, NOW, ZONE, NotingChannel, facts, far, job, run_id, write_run

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
        (None, 0.0, "no practice restore yet"),
        (
            ROW,
            72 * 3600.0,
            "last practice restore Mon 3 March 2031, 08:30: "
            "412 of 41,000 files came back; all would take about 5 d 3 h (between "
            "4 d and 7 d), wanted within 3 d",
        ),
        (
            replace(ROW, figures=replace(FIGURES, damaged=2, back_s=None, check_code=9)),
            0.0,
            "last practice restore Mon 3 March 2031, 08:30: "
            "412 of 41,000 files came back, 2 damaged; the check of them ended "
            "with 9",
        ),
        (
            replace(ROW, outcome="timed", figures=replace(FIGURES, wire_down=450_000_000, took_s=3600.0)),
            0.0,
            "last practice restore Mon 3 March 2031, 08:30: "
            "412 of 41,000 files came back in the 1 h that it may take, at "
            "1.00 Mbit/s; all would take about 5 d 3 h (between 4 d and 7 d)",
        ),
    ],
)
def test_one_line_says_when_what_and_how_long(row: DrillRow | None, within_s: float, text: str) -> None:
    assert drill_text(row, within_s, ZONE) == text


# -- drills that do not happen --

EVERY = 30 * DAY
FAILED = replace(ROW, outcome="failed", reason="there is room for 1.00 MB only", figures=DrillFigures())


def undrilled(**changed: object) -> Finding | None:
    """What is found of a job that is drilled every 30 days and has a copy for 100."""
    given = {"drill_every": EVERY, "first_copy": NOW - 100 * DAY} | changed
    found = {one.key: one for one in findings(facts(jobs=(job(**given),)))}
    return found.get("undrilled:photos")


def test_no_drill_for_twice_as_long_as_wanted_is_told_and_over_with_the_next() -> None:
    old = replace(ROW, started=NOW - 61 * DAY)
    one = undrilled(drilled=old)
    assert one is not None
    assert "the last practice restore of photos was on" in one.headline
    assert "8 weeks" in one.headline or "61 d" in one.headline
    assert "`otherroof drill photos`" in one.help
    assert one.begun == NOW - DAY
    assert undrilled(drilled=replace(ROW, started=NOW - 59 * DAY)) is None
    assert undrilled(drilled=ROW) is None


def test_never_drilled_counts_from_the_first_copy_and_nobody_waits_for_what_is_not_wanted() -> None:
    one = undrilled()
    assert one is not None
    assert "photos was never drilled" in one.headline
    assert undrilled(first_copy=NOW - 59 * DAY) is None, "a first copy took long"
    assert undrilled(first_copy=None) is None
    assert undrilled(drill_every=timedelta(0)) is None


def test_third_drill_in_a_row_that_comes_to_nothing_is_told_with_its_reason() -> None:
    fruitless = tuple(replace(FAILED, started=NOW - hours * HOUR) for hours in (1, 7, 13, 19))
    assert undrilled(drilled=ROW, fruitless=fruitless[:2]) is None
    one = undrilled(drilled=ROW, fruitless=fruitless)
    assert one is not None
    assert one.headline == (
        "the last 4 drills of photos came to nothing; the newest one failed: there is room for 1.00 MB only"
    )
    assert one.begun == NOW - 7 * HOUR, "since the third of them"
    assert "lower drill_mb" in one.help


def test_no_drill_because_the_far_box_is_silent_follows_from_that() -> None:
    given = job(drill_every=EVERY, first_copy=NOW - 100 * DAY)
    silent = far(answered=NOW - 70 * DAY, unanswered=NOW - HOUR)
    found = {one.key: one for one in findings(facts(jobs=(given,), fars=(silent,)))}
    assert found["undrilled:photos"].because == "silent:heron"


def test_household_is_told_once_and_told_when_it_is_over(tmp_path: Path) -> None:
    settings = require_settings(write_household(tmp_path, more=MAIL, jobs={"photos": ""}))
    channel = NotingChannel()
    clock = SteppedClock(NOW - 80 * DAY)

    def look_now(at: datetime) -> list[str]:
        clock.step((at - clock.now()).total_seconds())
        before = len(channel.taken)
        look(settings, ledger, clock, channels={"family": channel})
        return [message.subject for message in channel.taken[before:]]

    with Ledger(settings.ledger) as ledger:
        write_run(ledger, NOW - 80 * DAY)
        look_now(NOW - 80 * DAY + HOUR)
        look_now(NOW - 20 * DAY)
        for hours in (19, 13, 7):
            row = replace(FAILED, started=NOW - hours * HOUR)
            ledger.drills.end(ledger.drills.begin(row), row)
        look_now(NOW)
        assert "undrilled:photos" in {alert.key for alert in ledger.alerts.standing()}
        whole = replace(ROW, started=NOW + HOUR)
        ledger.drills.end(ledger.drills.begin(whole), whole)
        told = look_now(NOW + 2 * HOUR)
        assert "undrilled:photos" not in {alert.key for alert in ledger.alerts.standing()}
    assert any("drill" in subject for subject in told), told


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
        assert (oldest.outcome, oldest.reason) == ("cut", "the process ended without saying why")
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
        assert [one.outcome for one in ledger.drills.fruitless("photos", "heron", NOW)] == ["cut", "failed"]
        assert ledger.drills.fruitless("photos", "wren", NOW) == []
