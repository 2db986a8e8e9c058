"""The far box's power goes while versions are thinned: by the model of each kind of file system, what stays is whole.

One household's runs and removals are on one tape; a cut after each request of the removals is played on each kind.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock
from support.main_job import JOB
from support.open_versions import broken_in_folder, broken_versions, listed_runs
from support.power_days import PowerDays
from support.power_model import DISKS, Tree, cut_after, cuts
from support.power_place import PowerBox, power_job
from support.quick import ALL
from support.thinned_household import KEEPS, START, Household, clocks_alike

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

SEED = 20310407
DAYS = 6
KINDS = sorted(DISKS)
ONLY_AT_RUNS = "btrfs, a transaction before each run"  # nothing else becomes durable there without a sync


@dataclass
class Thinned:
    """A household with its tape. `removing`: between which requests versions went. `state`: home's, as it was before
    each of these, by its first request. `noted`: what was to go then."""

    home: Household
    box: PowerBox
    removing: list[tuple[int, int]] = field(default_factory=list)
    noted: set[str] = field(default_factory=set)
    state: Path = Path()


@pytest.fixture(scope="module")
def thinned(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Thinned]:
    where, clock = tmp_path_factory.mktemp("thinned"), SteppedClock(START)
    with (
        power_job(where, SEED, job_more=KEEPS, clock=clock) as (job, box),
        clocks_alike(),
    ):
        home, days = Household(job, clock), PowerDays(job, SEED, files=12)
        found = Thinned(home, box)
        days.first()
        for _ in range(DAYS):
            home.day()
            days.next()
        home.thin()
        found.noted = set(home.notes())
        clock.step(2 * 86_400)
        found.state = where / "state before"
        shutil.copytree(job.state, found.state)
        begun = len(box.tape)
        assert set(home.thin().removed) == found.noted
        found.removing.append((begun, len(box.tape)))
        assert broken_in_folder(job.far, job.trees) == {}
        days.next()
        home.runs.append(job.done().run)  # at once: what was removed may not be durable yet
        yield found


def broken(tree: Tree, found: Thinned) -> dict[str, list[str]]:
    def read(path: bytes) -> bytes | None:
        entry = tree.get(JOB.encode() + b"/" + path)
        return entry.content if entry is not None and entry.kind == "file" else None

    return broken_versions(read, standing(tree), names_in(tree, b"earlier"), found.home.job.trees)


def standing(tree: Tree) -> list[str]:
    return listed_runs(names_in(tree, b"runs"))


def names_in(tree: Tree, folder: bytes) -> list[str]:
    above = JOB.encode() + b"/" + folder
    return sorted(path.rpartition(b"/")[2].decode() for path in tree if path.rpartition(b"/")[0] == above)


@pytest.mark.parametrize("kind", KINDS)
def test_a_cut_after_any_request_of_a_removal_and_of_the_run_after_it_harms_no_version(
    thinned: Thinned, kind: str
) -> None:
    """Invariants 2 and 3. A version that is to go is whole as well, as long as it stands."""
    begun, _ = thinned.removing[0]
    stays = set(thinned.home.runs[:-1]) - thinned.noted
    tried = 0
    for seed in range(3 if ALL else 2):
        for number, tree in cuts(thinned.box.tape, kind, SEED + seed):
            if number > begun:
                tried += 1
                assert broken(tree, thinned) == {}, f"{kind}, cut after request {number}"
                assert stays <= set(standing(tree)), f"{kind}, cut after request {number}"
    assert tried > 200


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("state", ["state as before", "state as after"])
def test_the_removal_after_a_cut_comes_to_its_end(thinned: Thinned, tmp_path: Path, kind: str, state: str) -> None:
    """Invariant 8. Home may have lost its state of that moment too, or may know of things that never became durable."""
    begun, ended = thinned.removing[0]
    for number in random.Random(SEED).sample(range(begun + 1, ended + 1), 12 if ALL else 4):
        tree = cut_after(thinned.box.tape, kind, number, SEED)
        where, clock = tmp_path / str(number), SteppedClock(thinned.home.clock.now())
        with (
            power_job(where, SEED, job_more=KEEPS, clock=clock) as (job, box),
            clocks_alike(),
        ):
            home = Household.like(thinned.home, job, clock)
            newest = home.runs.pop()
            job.trees.pop(newest)
            shutil.rmtree(job.state)
            shutil.copytree(thinned.state, job.state)
            if state == "state as after":  # of the very end of the removal
                home.thin()
            box.begin_with(tree)
            found = home.thin()
            assert found.objection == "", f"{kind}, cut after request {number}"
            if kind == ONLY_AT_RUNS:  # the notes of two days ago may be lost there too: then they wait anew
                clock.step(2 * 86_400)
                home.thin()
            assert not thinned.noted & {*home.versions(), *home.notes()}
            assert broken_in_folder(job.far, job.trees) == {}
            home.day()
            home.thin()
            assert broken_in_folder(job.far, job.trees) == {}
            home.all_that_stay_come_back()
        shutil.rmtree(where)
