"""Two servers with the same settings, as when the old one stays on after a move: nothing is spoiled, and it is told."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast
from unittest.mock import patch

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.copying import other_server
from otherroof.copying import run as run_module
from otherroof.copying.other_server import FRESH_S, KEEP_FRESH_S, fresh_mark_of_another
from otherroof.copying.send.far_syncs import FarSyncs
from otherroof.copying.send.files import FileSender
from otherroof.copying.send.landed import LandedFiles
from otherroof.copying.send.send import SendSteps
from otherroof.far.local.place import LocalPlace
from otherroof.far.requests import Script
from otherroof.far_copy.keeper import RunMark
from otherroof.jobs import open_job
from otherroof.jobs.run import RunResult
from support.main_job import OneJob, stand_in_door


@pytest.mark.parametrize(
    ("server", "age", "found"),
    [("other", 0, True), ("other", FRESH_S - 1, True), ("other", FRESH_S, False), ("ours", 0, False), ("", 0, False)],
)
def test_only_a_fresh_mark_of_another_server_counts(server: str, age: int, found: bool) -> None:
    marks = [RunMark("run", "ours", 100_000), RunMark("before", server, 100_000 - age)]
    assert (fresh_mark_of_another(marks, "run") is not None) is found


@pytest.fixture
def servers(tmp_path: Path) -> Iterator[tuple[OneJob, OneJob]]:
    """Two machines with the same settings, keys and files, and a state of their own each; a first version stands."""
    with stand_in_door(tmp_path) as door:
        old, new = (OneJob(tmp_path / name, door, far_more={"tries": 1}) for name in ("old", "new"))
        for number in range(40):
            for server in (old, new):
                server.put(f"{number % 4}/{number}", b"%d" % number)
        old.done()
        shutil.copytree(tmp_path / "old/settings/keys", tmp_path / "new/settings/keys", dirs_exist_ok=True)
        yield old, new


def change(server: OneJob, says: bytes) -> None:
    for number in range(0, 40, 2):
        server.put(f"{number % 4}/{number}", says * (number + 1))


def run_as(name: str, server: OneJob) -> RunResult:
    with patch.object(open_job, "machine_mark", lambda: name):
        return server.run()


@contextmanager
def in_the_middle(owner: Any, name: str, what: Callable[[], object]) -> Iterator[None]:
    """Calls `what` once, just before this function or method is called for the first time."""
    real = getattr(owner, name)
    left = [what]

    def first(*given: Any, **more: Any) -> Any:
        if left:
            left.pop()()
        return real(*given, **more)

    with patch.object(owner, name, first):
        yield


def killed_in(owner: Any, name: str, server: OneJob) -> None:
    """A run of the old server that is killed just before this is called for the first time."""

    def die() -> None:
        raise KeyboardInterrupt

    with in_the_middle(owner, name, die), pytest.raises(KeyboardInterrupt):
        run_as("old", server)


@pytest.mark.parametrize(("owner", "name"), [(FileSender, "send"), (SendSteps, "settle"), (run_module, "commit_run")])
def test_a_server_that_comes_while_another_copies_writes_nothing(
    servers: tuple[OneJob, OneJob], owner: Any, name: str
) -> None:
    old, new = servers
    change(old, b"old")
    change(new, b"new")
    refused: list[RunResult] = []
    with in_the_middle(owner, name, lambda: refused.append(run_as("new", new))):
        ran = run_as("old", old)
    assert ran.error is None, "the one that was first is not held up"
    (second,) = refused
    assert second.report.outcome == "failed"
    assert "another server is copying to it" in str(second.error)
    assert not old.earlier(second.report.run).exists()
    old.all_come_back()


def test_a_server_that_was_silent_for_long_does_not_spoil_the_version_that_another_made_meanwhile(
    servers: tuple[OneJob, OneJob], monkeypatch: pytest.MonkeyPatch
) -> None:
    old, new = servers
    change(old, b"old")
    change(new, b"new")
    done: list[RunResult] = []
    monkeypatch.setattr(other_server, "FRESH_S", 0)
    with in_the_middle(run_module, "commit_run", lambda: done.append(run_as("new", new))):
        ran = run_as("old", old)
    (made,) = done
    assert made.error is None
    assert "another server copied to it meanwhile" in str(ran.error)
    assert ran.report.outcome == "failed"
    new.all_come_back()
    old.all_come_back()
    assert run_as("new", new).error is None
    new.all_come_back()


def test_a_run_of_this_server_that_was_cut_a_moment_ago_holds_nobody_up(servers: tuple[OneJob, OneJob]) -> None:
    """Also if all state is lost: the mark at the far end tells whose it is."""
    old, _ = servers
    change(old, b"old")
    killed_in(FileSender, "send", old)
    assert len(list((old.far / "incoming").glob("*.under-way"))) == 1
    old.forget_state()
    assert run_as("old", old).error is None
    old.all_come_back()


def test_a_run_that_changed_nothing_does_not_count_while_another_server_copies(
    servers: tuple[OneJob, OneJob],
) -> None:
    """Its listing would name what is just being replaced."""
    old, new = servers
    assert run_as("new", new).error is None
    assert run_as("new", new).error is None
    change(old, b"old")
    refused: list[RunResult] = []
    with in_the_middle(FileSender, "send", lambda: refused.append(run_as("new", new))):
        assert run_as("old", old).error is None
    assert "another server is copying" in str(refused[0].error)


def test_a_run_that_goes_on_for_long_keeps_its_mark_fresh(tmp_path: Path) -> None:
    asked: list[bytes] = []

    class NotedWriter:
        place = LocalPlace(bytes(tmp_path))

        def keep_mark_fresh(self) -> Script[None]:
            asked.append(b"fresh")
            return
            yield

    clock = SteppedClock(datetime(2031, 4, 5, tzinfo=UTC))
    syncs = FarSyncs(LandedFiles(clock), cast(Any, None), cast(Any, NotedWriter()), clock)
    for _ in range(10):
        clock.sleep(KEEP_FRESH_S / 2 + 1)
        for result in NotedWriter.place.carry_out(syncs.due_tasks()):
            syncs.ended(result)
    assert len(asked) == 5


def test_what_another_machine_left_half_done_is_told(servers: tuple[OneJob, OneJob]) -> None:
    old, new = servers
    change(old, b"old")
    killed_in(SendSteps, "settle", old)
    with patch.object(other_server, "FRESH_S", 0):
        ran = run_as("new", new)
    assert ran.error is None
    assert ["another machine's" in problem.why for problem in ran.report.problems] == [True]
