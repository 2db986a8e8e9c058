"""The desk's books: what is written down at which moment, and what a failed digest or a wrong clock leaves there."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from otherroof.base import errors
from otherroof.base.clock import SteppedClock
from otherroof.ledger import Ledger
from otherroof.schedule.actions import RunEnding, ending_for
from otherroof.schedule.plan import RunStart
from otherroof.schedule.records import DIGEST_PAUSE, LOOK_EVERY, ServiceRecords
from support.simulated import household, utc

NOW = utc(2026, 6, 8, 12)  # a Monday
SETTINGS = household(
    {"photos": {}, "papers": {"at": "0 5 * * *", "window": "22:00-06:30", "far": "wren"}},
    zone="UTC",
    far={"heron": {}, "wren": {}},
)


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[tuple[ServiceRecords, Ledger, SteppedClock]]:
    clock = SteppedClock(NOW)
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        made = ServiceRecords(SETTINGS, ledger, clock)
        made.plan()
        yield made, ledger, clock


def attempt(desk: ServiceRecords, ended: RunEnding) -> None:
    (start,) = [one for one in desk.plan().runs if one.job == "photos"]
    desk.begin(start)
    desk.end("photos", ended)


UNREACHED = RunEnding("failed", "unreached", "no answer")


def test_tries_are_counted_until_one_comes_to_something(desk: tuple[ServiceRecords, Ledger, SteppedClock]) -> None:
    books, ledger, clock = desk
    clock.step(13.5 * 3600)
    counted = []
    for ended in (UNREACHED, UNREACHED, RunEnding("done", "settled"), UNREACHED):
        attempt(books, ended)
        counted.append(ledger.turns()["photos"].tries)
        clock.step(600 if ended is UNREACHED else 86_400)
    assert counted == [1, 2, 0, 1]


def test_a_begun_run_is_on_the_books_before_it_does_anything(desk: tuple[ServiceRecords, Ledger, SteppedClock]) -> None:
    books, ledger, clock = desk
    clock.step(13.5 * 3600)
    (start,) = books.plan().runs
    books.begin(start)
    turn = ledger.turns()["photos"]
    assert (turn.begun, turn.ended, turn.ending, turn.tries) == (clock.now(), None, None, 1)


def test_what_a_job_waits_for_is_on_the_books_while_it_waits(desk: tuple[ServiceRecords, Ledger, SteppedClock]) -> None:
    books, ledger, clock = desk
    clock.step(22 * 3600)  # at 10:00 on the next day both are owed, and one of the windows is closed
    attempt(books, RunEnding("done", "settled"))
    books.plan()
    assert ledger.turns()["papers"].waiting == "waits for its window, which opens at 2026-06-09 22:00"
    clock.step(12 * 3600)
    (start,) = books.plan().runs
    books.begin(start)
    assert ledger.turns()["papers"].waiting == ""


def test_a_digest_that_could_not_be_made_is_tried_again_after_a_while(
    desk: tuple[ServiceRecords, Ledger, SteppedClock],
) -> None:
    books, _, clock = desk
    clock.step(7 * 86_400)
    assert books.plan().digest
    books.begin_digest()
    assert not books.plan().digest
    books.end_digest(made=False)
    assert not books.plan().digest
    clock.step(DIGEST_PAUSE.total_seconds())
    assert books.plan().digest
    books.end_digest(made=True)
    clock.step(6 * 86_400)
    assert not books.plan().digest


def test_a_digest_that_was_sent_before_a_kill_is_not_sent_again(
    desk: tuple[ServiceRecords, Ledger, SteppedClock],
) -> None:
    books, ledger, clock = desk
    clock.step(7 * 86_400)
    assert books.plan().digest
    ledger.note_digest(clock.now(), NOW, True, ())
    assert not ServiceRecords(SETTINGS, ledger, clock).plan().digest


def test_what_a_clock_far_ahead_wrote_is_not_believed(desk: tuple[ServiceRecords, Ledger, SteppedClock]) -> None:
    books, ledger, clock = desk
    future = NOW + timedelta(days=4000)
    for name in ("digest", "probe:heron"):
        ledger.note_last_time(name, future)
    ledger.note_answer("heron", future)
    plan = books.plan()
    assert plan.probes == ("heron", "wren")
    clock.step(7 * 86_400)
    assert books.plan().digest


def test_a_clock_set_back_by_years_keeps_neither_the_watch_nor_the_digest_waiting_for_years(tmp_path: Path) -> None:
    clock = SteppedClock(NOW + timedelta(days=4000))  # a machine that started with a wrong clock
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        books = ServiceRecords(SETTINGS, ledger, clock)
        assert books.plan().look
        books.begin_look()
        books.begin_digest()
        books.end_digest(made=False)
        clock.jump(-4000 * 86_400.0)
        assert not books.plan().look
        clock.step(LOOK_EVERY.total_seconds() + 1)
        assert books.plan().look
        clock.step(7 * 86_400)
        assert books.plan().digest


def test_a_clock_set_back_by_hours_does_not_keep_the_watch_waiting(
    desk: tuple[ServiceRecords, Ledger, SteppedClock],
) -> None:
    books, _, clock = desk
    books.begin_look()
    clock.jump(-20 * 3600.0)
    books.plan()
    clock.step(LOOK_EVERY.total_seconds() + 1)
    assert books.plan().look


def test_the_watch_is_called_soon_after_a_run(desk: tuple[ServiceRecords, Ledger, SteppedClock]) -> None:
    books, _, clock = desk
    books.begin_look()
    clock.step(1)
    assert not books.plan().look
    clock.step(13.5 * 3600)
    books.begin_look()
    attempt(books, RunEnding("done", "settled"))
    assert books.plan().look


def test_a_job_that_was_taken_out_while_it_ran_ends_in_peace(desk: tuple[ServiceRecords, Ledger, SteppedClock]) -> None:
    books, ledger, clock = desk
    clock.step(13.5 * 3600)
    (start,) = books.plan().runs
    sign = books.begin(start)
    books.use(household({}, zone="UTC"))
    assert not sign.asked()
    books.end("photos", RunEnding("done", "settled"))
    assert ledger.turns()["photos"].ending == "settled"
    assert books.plan().runs == ()


def test_an_allowance_given_to_a_run_stops_it(desk: tuple[ServiceRecords, Ledger, SteppedClock]) -> None:
    books, _, _ = desk
    sign = books.begin(RunStart("photos", "heron", room=100))
    sign.crossed(101)
    assert "month" in sign.asked()


def test_errors_end_a_run_in_the_way_that_helps() -> None:
    endings = {
        errors.RunCut("stop"): "cut",
        errors.Busy("another"): "busy",
        errors.LinkLost("gone"): "unreached",
        errors.TunnelTrouble("no interface"): "unreached",
        errors.HostKeyChanged("another key"): "settled",
        errors.LoginRefused("refused"): "settled",
        errors.FarTrouble("full"): "settled",
        ZeroDivisionError("a slip"): "settled",
    }
    assert {error: ending_for(error).ending for error in endings} == endings
