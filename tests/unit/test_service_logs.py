"""The service's own lines: what stands for weeks is said, and does not bury the rest."""

from __future__ import annotations

import logging
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from otherroof.base.clock import SteppedClock
from otherroof.system.logs import AGAIN_S, OnceAnHour, formatter

NAME = "otherroof.service.test"


def record(level: int, text: str, *args: object) -> logging.LogRecord:
    return logging.LogRecord(NAME, level, __file__, 1, text, args, None)


def test_a_warning_that_comes_every_minute_for_a_month_is_said_once_an_hour() -> None:
    clock, said = SteppedClock(datetime(2031, 3, 6, tzinfo=UTC)), list[str]()
    once = OnceAnHour(clock)
    for _ in range(30 * 24 * 60):
        for path in ("a", "b"):
            one = record(logging.WARNING, "%s cannot be written", path)
            if once.filter(one):
                said.append(one.getMessage())
        clock.step(60)
    assert said[:3] == [
        "a cannot be written",
        "b cannot be written",
        "a cannot be written (59 more since it was last said)",
    ]
    assert len(said) == 2 * 30 * 24


def test_other_lines_and_what_comes_back_after_long_are_said_as_they_are() -> None:
    clock = SteppedClock(datetime(2031, 3, 6, tzinfo=UTC))
    once = OnceAnHour(clock)
    assert all(once.filter(record(logging.INFO, "photos begins")) for _ in range(3))
    assert once.filter(record(logging.ERROR, "full"))
    assert not once.filter(record(logging.ERROR, "full"))
    step_s = 10
    for number in range(1_000):
        once.filter(record(logging.WARNING, f"photos: failed: {number}"))
        clock.step(step_s)
    assert len(once._seen) <= 2 * AGAIN_S / step_s + 1
    clock.step(3 * AGAIN_S)
    once.filter(record(logging.WARNING, "another"))
    assert len(once._seen) == 1


def test_lines_for_people_have_the_households_time() -> None:
    one = record(logging.INFO, "photos begins")
    one.created = datetime(2031, 7, 6, 12, tzinfo=UTC).timestamp()
    assert formatter({}, ZoneInfo("America/St_Johns")).format(one) == "2031-07-06 09:30:00 INFO    photos begins"
    assert formatter({"JOURNAL_STREAM": "8:1"}, ZoneInfo("UTC")).format(one) == "<6>photos begins"
