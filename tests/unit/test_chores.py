"""The chores: what is due of them and may begin, and that one more is known to the service through its list alone."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import HomeTrouble
from otherroof.ledger import Ledger
from otherroof.schedule.chores import FIRST_START, Chore, ChoreFacts, plan_chores, service_chores
from otherroof.schedule.last_resort import BLIND_AFTER_S
from otherroof.schedule.records import ServiceRecords
from support.simulated import household, utc

NOW = utc(2026, 6, 10, 12)
TWO = household({"photos": {}}, zone="UTC", far={"heron": {}, "wren": {}})


def named(name: str, clock: SteppedClock | None = None) -> Chore:
    (found,) = [chore for chore in service_chores(clock or SteppedClock(NOW))(TWO) if chore.name == name]
    return found


def made(name: str, worker: str, due: datetime | None = NOW) -> Chore:
    return Chore(name, worker, lambda _: due, lambda _: None, lambda _: False)


def test_each_chore_has_a_name_of_its_own() -> None:
    names = [chore.name for chore in service_chores(SteppedClock(NOW))(TWO)]
    assert len(set(names)) == len(names)
    assert {"probe heron", "probe wren"} <= set(names)


def test_of_what_shares_a_worker_one_begins_and_nothing_while_it_is_busy() -> None:
    chores = [made("a", "x"), made("b", "x"), made("c", "y"), made("d", "z")]
    facts = {chore.name: ChoreFacts(NOW, TWO) for chore in chores}
    assert [chore.name for chore in plan_chores(chores, facts, {"z"}).begin] == ["a", "c"]


def test_the_next_wake_is_for_the_first_that_is_due_later() -> None:
    hour = timedelta(hours=1)
    chores = [made("a", "x", NOW + 2 * hour), made("b", "x", NOW + hour), made("c", "y", None), made("d", "z", NOW)]
    facts = {chore.name: ChoreFacts(NOW, TWO) for chore in chores}
    found = plan_chores(chores, facts, ())
    assert ([chore.name for chore in found.begin], found.wake) == (["d"], NOW + hour)
    assert plan_chores(chores[2:], facts, ()).wake is None


def test_a_far_box_is_probed_when_it_is_time() -> None:
    probe = named("probe heron")
    for ago, due in ((None, NOW), (6, NOW), (5, NOW + timedelta(hours=1))):
        times = {} if ago is None else {"probe heron": NOW - timedelta(hours=ago)}
        assert probe.due(ChoreFacts(NOW, TWO, times)) == due


def test_a_digest_missed_while_the_machine_was_off_comes_once() -> None:
    digest = named("digest")

    def due(last: datetime) -> datetime | None:
        return digest.due(ChoreFacts(NOW, TWO, {"digest": last, FIRST_START: utc(2020, 1, 1)}))

    missed = due(NOW - timedelta(days=40))
    assert missed is not None
    assert missed <= NOW
    later = due(NOW)
    assert later is not None
    assert later > NOW


def test_without_the_ledger_only_what_can_be_done_without_it_is_due() -> None:
    clock = SteppedClock(NOW)
    chores = service_chores(clock)(TWO)
    clock.step(BLIND_AFTER_S)
    facts = {chore.name: ChoreFacts(clock.now(), TWO, None) for chore in chores}
    assert [chore.name for chore in plan_chores(chores, facts, ()).begin] == [
        "sweep after drills",
        "tend",
        "last resort",
    ]


def test_an_all_clear_is_owed_although_the_watch_looked_while_the_channels_were_being_told() -> None:
    clock = SteppedClock(NOW)
    chores = {chore.name: chore for chore in service_chores(clock)(TWO)}

    def due(name: str) -> bool:
        moment = chores[name].due(ChoreFacts(clock.now(), TWO, {}))
        return moment is not None and moment <= clock.now()

    clock.step(BLIND_AFTER_S)
    assert due("last resort")
    chores["look"].ended(None)
    chores["last resort"].ended("no room")
    assert not due("all clear"), "nobody has looked since"
    chores["look"].ended(None)
    assert due("all clear")
    chores["all clear"].ended(None)
    assert not due("all clear")
    assert not due("last resort")


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(str(tmp_path / "ledger.sqlite")) as ledger:
        yield ledger


def test_one_that_cannot_be_remembered_does_not_begin(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SteppedClock(NOW)
    records = ServiceRecords(TWO, ledger, clock, service_chores(clock))
    times = records.last_times()

    def full(*_: object) -> None:
        raise HomeTrouble("the ledger cannot be used: database or disk is full")

    monkeypatch.setattr(ledger.marks, "note", full)
    (probe,) = [chore for chore in records.plan_chores(times).begin if chore.name == "probe heron"]
    with pytest.raises(HomeTrouble):
        records.begin_chore(probe)
    assert probe in records.plan_chores(times).begin
