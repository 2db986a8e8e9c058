"""The far box's power goes after any request of any run: by the model of each kind of file system, nothing is lost.

One household's runs are taped once for all tests here; what a cut leaves is found by playing the tape. Each slip that
would lose something must show: a test that takes syncs out of the tape and sees nothing missing would prove nothing.
`OTHERROOF_SEED` chooses other days and moments, `OTHERROOF_POWER_CUTS` how many; every failure names its seed.
"""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal
from unittest.mock import patch

import pytest

from otherroof.copying.report import GOOD
from otherroof.far import requests
from otherroof.far_copy.writer import Writer
from otherroof.jobs.run import RunResult
from otherroof.layouts.open.writer import OpenWriter
from support.main_job import JOB, OneJob
from support.open_versions import broken_in_folder, broken_versions, listed_runs
from support.power_days import GUARD_OFF, PowerDays
from support.power_model import (
    DISKS,
    Change,
    Inode,
    Names,
    PowerDisk,
    Slip,
    Tape,
    Tree,
    cut_after,
    cuts,
    no_slip,
)
from support.power_place import PowerBox, power_job
from support.quick import ALL

SEED = int(os.environ.get("OTHERROOF_SEED", "20310405"))
CUTS = int(os.environ.get("OTHERROOF_POWER_CUTS", "3"))
DAYS = 3
EVERY = 12 if ALL else 24  # requests, between two moments that are tried
KINDS = sorted(DISKS)


# What a writer can be asked for; four of it change nothing that a listing names.
SCRIPTS = {
    name for name, what in vars(Writer).items() if "Script[" in getattr(what, "__annotations__", {}).get("return", "")
}
SCRIPTS -= {"adopt", "standing", "keep_mark_fresh", "forget_part"}


@dataclass
class Taped:
    """A household's runs on one tape. `ends`: after which request each run had counted, by run; `scripts`: what the
    writer was asked for."""

    tape: Tape
    job: OneJob
    ends: dict[str, int] = field(default_factory=dict)
    scripts: set[str] = field(default_factory=set)

    @contextmanager
    def noting_scripts(self) -> Iterator[None]:
        """Note which scripts are asked for meanwhile."""

        def noting(name: str, script: Callable[..., Any]) -> Callable[..., Any]:
            def asked(*given: Any, **more: Any) -> Any:
                self.scripts.add(name)
                return script(*given, **more)

            return asked

        with ExitStack() as stack:
            for name in SCRIPTS:
                stack.enter_context(patch.object(OpenWriter, name, noting(name, getattr(OpenWriter, name))))
            yield


@pytest.fixture(scope="module")
def taped(tmp_path_factory: pytest.TempPathFactory) -> Taped:
    with power_job(tmp_path_factory.mktemp("taped"), SEED, job_more=GUARD_OFF) as (job, box):
        days, found = PowerDays(job, SEED), Taped(box.tape, job)
        days.first()
        for day in range(DAYS):
            if day:
                days.next()
            with found.noting_scripts():
                run = job.done().run
            found.ends[run] = len(box.tape)
        assert all(any(path.startswith(b"film") for path in tree) for tree in job.trees.values())
        assert broken_in_folder(job.far, job.trees) == {}
        return found


def lost(taped: Taped, kind: str, slip: Slip = no_slip, *, every: int = 1, seed: int = SEED) -> Iterator[str]:
    """Everything that a cut after some request leaves broken."""
    for number, tree in cuts(taped.tape, kind, seed, slip=slip, every=every):
        runs = names_in(tree, b"runs")
        for run, wrong in broken(tree, taped.job).items():
            yield f"seed {seed}, cut after request {number}: {run}: {wrong[0]}"
        for run, end in taped.ends.items():
            if number >= end and run not in listed_runs(runs):
                yield f"seed {seed}, cut after request {number}: {run} was done, and its listing is gone"


def broken(tree: Tree, job: OneJob) -> dict[str, list[str]]:
    def read(path: bytes) -> bytes | None:
        entry = tree.get(JOB.encode() + b"/" + path)
        return entry.content if entry is not None and entry.kind == "file" else None

    return broken_versions(read, listed_runs(names_in(tree, b"runs")), names_in(tree, b"earlier"), job.trees)


def names_in(tree: Tree, folder: bytes) -> list[str]:
    above = JOB.encode() + b"/" + folder
    return sorted(path.rpartition(b"/")[2].decode() for path in tree if path.rpartition(b"/")[0] == above)


@pytest.mark.parametrize("kind", KINDS)
def test_a_cut_after_any_request_leaves_every_version_whole(taped: Taped, kind: str) -> None:
    """Invariants 1, 2 and 3."""
    assert list(lost(taped, kind)) == []


# -- the order itself --


class SyncedNames(PowerDisk):
    """Which names are sure, of whatever kind the disk is: a name is if its file was synced after it was given."""

    def _begin(self) -> None:
        self.sure = set(self.names)

    def _changed_names(self, group: list[Change], touched: set[Inode]) -> None:
        self.sure -= {key for key, _ in group}

    def _made_durable(self, inode: Inode) -> None:
        self.sure |= {key for key, named in self.names.items() if named is inode}

    def _names_left(self, dice: random.Random) -> Names:
        return dict(self.names)

    def unsure_files(self) -> list[bytes]:
        """Files of the newest copy that a power cut might undo, wholly or in part."""
        latest = JOB.encode() + b"/latest/"
        files = {path: left.inode for path, left in self.after_cut(random.Random(0)).items() if left.kind == "file"}
        return [
            path
            for path, inode in files.items()
            if path.startswith(latest) and (inode.unsynced or self._key(path) not in self.sure)
        ]


def unsure_at_commits(tape: Tape, slip: Slip = no_slip) -> list[list[bytes]]:
    """For each listing, what was not durable when it was renamed into place: of the newest copy, or itself."""
    disk, found = SyncedNames(tape.before, slip), []
    for event in tape.events:
        if isinstance(event.op, requests.Rename) and b"/runs/" in event.op.new and event.op.new.endswith(LISTING):
            listing = disk.at(event.op.old)
            assert listing is not None
            found.append([*disk.unsure_files(), *[event.op.old] * listing.unsynced])
        disk.hear(event)
    return found


def test_nothing_that_a_listing_names_was_ever_not_durable_when_it_was_renamed(taped: Taped) -> None:
    """Invariants 1 and 3, with every script of the writer at work."""
    assert taped.scripts == SCRIPTS
    assert unsure_at_commits(taped.tape) == [[]] * DAYS


@pytest.mark.parametrize(
    "part", [b"/latest/letters", b"/latest/moved", b"/latest/doubled", b"/latest/alike", b"/runs/"]
)
def test_each_sync_that_is_left_out_shows_at_the_commit(taped: Taped, part: bytes) -> None:
    unsure = unsure_at_commits(taped.tape, drop(part.replace(b"/runs/", b".jsonl.gz")))
    assert any(unsure), part


# -- the slips --


def drop(part: bytes, done: Literal["not done", "names only"] = "not done", *, but: bytes = b"\0") -> Slip:
    """Syncs of files at paths with `part` in them (and without `but`) are not done, or too early for the content."""
    return lambda path: done if part in path and but not in path else "done"


LISTING = b".jsonl.gz"
SLIPS: dict[str, Slip] = {
    "no sync at all": drop(b""),
    "content not synced": drop(b"", but=LISTING),
    "synced before it was written": drop(b"", "names only"),
    "content synced before it was written": drop(b"", "names only", but=LISTING),
    "listing not synced": drop(LISTING),
    "listing synced before it was written": drop(LISTING, "names only"),
    "listing not synced under its name": drop(b"/runs/"),
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_in_the_syncs_shows(taped: Taped, kind: str, slip: str) -> None:
    assert next(lost(taped, kind, SLIPS[slip]), None) is not None


def test_asides_that_are_not_synced_show_on_btrfs(taped: Taped) -> None:
    """On ext4 and XFS the syncs of what is new make the renames before them last as well."""
    kind = "btrfs, a transaction before each run"  # then the old file is in no log, and its one name there is taken
    assert next(lost(taped, kind, drop(b"/earlier/")), None) is not None


# -- what comes after --


@pytest.mark.slow
@pytest.mark.parametrize("state", ["state kept", "state lost"])
@pytest.mark.parametrize("kind", KINDS)
def test_the_run_after_a_cut_completes(tmp_path: Path, kind: str, state: str) -> None:
    """Invariants 4 and 8: home is killed in the same moment, and goes on from what it had then."""
    for number in range(CUTS):
        seed = SEED + number
        with power_job(tmp_path / str(number), seed, job_more=GUARD_OFF) as (job, box):
            go_on_from(job, box, kind, cut_during_second_run(job, box, seed), state)


KIND_CHANGES = {
    "a file becomes a folder": ("file", "folder"),
    "a folder becomes a file": ("folder", "file"),
    "a folder becomes a link": ("folder", "link"),
}
AFTER = ("state kept", "state lost", "same run goes on")


@pytest.mark.slow
@pytest.mark.parametrize("after", AFTER)
@pytest.mark.parametrize("change", KIND_CHANGES)
def test_kinds_change_and_the_power_goes(tmp_path: Path, change: str, after: str) -> None:
    """Invariants 2, 3 and 8: what home has noted as done is not done at the far end any more."""
    old, new = KIND_CHANGES[change]
    for number in range(1, 100):
        with power_job(tmp_path / str(number), SEED, job_more=GUARD_OFF, far_more={"tries": 5}) as (job, box):
            for kind in (old, new):
                for name in "abc":
                    make(job, name, kind)
                if kind == old:
                    job.done()
            moment = len(box.tape) + EVERY * number
            if after == "same run goes on":
                if not fall_meanwhile(job, box, "ext4 and XFS", moment):
                    break
            else:
                box.at_request[moment] = lambda: keep(job.state, job.where / "state then")
                job.done()
                if moment > len(box.tape):  # every so many requests of this run have had their turn
                    break
                go_on_from(job, box, "ext4 and XFS", moment, after)
    assert number > 3


def make(job: OneJob, name: str, kind: str) -> None:
    """Let something of this kind stand at `name`, and nothing else."""
    path = job.path(name)
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
    if kind == "folder":
        job.put(f"{name}/below/inside", b"inside " + name.encode())
    elif kind == "link":
        path.symlink_to("elsewhere")
    else:
        job.put(name, b"a file " + name.encode())


def go_on_from(job: OneJob, box: PowerBox, kind: str, moment: int, state: str) -> None:
    """The power had gone at that moment of the last run; the next one goes on from what was left."""
    job.trees.pop(max(job.trees))  # home never got so far
    box.begin_with(cut_after(box.tape, kind, moment, box.seed))
    shutil.rmtree(job.state)
    if state == "state kept":
        (job.where / "state then").rename(job.state)
    whole_after(job, f"seed {box.seed}, cut after request {moment}")


def cut_during_second_run(job: OneJob, box: PowerBox, seed: int) -> int:
    """Two runs; answers a request of the second, after which home's state was kept as it was then."""
    days, dice = PowerDays(job, seed, files=16, kinds=False), random.Random(seed)
    days.first()
    job.done()
    days.next()
    begun = len(box.tape)
    moment = begun + dice.randrange(1, begun)
    box.at_request[moment] = lambda: keep(job.state, job.where / "state then")
    job.done()
    assert len(box.tape) > moment
    return moment


def keep(state: Path, then: Path) -> None:
    shutil.copytree(state, then)


def whole_after(job: OneJob, told: str) -> None:
    """One run more, which goes well; every version is whole then, and this one comes back."""
    whole(job, job.run(), told)


def whole(job: OneJob, ran: RunResult, told: str) -> None:
    assert ran.error is None, f"{told}: {ran.error}"
    assert ran.report.outcome in GOOD, f"{told}: {ran.report.reason}"
    assert broken_in_folder(job.far, job.trees) == {}, told
    assert job.unlike(ran.report.run) == [], told


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_a_run_goes_on_when_the_far_box_has_fallen(tmp_path: Path, kind: str) -> None:
    """Invariants 1, 2, 3 and 8: what had arrived, and was not durable, may be gone when it is there again."""
    for number in range(CUTS):
        seed = SEED + number
        with power_job(tmp_path / str(number), seed, job_more=GUARD_OFF, far_more={"tries": 5}) as (job, box):
            days, dice = PowerDays(job, seed, files=16, kinds=False), random.Random(seed)
            days.first()
            assert fall_meanwhile(job, box, kind, dice.randrange(20, 130))
            days.next()
            assert fall_meanwhile(job, box, kind, len(box.tape) + dice.randrange(20, 130))
            box.begin_with(cut_after(box.tape, kind, len(box.tape), seed))
            assert broken_in_folder(job.far, job.trees) == {}, f"seed {seed}, cut in the end"
            job.all_come_back()


def fall_meanwhile(job: OneJob, box: PowerBox, kind: str, moment: int) -> bool:
    """A run during which the power goes; it ends well all the same. False if it was over before that request."""
    box.power_goes_at(moment, kind)
    ran = job.run()
    fell = not box.at_request
    box.at_request.clear()
    whole(job, ran, f"seed {box.seed}, power gone at request {moment}")
    return fell
