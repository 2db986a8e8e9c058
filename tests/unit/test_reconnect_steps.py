"""When a run connects again and when it gives up, by a clock that only moves when somebody waits on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import FarTrouble, HostKeyChanged, LinkLost, PlaceError, RunCut
from otherroof.copying.context import RunContext
from otherroof.copying.progress import Progress
from otherroof.copying.reconnect import WORTH, RetryLimits, SteadyConnection

LOST = LinkLost("broke", where="heron")


@dataclass
class Box:
    """A far box whose connections are given out in turn; what is an error in `answers` is raised instead."""

    clock: SteppedClock = field(default_factory=lambda: SteppedClock(datetime(2031, 3, 6, 1, 0, tzinfo=UTC)))
    progress: Progress = field(default_factory=Progress)
    answers: list[Exception] = field(default_factory=list)
    made: int = 0
    closed: list[int] = field(default_factory=list)
    tried_at: list[float] = field(default_factory=list)
    stop_after_s: float = float("inf")

    def asked(self) -> str:
        return "stopped by hand" if self.clock.monotonic() >= self.stop_after_s else ""

    def connect(self) -> Any:
        self.tried_at.append(self.clock.monotonic())
        if self.answers:
            raise self.answers.pop(0)
        self.made += 1
        return Keeper(self, self.made)

    def steady(self, tries: int = 3) -> SteadyConnection:
        context = RunContext(self.clock, self, self.progress, lambda: None)
        made = SteadyConnection("photos", self.connect, RetryLimits(tries, 10.0), context)
        made.open()
        return made


@dataclass
class Keeper:
    """One connection: it is its own place, and what it sees of the far copy is its number."""

    box: Box
    number: int

    @property
    def place(self) -> Keeper:
        return self

    def view(self) -> Any:
        return self.number

    def close(self) -> None:
        self.box.closed.append(self.number)


def breaking(box: Box, times: int, sent: int = 0) -> Callable[[Any, Any], tuple[int, int]]:
    """Work that breaks so often, each time after so many bytes; then it answers the connection and the view it has."""
    left = [times]

    def work(keeper: Any, view: Any) -> tuple[int, int]:
        if left[0]:
            left[0] -= 1
            box.progress.meter.wire_up += sent
            raise LOST
        return keeper.number, view

    return work


def test_after_a_break_the_old_connection_is_closed_and_the_far_copy_looked_at_anew() -> None:
    box = Box()
    assert box.steady().with_retries(breaking(box, 1)) == (2, 2)
    assert box.closed == [1]


def test_breaks_after_much_was_sent_are_no_tries_and_those_after_nothing_are() -> None:
    box = Box()
    assert box.steady().with_retries(breaking(box, 9, sent=WORTH + 1)) == (10, 10)
    box = Box()
    with pytest.raises(LinkLost):
        box.steady().with_retries(breaking(box, 4, sent=WORTH))
    assert box.made == 4


def test_each_try_waits_twice_as_long_as_the_one_before() -> None:
    box = Box()
    box.steady()
    box.answers = [LOST, LOST]
    steady = SteadyConnection(
        "photos", box.connect, RetryLimits(3, 10.0), RunContext(box.clock, box, box.progress, lambda: None)
    )
    steady.open()
    waited = [after - before for before, after in zip(box.tried_at[1:], box.tried_at[2:], strict=False)]
    assert waited == [pytest.approx(10, abs=0.1), pytest.approx(20, abs=0.1)]


def test_another_host_key_is_told_at_once() -> None:
    box = Box()
    steady = box.steady()
    box.answers = [HostKeyChanged("shows another key", where="heron")]
    with pytest.raises(HostKeyChanged):
        steady.with_retries(breaking(box, 1))
    assert len(box.tried_at) == 2


def test_a_stop_is_heard_while_it_waits_to_connect_again() -> None:
    box = Box(stop_after_s=3)
    with pytest.raises(RunCut, match="stopped by hand"):
        box.steady().with_retries(breaking(box, 1))
    assert box.made == 1


def test_a_stop_is_heard_though_there_is_no_try_left() -> None:
    box = Box()
    steady = box.steady(tries=0)
    box.stop_after_s = 0
    with pytest.raises(RunCut, match="stopped by hand"):
        steady.with_retries(breaking(box, 1))


def test_a_refusal_is_told_with_its_reason_if_there_is_one(monkeypatch: pytest.MonkeyPatch) -> None:
    full, found = FarTrouble("the far disk is full", where="photos"), list[FarTrouble]()
    monkeypatch.setattr("otherroof.copying.reconnect.reason_of", lambda place, name: next(iter(found), None))
    refusal = PlaceError("refused", where="photos")

    def work(keeper: Any, view: Any) -> None:
        raise refusal

    steady = Box().steady()
    with pytest.raises(PlaceError) as caught:
        steady.with_retries(work)
    assert caught.value is refusal
    found.append(full)
    with pytest.raises(FarTrouble) as told:
        steady.with_retries(work)
    assert told.value is full
