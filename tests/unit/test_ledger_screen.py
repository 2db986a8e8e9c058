"""`ledger` on a terminal: the newest at the bottom, totals, and one line for a reason however often it came."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from otherroof.cli.look.ledger import screen
from otherroof.copying.report import Problem
from otherroof.ledger import RunRow
from support.screens import terminal
from support.watching import ZONE, Night, row

AT = datetime(2031, 3, 1, 4, 0, tzinfo=UTC)


def nights(*some: Night, name: str = "photos") -> list[RunRow]:
    """One a night, as the ledger gives them: the newest first."""
    return [row(AT + timedelta(days=day), night, name) for day, night in enumerate(some)][::-1]


def shown(rows: list[RunRow], columns: int = 200) -> list[str]:
    return screen(rows, ZONE, terminal(columns))


def test_the_newest_run_is_the_last_row_so_that_it_is_seen_when_the_table_is_long() -> None:
    lines = shown(nights(*[Night()] * 30), 80)
    days = [line.split()[0] for line in lines[1:31]]
    assert days == sorted(days)
    assert days[-1] == "2031-03-30"


def test_totals_are_the_sums_of_what_is_shown() -> None:
    some = [Night(new=1_500, changed=2, removed=1, sent=10**9, total_s=60.0), Night(new=1, sent=5 * 10**8)]
    lines = shown(nights(*some))
    (totals,) = [line for line in lines if line.startswith("all together")]
    assert totals.split()[2:] == [
        *("–", "1,501", "42", "0", "4", "0", "1.50", "GB", "1.56", "GB", "5", "min"),
        *("48.00", "Mbit/s"),
    ]  # 1.04 times 1.5 GB in twice what is left of the times
    assert "2 runs: 2 done" in lines


def test_what_a_held_or_stopped_run_only_had_in_view_is_not_told_as_done() -> None:
    held, stopped = Night("held", removed=150, sent=0), Night("cut", new=7, sent=10**6)
    lines = shown(nights(Night(new=1, changed=2, removed=3), held, stopped))
    rows = [line.split() for line in lines[1:5]]
    marks = [[word for word in one if word == "–"] for one in rows]
    assert [len(one) >= 4 for one in marks] == [False, True, True, False]
    assert rows[3][2:7] == ["–", "1", "2", "0", "3"]


def test_of_a_run_with_problems_the_first_is_told_and_how_many_more_there_are() -> None:
    (run,) = nights(Night("done with problems"))
    run.report.problems = [Problem("a/b.txt", "no permission"), Problem("", "the far clock is 5 h ahead")]
    assert "photos, done with problems 2031-03-01 00:30: a/b.txt: no permission (and 1 more; --json has all)" in shown(
        [run]
    )


def test_there_is_more_before_a_day_that_shows_more() -> None:
    (last,) = [line for line in screen(nights(Night(), Night()), ZONE, terminal(200), more=True) if "--since" in line]
    assert last.endswith("--since 2031-02-22 shows all from that day on")


def test_a_single_run_has_no_totals() -> None:
    assert not [line for line in shown(nights(Night())) if line.startswith(("all together", "1 run"))]


def test_a_reason_that_repeats_has_one_line_that_says_how_often_and_from_when_to_when() -> None:
    away = Night("failed", sent=0, reason="/srv/larch: no such folder")
    lines = shown(nights(away, Night(), away, away, Night("held", reason="too much is gone")))
    assert [line for line in lines if ": no such folder" in line or "too much" in line] == [
        "photos, failed 3 times, 2031-03-01 00:30 to 2031-03-04 00:30: /srv/larch: no such folder",
        "photos, held 2031-03-05 00:30: too much is gone",
    ]
    assert "5 runs: 3 failed, 1 done, 1 held" in lines or "5 runs: 3 failed, 1 held, 1 done" in lines


def test_one_reason_of_several_jobs_is_one_line_too() -> None:
    silent = Night("failed", sent=0, reason="no answer within 60 s")
    rows = sorted(
        [*nights(silent), *nights(silent, name="letters")], key=lambda one: (one.started, one.report.job), reverse=True
    )
    assert "letters and photos, failed 2 times, 2031-03-01 00:30 to 2031-03-01 00:30: no answer within 60 s" in shown(
        rows
    )


def test_nothing_copied_yet_is_said() -> None:
    assert shown([]) == ["no runs yet"]
