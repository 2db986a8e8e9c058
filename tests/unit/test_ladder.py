"""The ladder: which rung decides the headline, what is not tried, and that no rung can hold up the climb."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import HostKeyChanged, LinkLost, RunCut, TunnelTrouble, Unreached
from otherroof.base.time_limit import TookTooLong, within_time
from otherroof.probe import ladder
from otherroof.probe.ladder import Rung, RungFinding, RungResult, climb, not_ok, not_tried, ok


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock(datetime(2031, 4, 5, tzinfo=UTC))


def rung(name: str, seen: RungFinding, *, must: bool = True) -> Rung:
    return Rung(name, 5, lambda limit_s: seen, must)


def raising(name: str, error: Exception) -> Rung:
    def fail(limit_s: float) -> RungFinding:
        raise error

    return Rung(name, 5, fail)


def states(found: ladder.ClimbResult) -> list[str]:
    return [one.seen.state for one in found.rungs]


def test_all_well_is_exit_0(clock: SteppedClock) -> None:
    found = climb([rung("a", ok("yes")), rung("b", not_tried("nothing to look at"))], clock)
    assert (found.exit_code, found.headline, found.decisive) == (0, "all well", None)
    found.raise_unless_passed("garden")


def test_first_failing_rung_decides_and_the_rest_is_not_tried(clock: SteppedClock) -> None:
    never = Rung("c", 5, lambda limit_s: pytest.fail("was tried"))
    found = climb([rung("a", ok("yes")), rung("b", not_ok("no cable", "put it in")), never], clock)
    assert states(found) == ["ok", "not ok", "not tried"]
    assert (found.exit_code, found.headline, found.advice) == (3, "b: no cable", "put it in")
    with pytest.raises(Unreached, match="garden: b: no cable; put it in"):
        found.raise_unless_passed("garden")


def test_failure_that_only_asks_for_a_look_does_not_end_the_climb(clock: SteppedClock) -> None:
    found = climb([rung("a", not_ok("full soon", "thin"), must=False), rung("b", ok("yes"))], clock)
    assert states(found) == ["not ok", "ok"]
    assert found.exit_code == 1
    found.raise_unless_passed("garden")


def test_earlier_look_decides_the_headline_of_a_climb_that_ends_later(clock: SteppedClock) -> None:
    """A name that leads to the wrong house is why there is no handshake, though it did not end the climb itself."""
    found = climb(
        [rung("names", not_ok("wrong house", "mend it"), must=False), rung("handshake", not_ok("-", ""))], clock
    )
    assert found.headline == "names: wrong house"
    assert found.exit_code == 3


@pytest.mark.parametrize("kind", [TunnelTrouble, HostKeyChanged, LinkLost])
def test_error_of_a_rung_keeps_its_kind(clock: SteppedClock, kind: type[Unreached]) -> None:
    found = climb([raising("a", kind("broke", where="here", advice="mend it"))], clock)
    assert found.rungs[0].seen == not_ok("here: broke", "mend it")
    with pytest.raises(kind, match="garden: a: here: broke; mend it"):
        found.raise_unless_passed("garden")


def test_ladder_does_not_send_people_to_the_ladder(clock: SteppedClock) -> None:
    assert climb([raising("a", Unreached("silent"))], clock).advice == ""


def test_fault_of_the_program_is_not_taken_for_a_fault_of_the_way(clock: SteppedClock) -> None:
    with pytest.raises(ZeroDivisionError):
        climb([raising("a", ZeroDivisionError("oops"))], clock)


def test_rung_that_never_returns_is_left_behind(clock: SteppedClock, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ladder, "GRACE_S", 0.05)
    let_go = threading.Event()

    def stuck(limit_s: float) -> RungFinding:
        let_go.wait(10)
        return ok("far too late")

    begun = time.monotonic()
    found = climb([Rung("a", 0.05, stuck), rung("b", ok("yes"))], clock)
    let_go.set()
    assert time.monotonic() - begun < 5
    assert states(found) == ["not ok", "not tried"]
    assert "no result within 0.05 s" in found.headline


def test_a_climb_that_is_to_end_leaves_even_a_rung_that_hangs(clock: SteppedClock) -> None:
    let_go, looks = threading.Event(), []

    def check() -> None:
        looks.append(1)
        if len(looks) > 3:
            raise RunCut("the service ends")

    with pytest.raises(RunCut, match="the service ends"):
        climb([rung("a", ok("yes")), Rung("b", 60, lambda _: ok(f"{let_go.wait(60)}"))], clock, check=check)
    let_go.set()
    with pytest.raises(RunCut):
        climb([Rung("c", 60, lambda _: pytest.fail("was tried"))], clock, check=check)


def test_time_is_taken_for_each_rung_and_told_at_once(clock: SteppedClock) -> None:
    def slow(limit_s: float) -> RungFinding:
        clock.step(limit_s)
        return ok("at last")

    heard: list[RungResult] = []
    climb([rung("a", ok("yes")), Rung("b", 5, slow)], clock, told=heard.append)
    assert [(one.rung, one.took_s) for one in heard] == [("a", 0), ("b", 5)]
    assert heard[1].as_json() == {"rung": "b", "state": "ok", "took_s": 5, "seen": "at last", "advice": ""}


def test_rungs_after_a_failed_climb_are_not_tried(clock: SteppedClock) -> None:
    never = Rung("ssh", 5, lambda limit_s: pytest.fail("was tried"))
    assert states(climb([never], clock, stopped=True)) == ["not tried"]


def test_patience_gives_what_the_work_gives() -> None:
    assert within_time(5, lambda: 7) == 7
    with pytest.raises(KeyError):
        within_time(5, lambda: {}["missing"])


def test_patience_ends() -> None:
    let_go = threading.Event()
    with pytest.raises(TookTooLong):
        within_time(0.05, lambda: let_go.wait(10))
    let_go.set()
