"""What the service's chores do once they are due: each by itself, with what it calls taken away."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext, suppress
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import HomeTrouble, RunCut
from otherroof.copying.report import Outcome, RunReport
from otherroof.jobs.stop_sign import StopSign
from otherroof.jobs.thinning.thin import ThinReport
from otherroof.ledger import Ledger
from otherroof.ledger.keeping import RuleInForce
from otherroof.schedule import chores as chores_module
from otherroof.schedule import drills, job_runner, last_resort, proofs, thin_chore
from otherroof.schedule.chores import Chore, ChoreFacts, ChoreInputs, service_chores
from otherroof.schedule.last_resort import BLIND_AFTER_S
from otherroof.schedule.plan import RunStart, far_worker, next_month
from otherroof.schedule.records import ServiceRecords
from support.simulated import household, utc
from support.watching import run_id

NOW = utc(2026, 6, 10, 12)
SPACED = {"spacing": {"30 days": "one a day"}}
TWO = household({"photos": {"versions": SPACED}, "letters": {}}, zone="UTC")
INPUTS = ChoreInputs(TWO, ("jobs/photos.toml: folder: is not there",))


class NoLedger:
    """Stands in for a ledger that is opened and handed on."""

    def __init__(self, _path: str = "") -> None:
        self.answers = self

    def __enter__(self) -> NoLedger:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing is open."""


@pytest.fixture
def clock() -> SteppedClock:
    return SteppedClock(NOW)


def all_chores(clock: SteppedClock) -> dict[str, Chore]:
    return {chore.name: chore for chore in service_chores(clock)(TWO)}


def heard(monkeypatch: pytest.MonkeyPatch, module: Any, name: str) -> list[tuple[Any, ...]]:
    """Calls of `name` in a module, which do nothing from now on."""
    calls: list[tuple[Any, ...]] = []
    monkeypatch.setattr(module, name, lambda *given, **_: calls.append(given) or ())
    monkeypatch.setattr(module, "Ledger", NoLedger, raising=False)
    return calls


def test_the_watch_is_told_of_mistakes_in_the_settings(clock: SteppedClock, monkeypatch: pytest.MonkeyPatch) -> None:
    calls = heard(monkeypatch, chores_module, "look")
    all_chores(clock)["look"].do(INPUTS)
    assert [given[3].mistakes for given in calls] == [INPUTS.mistakes]


def test_tunnels_are_tended_and_leavings_of_drills_swept(clock: SteppedClock, monkeypatch: pytest.MonkeyPatch) -> None:
    tended, swept = heard(monkeypatch, chores_module, "tend_tunnels"), heard(monkeypatch, drills, "sweep_after_drills")
    chores = all_chores(clock)
    chores["tend"].do(INPUTS)
    chores["sweep after drills"].do(INPUTS)
    assert ([given[0] for given in tended], [given[0] for given in swept]) == ([TWO], [TWO])


def test_messages_are_posted_again_and_again(clock: SteppedClock) -> None:
    assert all_chores(clock)["repost"].due(ChoreFacts(NOW, TWO, {}, rested_s=20)) == NOW + timedelta(seconds=40)


def test_only_a_look_that_came_to_its_end_puts_the_last_word_off(clock: SteppedClock) -> None:
    chores, facts = all_chores(clock), ChoreFacts(NOW, TWO, {})
    clock.step(BLIND_AFTER_S - 60)
    chores["look"].ended(HomeTrouble("the disk is full"))
    due = chores["last resort"].due(facts)
    assert due == NOW + timedelta(seconds=60)
    chores["look"].ended(None)
    assert chores["last resort"].due(facts) == NOW + timedelta(seconds=BLIND_AFTER_S)


def test_what_uses_a_far_box_shares_the_worker_of_its_runs(clock: SteppedClock) -> None:
    workers = {name: chore.worker for name, chore in all_chores(clock).items()}
    for what in ("prove photos", "drill photos", "thin photos", "probe heron"):
        assert workers[what] == far_worker("heron"), what


def test_only_a_job_with_a_rule_is_thinned(clock: SteppedClock) -> None:
    assert [name for name in all_chores(clock) if name.startswith("thin")] == ["thin photos"]


def test_a_waiting_service_tells_its_manager_that_it_lives(
    clock: SteppedClock, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    tries = iter([HomeTrouble("is full")] * 3)

    def opened(path: str) -> Ledger:
        for trouble in tries:
            raise trouble
        return Ledger(path)

    monkeypatch.setattr(last_resort, "Ledger", opened)
    lives: list[float] = []
    notifier: Any = SimpleNamespace(
        ready=lambda: None, status=lambda _: None, alive=lambda: lives.append(clock.monotonic()), alive_every_s=10.0
    )
    settings: Any = SimpleNamespace(ledger=str(tmp_path / "ledger.db"))
    last_resort.open_ledger_patiently(settings, clock, notifier).close()
    assert lives == [0, 10, 20]


# -- runs and proofs keep to month and window --


@pytest.mark.parametrize(("up", "down", "stops"), [(600, 600, True), (600, 300, False)])
def test_a_run_stops_once_both_ways_together_have_used_the_month_up(
    clock: SteppedClock, monkeypatch: pytest.MonkeyPatch, up: int, down: int, stops: bool
) -> None:
    asked: list[str] = []

    def run_job(_settings: object, job: str, context: Any, _options: object) -> Any:
        context.progress.meter.wire_up, context.progress.meter.wire_down = up, down
        context.tick()
        asked.append(context.stop.asked())
        return SimpleNamespace(error=None, by_hand=False, report=RunReport(job, "r1"))

    monkeypatch.setattr(job_runner, "Ledger", NoLedger)
    monkeypatch.setattr(job_runner, "run_job", run_job)
    job_runner.job_runner(clock, lambda *_: lambda: None)(TWO, RunStart("photos", "heron"), StopSign(clock, room=1000))
    assert [bool(why) for why in asked] == [stops]


def test_a_proof_ends_with_its_window_and_with_its_month(monkeypatch: pytest.MonkeyPatch) -> None:
    settings = household({"photos": {"window": "11:00-13:00"}}, zone="UTC")
    monkeypatch.setattr(proofs, "month_room", lambda *_: 1000)
    for step, over in ((3599, False), (3601, True)):
        clock = SteppedClock(NOW)
        sign = proofs._bounds(settings, "photos", NoLedger(), clock)  # type: ignore[arg-type]
        clock.step(step)
        assert bool(sign.asked()) is over
    clock = SteppedClock(NOW)
    monkeypatch.setattr(proofs, "window_end", lambda *_: None)
    sign = proofs._bounds(settings, "photos", NoLedger(), clock)  # type: ignore[arg-type]
    sign.crossed(999)
    assert not sign.asked()
    clock.step((next_month(NOW, settings.zone) - NOW).total_seconds())
    assert sign.asked()


def test_a_proof_under_way_is_asked_to_stop(clock: SteppedClock, monkeypatch: pytest.MonkeyPatch) -> None:
    chore, stop, asked = all_chores(clock)["prove photos"], StopSign(clock), list[str]()

    def prove(_settings: object, _job: str, context: Any) -> Any:
        stop.ask("the service ends")
        asked.append(context.stop.asked())
        return None

    monkeypatch.setattr(proofs, "Ledger", NoLedger)
    monkeypatch.setattr(proofs, "month_room", lambda *_: None)
    monkeypatch.setattr(proofs, "prove", prove)
    monkeypatch.setattr(proofs, "_log", lambda *_: None)
    chore.do(replace(INPUTS, stop=stop))
    assert asked == ["the service ends"]


# A chore is begun by the loop and its work a moment later by its worker; the service may be told to end between them.
def test_all_that_uses_a_far_box_hears_a_stop_that_came_before_its_work_began(
    clock: SteppedClock, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    reached: list[str] = []

    def work(name: str) -> Callable[..., None]:
        def done(*given: Any, check: Callable[[], None] | None = None, **_: object) -> None:
            if check is not None:
                check()
            elif why := given[-1].stop.asked():
                raise RunCut(why)
            reached.append(name)

        return done

    chores = all_chores(clock)
    with ran(tmp_path, (2, "done")) as ledger:
        records = ServiceRecords(TWO, ledger, clock, service_chores(clock))
        for module, deed, name in (
            (proofs, "prove", "prove photos"),
            (drills, "drill", "drill photos"),
            (thin_chore, "thin", "thin photos"),
            (chores_module, "probe_far", "probe heron"),
        ):
            monkeypatch.setattr(module, deed, work(deed))
            monkeypatch.setattr(module, "Ledger", lambda _: nullcontext(ledger))
            stop = records.begin_chore(chores[name])
            records.stop("the service ends")
            with suppress(RunCut):
                chores[name].do(replace(INPUTS, stop=stop))
            records.end_chore(chores[name], None)
            assert reached == []
            with suppress(AttributeError):  # what it would tell of the work, which was none
                chores[name].do(INPUTS)
            assert reached.pop() == deed
        assert {name for name, one in chores.items() if one.worker == far_worker("heron")} == {
            f"{what} {job}" for what in ("prove", "drill") for job in ("photos", "letters")
        } | {"thin photos", "probe heron"}, "one more uses a far box: let it hear a stop too"


# -- when versions are thinned --


@contextmanager
def ran(where: Path, *ends: tuple[int, Outcome]) -> Iterator[Ledger]:
    """A ledger of runs of `photos` that ended so many hours before now."""
    with Ledger(str(where / "ledger.db")) as ledger:
        for ago, outcome in ends:
            at = NOW - timedelta(hours=ago)
            ledger.runs.begin("photos", run_id(at), "heron", at)
            ledger.runs.end(RunReport("photos", run_id(at), outcome=outcome), at)
        yield ledger


def test_thinning_follows_a_good_run_once_and_no_other(tmp_path: Path) -> None:
    with ran(tmp_path, (5, "done"), (3, "failed")) as ledger:
        assert not thin_chore._has_good_run(ledger, "photos"), "the last one failed"
    with ran(tmp_path, (2, "done with problems")) as ledger:
        assert thin_chore._has_good_run(ledger, "photos")
        assert not thin_chore._has_good_run(ledger, "letters")
        for ago, due in ((3, True), (1, False)):
            ledger.marks.note(thin_chore.NEXT.format("photos"), NOW - timedelta(hours=ago))
            assert thin_chore._has_good_run(ledger, "photos") is due
        ledger.marks.note(thin_chore.NEXT.format("photos"), NOW - timedelta(hours=3))
        ledger.rules.note("photos", RuleInForce("", recalled=NOW))
        assert not thin_chore._has_good_run(ledger, "photos"), "a person has recalled"


def test_why_no_version_goes_is_in_the_log(caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.INFO)
    report = ThinReport("photos", objection="a run is held")
    thin_chore.tell(report)
    assert "photos: no version goes now: a run is held" in caplog.text
    goes: datetime = NOW + timedelta(days=7)
    thin_chore.tell(replace(report, objection="", noted=("r1",), goes_at={"r1": goes}, removed=("r0",)))
    assert "1 version is to go, not before 2026-06-17" in caplog.text
    assert "1 version went" in caplog.text
