"""Around the moment when a run counts: what is asked first, what is asked twice, and what follows it at home."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.base import atomic_file
from otherroof.base.clock import SteppedClock
from otherroof.base.errors import HostKeyChanged
from otherroof.base.locks import FileLock, LockNote
from otherroof.copying import commit as commit_module
from otherroof.copying.compare.catalogue_repair import JobStateFiles
from otherroof.copying.compare.compare import Difference
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.home.chunk_lists import ChunkStore
from otherroof.copying.home.chunks import ChunkList
from otherroof.far import session
from otherroof.far.place import Meter
from otherroof.far_copy.entry import Entry
from otherroof.far_copy.keeper import FarNow
from otherroof.far_copy.state import CopyState
from otherroof.far_copy.view import FarCopyView
from otherroof.forecast.trend import days_until_full, growth_a_week
from support.twisted_place import RUN

START = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)
ONE = b"\1" * 32
GB = 1e9


# -- the listing --


class Commit:
    """What a keeper was asked around a commit, on a connection that gives these views one after the other."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *views: FarCopyView) -> None:
        self.asked: list[str] = []
        self.views = views
        monkeypatch.setattr(commit_module, "require_alone", lambda *_: self.asked.append("alone?"))
        self.stands = FarNow([], "base")

    def begin(self, _run: str, _view: FarCopyView) -> None:
        self.asked.append("begin")

    def commit(self, _state: object, _blocks: object, _taken: object, check: Callable[[FarNow], None]) -> None:
        check(self.stands)
        self.asked.append("commit")

    def hold_listing(self, run: str) -> None:
        self.asked.append(f"hold {run}")

    def with_retries(self, deed: Callable[[Any, FarCopyView], None]) -> None:
        for view in self.views:
            deed(self, view)

    def carried_out(self) -> list[str]:
        commit_module._commit_listing(self, CopyState(RUN, "larch"), None, "now", "base")  # type: ignore[arg-type]
        return self.asked


def test_another_server_is_looked_for_just_before_a_run_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    assert Commit(monkeypatch, FarCopyView(ready=True)).carried_out() == ["alone?", "commit"]


def test_a_first_run_of_an_empty_folder_makes_the_far_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    assert Commit(monkeypatch, FarCopyView()).carried_out() == ["begin", "alone?", "commit"]


def test_a_commit_whose_answer_was_lost_is_not_made_again_but_made_to_last(monkeypatch: pytest.MonkeyPatch) -> None:
    """Invariant 1: home is about to write that this run counts."""
    assert Commit(monkeypatch, FarCopyView(runs=[RUN], ready=True)).carried_out() == [f"hold {RUN}"]


# -- chunk lists --


def test_chunk_lists_follow_files_that_moved_and_go_with_files_that_went(tmp_path: Path) -> None:
    for name in ("chunks", "notes"):
        (tmp_path / name).mkdir()
    files = JobStateFiles(str(tmp_path), "photos")
    chunks = ChunkList(1024)
    chunks.add(5, b"t" * 16)
    with closing(ChunkStore(files.chunks)) as store:
        for path in (b"moved from", b"gone", b"stays"):
            store.put(path, ONE, chunks)
    plan = RunPlan(files.notes)
    found = (1, 10, 5, 7, 0o100644)
    old = Entry(b"gone", "file", 10, 5, 0o644, 0, 0, digest=ONE).line().encode()
    plan.add([Difference(b"moved to", found, None, None)])
    plan.add([Difference(path, None, found, old) for path in (b"moved from", b"gone")])
    plan.note_source(b"moved to", ONE, b"moved from")
    for path in (b"moved to", b"moved from", b"gone"):
        change = plan.get(path)
        assert change is not None
        plan.begin(change)
        plan.done(change)
    assert commit_module._keep_chunks(files, plan) == []
    plan.close()
    with closing(ChunkStore(files.chunks)) as store:
        known = {path for path in (b"moved from", b"moved to", b"gone", b"stays") if store.get(path, ONE) is not None}
    assert known == {b"moved to", b"stays"}


# -- state files --


def test_a_file_that_takes_anothers_name_is_durable_under_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A name is content of its folder (fsync(2))."""
    (tmp_path / "new").write_bytes(b"new")
    order: list[str] = []
    real = os.rename

    def rename(*words: Any, **more: Any) -> None:
        real(*words, **more)
        order.append("rename")

    monkeypatch.setattr(atomic_file.os, "rename", rename)
    monkeypatch.setattr(
        atomic_file.os, "fsync", lambda handle: order.append(os.path.basename(os.readlink(f"/proc/self/fd/{handle}")))
    )
    atomic_file.rename_over(str(tmp_path / "new"), str(tmp_path / "old"))
    assert order == ["rename", tmp_path.name]


def test_a_secret_is_never_open_to_others_not_even_for_an_instant(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    modes: list[int] = []
    real = os.fdopen

    def opened(handle: int, *more: Any) -> Any:
        modes.append(os.fstat(handle).st_mode & 0o777)
        return real(handle, *more)

    monkeypatch.setattr(atomic_file.os, "fdopen", opened)
    before = os.umask(0)
    try:
        atomic_file.replace_file(str(tmp_path / "page"), "for all", 0o644)
        atomic_file.create_file(str(tmp_path / "key"), "secret")
    finally:
        os.umask(before)
    assert modes == [0o600, 0o600]
    assert [(tmp_path / name).stat().st_mode & 0o777 for name in ("page", "key")] == [0o644, 0o600]


def test_a_lock_that_was_given_back_names_nobody_and_is_free_though_a_child_has_it_open(tmp_path: Path) -> None:
    """A program that is just being started may have the same opening for an instant (flock(2))."""
    path = tmp_path / "lock"
    lock = FileLock(str(path), SteppedClock(START), LockNote("a run", "photos", "wait", "run"))
    lock.hold()
    assert b"run" in path.read_bytes()
    child = os.dup(lock._file)
    try:
        lock.release()
        assert path.read_bytes() == b""
        other = os.open(path, os.O_RDWR)
        fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
        os.close(other)
    finally:
        os.close(child)


# -- who is told our name --


@pytest.mark.parametrize("known", [True, False])
def test_nothing_of_ours_is_shown_before_the_far_box_has_proved_its_key(
    monkeypatch: pytest.MonkeyPatch, known: bool
) -> None:
    """Invariant 5."""
    order: list[str] = []

    def prove(*_: object) -> None:
        order.append("its key is proved")
        if not known:
            raise HostKeyChanged("another key", where="192.0.2.7:22", advice="look")

    closing_one: Any = SimpleNamespace(close=lambda: order.append("closed"))
    monkeypatch.setattr(session, "read_login_key", lambda _path: "key")
    monkeypatch.setattr(session, "connect", lambda _target: closing_one)
    monkeypatch.setattr(session, "negotiate", lambda *_: closing_one)
    monkeypatch.setattr(session, "prove_host_key", prove)
    monkeypatch.setattr(session, "log_in", lambda *_: order.append("logged in"))
    target = session.SshTarget("192.0.2.7", 22, "copykeeper", "key", "ssh-ed25519 AAAA")
    if known:
        session.open_session(target, Meter())
        assert order == ["its key is proved", "logged in"]
    else:
        with pytest.raises(HostKeyChanged):
            session.open_session(target, Meter())
        assert order == ["its key is proved", "closed", "closed"]


# -- how little is no trend --


def test_four_readings_or_five_days_tell_no_day() -> None:
    growing = [(float(day * 2), 100 * GB + day * 2 * GB) for day in range(5)]
    assert days_until_full(growing, 1000 * GB) is not None
    assert days_until_full(growing[:4], 1000 * GB) is None
    assert days_until_full([(day / 2, used) for day, used in growing], 1000 * GB) is None, "four days"


@pytest.mark.parametrize(("nights", "told"), [(13, False), (14, True)])
@pytest.mark.parametrize("a_night", [1 * GB, -1 * GB])
def test_two_weeks_of_nights_tell_growth_or_shrinking_by_the_week(nights: int, told: bool, a_night: float) -> None:
    found = growth_a_week([50 * GB + place * a_night for place in range(nights)])
    assert found == (pytest.approx(7 * a_night) if told else None)
