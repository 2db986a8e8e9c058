"""The steps of sending, each with a real plan and a far box made up for it: what is noted before it is asked for, and
what counts when the answer comes."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.base.clock import SteppedClock, in_ns
from otherroof.base.errors import Refused, RunCut
from otherroof.copying.compare.change import BEGUN, DONE, PlannedChange, Rows
from otherroof.copying.compare.compare import Difference
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.send import send as module
from otherroof.copying.send.landed import LandedFiles
from otherroof.copying.send.send import COMMIT_EVERY, LARGE_ON_AVERAGE, WORTH_BYTES, WORTH_FILES, PlanSender, SendSteps
from otherroof.far.place import TaskResult
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.numbers import HARD, Numbers
from otherroof.far_copy.view import FarCopyView
from support.run_context import StopByHand, run_context

NOW = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)
OLD_NS = in_ns(NOW) - 3600 * 10**9
ONE = b"\1" * 32
KINDS = {"file": 0o100644, "folder": 0o040755, "link": 0o120777}


def numbers(kind: str = "file", hard: int = 0) -> Numbers:
    return (1, 10, OLD_NS, OLD_NS, KINDS[kind] | hard)


def line(path: bytes, kind: str = "file") -> bytes:
    entry = Entry(path, kind, 10, OLD_NS, 0o644, 0, 0, digest=ONE if kind == "file" else b"")  # type: ignore[arg-type]
    return entry.line().encode()


def gone(path: bytes, kind: str = "file") -> Difference:
    return Difference(path, None, numbers(kind), line(path, kind))


class WatchedPlan(RunPlan):
    """A plan that says when it writes an intention down, and when that is on the disk."""

    said: list[str]

    def begin(self, change: PlannedChange) -> None:
        self.said.append(f"begin {change.path.decode()}")
        super().begin(change)

    def commit(self) -> None:
        self.said.append("commit")
        super().commit()


class FarBox:
    """A far box that takes everything, but for what is in `refused`; what it was asked for is in `said`."""

    def __init__(self, plan: WatchedPlan) -> None:
        self.said = plan.said
        self.refused: set[bytes] = set()
        self.place = SimpleNamespace(carry_out=self._carry_out, offers=SimpleNamespace(sync=True))
        self.waits_for_commit = False

    def _carry_out(self, tasks: Iterable[Any], _tick: object = None) -> Iterator[TaskResult[Any, Any]]:
        for task in tasks:
            self.said.append(f"asked {task.key.path.decode()}")
            error = Refused("is forbidden") if task.key.path in self.refused else None
            yield TaskResult(task.key, error=error)

    def __getattr__(self, _script: str) -> Any:
        return lambda *_: iter(())


@pytest.fixture
def plan(tmp_path: Path) -> Iterator[WatchedPlan]:
    WatchedPlan.said = []
    made = WatchedPlan(str(tmp_path / "notes.db"))
    yield made
    made.close()


def steps(plan: WatchedPlan, box: FarBox, stop: StopByHand | None = None) -> SendSteps:
    clock = SteppedClock(NOW)
    run = run_context(clock, stop)
    link = Entry(b"link", "link", 4, OLD_NS, 0o777, 0, 0, target=b"there")
    source = SimpleNamespace(describe=lambda *_: (link, numbers("link")))
    context: Any = SimpleNamespace(plan=plan, writer=box, run=run, landed=LandedFiles(clock), source=source)
    return SendSteps(context)


def get(plan: RunPlan, path: bytes) -> PlannedChange:
    found = plan.get(path)
    assert found is not None
    return found


def test_after_a_stop_no_further_change_is_begun(plan: WatchedPlan) -> None:
    plan.add([gone(b"a"), gone(b"b")])
    plan.said.clear()
    stop = StopByHand()
    stop.why = "the window has closed"
    with pytest.raises(RunCut, match="the window has closed"):
        steps(plan, FarBox(plan), stop)._move_aside()
    assert not [said for said in plan.said if said != "commit"]


def test_nothing_is_asked_for_before_its_intention_is_on_this_disk(plan: WatchedPlan) -> None:
    """Invariant 8: a kill at any moment leaves nothing done that no note tells of."""
    paths = [f"{number:03d}" for number in range(COMMIT_EVERY + 5)]
    plan.add([gone(path.encode()) for path in paths])
    plan.said.clear()
    steps(plan, FarBox(plan))._move_aside()
    for path in paths:
        begun, asked = plan.said.index(f"begin {path}"), plan.said.index(f"asked {path}")
        assert "commit" in plan.said[begun:asked], path
    assert not list(plan.pages(Rows.UNFINISHED))


def test_folders_go_after_what_lies_in_them(plan: WatchedPlan) -> None:
    plan.add([gone(path, "folder") for path in (b"a", b"a/b", b"a/b/c")])
    steps(plan, FarBox(plan))._drop_folders()
    assert [said for said in plan.said if said.startswith("asked")] == ["asked a/b/c", "asked a/b", "asked a"]


def test_a_linked_name_is_durable_only_once_it_was_synced(plan: WatchedPlan) -> None:
    plan.add([Difference(path, numbers(hard=HARD), None, None, 7) for path in (b"a", b"b")])
    plan.hard_links.find_first_names()
    first = get(plan, b"a")
    first.digest, first.line = ONE, line(b"a")
    plan.begin(first)
    plan.done(first)
    steps(plan, FarBox(plan))._link_further_names()
    assert (get(plan, b"b").state, get(plan, b"b").landed) == (DONE, 1)
    assert [change.path for change in plan.not_durable()] == [b"b"]


def test_a_link_that_was_refused_is_asked_after_and_not_done(plan: WatchedPlan) -> None:
    plan.add([Difference(b"link", numbers("link"), None, None)])
    box = FarBox(plan)
    box.refused = {b"link"}
    steps(plan, box)._make_symlinks()
    assert (get(plan, b"link").state, get(plan, b"link").why) == (BEGUN, "is forbidden")


def plan_sender(tmp_path: Path, plan: WatchedPlan, monkeypatch: pytest.MonkeyPatch) -> PlanSender:
    monkeypatch.setattr(module, "require_alone", lambda *_: None)
    run: Any = SimpleNamespace(clock=SteppedClock(NOW))
    source: Any = SimpleNamespace(root=os.fsencode(tmp_path))
    return PlanSender("run", plan, source, str(tmp_path / "chunks.db"), run)


def asked_to_widen(sender: PlanSender, plan: WatchedPlan) -> list[tuple[bool, bool]]:
    """Whether more connections were asked for as for much, and as for large files, by a connection that breaks before
    anything is sent."""

    class Broke(Exception):
        """As far as these tests go."""

    def writer(_run: str) -> None:
        raise Broke

    asked: list[tuple[bool, bool]] = []
    place = SimpleNamespace(widen=lambda *, for_much, for_large: asked.append((for_much, for_large)))
    keeper: Any = SimpleNamespace(begin=lambda *_: None, place=place, writer=writer)
    plan.note_beginning("run", "base", NOW)
    with pytest.raises(Broke):
        sender.send(keeper, FarCopyView())
    return asked


@pytest.mark.parametrize(
    ("files", "size", "much"),
    [
        (1, 1, False),
        (WORTH_FILES - 1, 1, False),
        (WORTH_FILES, 1, True),
        (1, WORTH_BYTES - 1, False),
        (1, WORTH_BYTES, True),
    ],
)
def test_more_connections_are_for_much_alone(
    tmp_path: Path, plan: WatchedPlan, monkeypatch: pytest.MonkeyPatch, files: int, size: int, much: bool
) -> None:
    found = (1, size, OLD_NS, OLD_NS, KINDS["file"])
    plan.add([Difference(b"%d" % number, found, None, None) for number in range(files)])
    ((for_much, _),) = asked_to_widen(plan_sender(tmp_path, plan, monkeypatch), plan)
    assert for_much == much


@pytest.mark.parametrize(("small", "large"), [(1, False), (LARGE_ON_AVERAGE, False), (LARGE_ON_AVERAGE + 2, True)])
def test_large_files_are_told_of_if_the_average_is_large(
    tmp_path: Path, plan: WatchedPlan, monkeypatch: pytest.MonkeyPatch, small: int, large: bool
) -> None:
    for number, size in enumerate((small, LARGE_ON_AVERAGE, LARGE_ON_AVERAGE)):
        plan.add([Difference(b"%d" % number, (1, size, OLD_NS, OLD_NS, KINDS["file"]), None, None)])
    assert asked_to_widen(plan_sender(tmp_path, plan, monkeypatch), plan) == [(False, large)]


def test_more_connections_are_for_many_that_go_too(
    tmp_path: Path, plan: WatchedPlan, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan.add([gone(b"%d" % number) for number in range(WORTH_FILES)])
    assert asked_to_widen(plan_sender(tmp_path, plan, monkeypatch), plan) == [(True, False)]


def test_what_landed_over_an_earlier_connection_is_no_longer_waited_for(
    tmp_path: Path, plan: WatchedPlan, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its syncs will never be answered: what became of it is settled instead."""
    sender = plan_sender(tmp_path, plan, monkeypatch)
    sender._landed.note(b"a")
    (due,) = sender._landed.take_due(5, at_once=True)
    assert due.paths == [b"a"]
    asked_to_widen(sender, plan)
    assert sender._landed.durable == 1, "nothing is under way any more"


def test_a_run_does_not_go_on_to_its_commit_over_a_disk_that_refused_to_sync(plan: WatchedPlan) -> None:
    """Invariants 1 and 3."""
    made = steps(plan, FarBox(plan))
    made._syncs._refusal = Refused("input/output error")
    with pytest.raises(Refused, match="input/output"):
        made._make_durable()
