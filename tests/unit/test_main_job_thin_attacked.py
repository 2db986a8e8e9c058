"""The main job's thinning under attack: killed, beside restores and proofs, with notes and listings that vanish.

Over a far box in a folder whose requests are counted, so that something can happen between any two of them.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import LinkLost, OtherroofError
from otherroof.jobs.context import JobContext
from otherroof.jobs.prove import ProofResult, ProveOptions, prove
from otherroof.jobs.restore import THINNED, list_versions
from otherroof.jobs.thinning.thin import ThinProgress, pin
from otherroof.layouts.open.remover import OpenRemover
from otherroof.restore.proving.report import ProofProgress
from otherroof.restore.thinning.removal import Removal
from support.main_job import JOB
from support.open_versions import broken_in_folder
from support.power_place import PowerBox, power_job
from support.quick import ALL, slow_but_for
from support.random_days import RandomDays
from support.thinned_household import KEEPS, START, Household, clocks_alike

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

DAYS = 7


@contextmanager
def household(where: Path, like: Household | None = None) -> Iterator[tuple[Household, PowerBox]]:
    """A household of its own, or the same as another one."""
    clock = SteppedClock(START if like is None else like.clock.now())
    where.mkdir(parents=True, exist_ok=True)
    with (
        power_job(where, 3, job_more=KEEPS, clock=clock) as (job, box),
        clocks_alike(),
    ):
        yield (Household(job, clock) if like is None else Household.like(like, job, clock)), box


@pytest.fixture(scope="module")
def ripe(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Household]:
    """Random days of which most versions are noted and ripe: the next thinning removes them. Only to be copied."""
    with household(tmp_path_factory.mktemp("ripe")) as (home, _):
        days = RandomDays(home.job.folder, 11, largest=100_000)
        for _ in range(DAYS):
            days.pass_one(9)
            home.day()
        home.thin()
        home.clock.step(2 * 86_400)
    assert len(home.notes()) >= DAYS - 4
    yield home


def falls_at(box: PowerBox, number: int, then: Callable[[], None] = lambda: None) -> None:
    """After so many requests more the connection is lost, once `then` was done."""

    def fall() -> None:
        then()
        raise LinkLost("lost here", where="heron")

    box.at_request[len(box.tape) + number] = fall


def requests_of(ripe: Household, where: Path, deed: Callable[[Household], object]) -> int:
    """How many requests a deed takes."""
    with household(where, ripe) as (home, box):
        before = len(box.tape)
        deed(home)
        return len(box.tape) - before


def proof(home: Household) -> ProofResult:
    with home.ledger() as ledger:
        options = ProveOptions(whole=True, heal=False)
        return prove(home.job.settings, JOB, JobContext(ProofProgress(), ledger, home.clock), options)


def assert_ended(home: Household, ripe: Household) -> None:
    """All that was ripe has gone, and no note of it is left."""
    assert not set(ripe.notes()) & {*home.notes(), *home.versions()}


def pin_first(home: Household) -> str:
    """The oldest version stays for good."""
    context = JobContext(ThinProgress(), clock=home.clock)
    return pin(home.job.settings, JOB, home.runs[0], "the house as it was", context)


def thinned_rows(home: Household) -> list[str]:
    with home.ledger() as ledger:
        return [run for row in ledger.thinned.rows(JOB) for run in row.runs]


# -- killed --


def test_proof_after_a_killed_removal_finds_nothing_missing_and_the_removal_is_ended(
    ripe: Household, tmp_path: Path
) -> None:
    """A removal that a proof took for damage could never be ended: nothing goes while damage is known."""

    def cut(*_: object) -> None:
        raise LinkLost("cut here", where="heron")

    with household(tmp_path, ripe) as (home, _):
        pin_first(home)  # an older version stays, so those after it could be missed
        with patch.object(Removal, "_hand_on", cut), pytest.raises(LinkLost):
            home.thin()
        assert len(home.versions()) < DAYS
        assert proof(home).report.damaged == []
        ended = home.thin()
        assert (ended.objection, set(home.notes()) & set(ended.removed)) == ("", set())
        assert set(ended.removed) == set(home.runs) - set(home.versions())
        assert proof(home).report.damaged == []
        home.all_that_stay_come_back()


def test_killed_as_the_notes_are_taken_back_it_is_known_what_was_thinned(ripe: Household, tmp_path: Path) -> None:
    def cut(*_: object) -> None:
        raise LinkLost("cut here", where="heron")

    with household(tmp_path, ripe) as (home, box):
        pin_first(home)
        take_back = OpenRemover.take_back

        def one_and_cut(remover: OpenRemover, note: object) -> object:
            yield from take_back(remover, note)  # type: ignore[arg-type]
            cut()

        with patch.object(OpenRemover, "take_back", one_and_cut), pytest.raises(LinkLost):
            home.thin()
        gone = set(home.runs) - set(home.versions())
        assert len(home.notes()) < len(gone), "some notes have gone"
        assert proof(home).report.damaged == []
        home.thin()
        assert sorted(thinned_rows(home)) == sorted(gone), "each is told once"
        assert len(box.tape) > 0


@pytest.mark.parametrize("part", range(4) if ALL else (3,))
def test_killed_at_each_request_and_a_run_cut_before_it_is_ended(ripe: Household, tmp_path: Path, part: int) -> None:
    """Invariants 2 and 8: the next run comes in between, with files that changed meanwhile, and is cut too."""
    most = requests_of(ripe, tmp_path / "counted", Household.thin)
    assert most > 40
    tried = 0
    for number in range(1 + part, most, 4):
        where = tmp_path / str(number)
        with household(where, ripe) as (home, box):
            dice = random.Random(number)
            falls_at(box, number)
            with pytest.raises(LinkLost):
                home.thin()
            box.at_request.clear()
            assert broken(home) == {}, f"killed at request {number}"
            days = RandomDays(home.job.folder, number, largest=100_000)
            days.pass_one(7)
            home.clock.step(3600)
            falls_at(box, dice.randrange(12, 60))
            home.job.run()
            box.at_request.clear()
            assert broken(home) == {}, f"a run was cut after a thin killed at request {number}"
            if number % 2:
                home.thin()
                assert broken(home) == {}
            days.pass_one(3)
            home.day()
            ended = home.thin()
            assert ended.objection == ""
            assert broken(home) == {}, f"ended after a thin killed at request {number}"
            assert not set(home.notes()) - set(home.versions())
            if number % 5 == 1:
                home.all_that_stay_come_back()
            tried += 1
        shutil.rmtree(where)
    assert tried > 8


def broken(home: Household) -> dict[str, list[str]]:
    """Which versions that still stand are not whole, looked at without the product. One that is to go counts too."""
    return broken_in_folder(home.job.far, home.job.trees)


def test_thinning_once_more_changes_nothing(ripe: Household, tmp_path: Path) -> None:
    with household(tmp_path, ripe) as (home, _):
        assert home.thin().removed
        before = {path: path.read_bytes() for path in home.job.far.rglob("*") if path.is_file()}
        folders = {path for path in home.job.far.rglob("*") if path.is_dir()}
        for _ in range(2):
            again = home.thin()
            assert (again.noted, again.removed, again.taken_back) == ((), (), ())
        assert {path: path.read_bytes() for path in home.job.far.rglob("*") if path.is_file()} == before
        assert {path for path in home.job.far.rglob("*") if path.is_dir()} == folders


# -- beside restores and proofs --


def thins(home: Household) -> Callable[[], None]:
    """All of a removal at once."""

    def deed() -> None:
        home.thin()

    return deed


def staying(ripe: Household) -> list[str]:
    return sorted(set(ripe.runs) - set(ripe.notes()))


@pytest.mark.parametrize("seed", slow_but_for(range(3), range(40), most=10))
def test_what_stays_comes_back_while_versions_go(ripe: Household, tmp_path: Path, seed: int) -> None:
    """Invariants 2 and 3: a removal goes on in pieces between any requests of a restore, killed after each piece."""
    dice = random.Random(seed)
    run = dice.choice(staying(ripe)[:-1])
    needed = requests_of(ripe, tmp_path / "counted", lambda home: home.job.unlike(run))
    with household(tmp_path / "home", ripe) as (home, box):
        moments = sorted(dice.sample(range(1, needed), 4))

        def piece() -> None:
            # What is between is counted on the same tape: the next moment of the restore is set once this has ended.
            box.at_request.clear()
            falls_at(box, dice.randrange(5, 60))
            with suppress(LinkLost):
                home.thin()
            box.at_request.clear()
            if moments:
                box.at_request[len(box.tape) + moments.pop(0)] = piece

        box.at_request[moments.pop(0)] = piece
        assert home.job.unlike(run) == []
        box.at_request.clear()
        home.thin()
        assert broken(home) == {}
        assert_ended(home, ripe)


@pytest.mark.parametrize("number", slow_but_for((1,), range(1, 40, 3), most=7))
def test_version_that_goes_while_it_comes_back_is_told_and_nothing_is_called_damaged(
    ripe: Household, tmp_path: Path, number: int
) -> None:
    with household(tmp_path, ripe) as (home, box):
        run = home.notes()[-1]
        box.at_request[len(box.tape) + number] = thins(home)
        try:
            found, _ = home.job.restore(run)
        except OtherroofError as problem:  # before the listing was here
            assert run in str(problem), problem
            return
        finally:
            assert_ended(home, ripe)
        with home.ledger() as ledger:
            assert ledger.damages.of(JOB) == []
        assert not found.damaged or THINNED in found.problems[0].why


@pytest.mark.parametrize("number", slow_but_for((1, 40, 79), range(1, 160, 3), most=12))
def test_proof_beside_a_removal_calls_nothing_damaged(ripe: Household, tmp_path: Path, number: int) -> None:
    with household(tmp_path, ripe) as (home, box):
        box.at_request[len(box.tape) + number] = thins(home)
        found = proof(home)
        assert_ended(home, ripe)
        assert [(one.run, one.path, one.why) for one in found.report.damaged] == []
        home.clock.step(60)
        assert home.thin().objection == ""


def test_list_of_versions_shows_none_that_goes_as_damaged(ripe: Household, tmp_path: Path) -> None:
    most = requests_of(ripe, tmp_path / "counted", lambda home: list_versions(home.job.settings, JOB))
    for number in range(1, most, 2):
        with household(tmp_path / str(number), ripe) as (home, box):
            box.at_request[len(box.tape) + number] = thins(home)
            found = list_versions(home.job.settings, JOB)
            assert [one.run for one in found if one.flaw] == []
            assert {one.run for one in found} >= set(staying(ripe))


# -- what vanishes at the far end --


def test_pin_whose_note_the_far_disk_lost_still_holds(ripe: Household, tmp_path: Path) -> None:
    with household(tmp_path, ripe) as (home, _):
        first = pin_first(home)
        for note in (home.job.far / "runs").glob("*.pinned"):
            note.unlink()
        for _ in range(2):
            home.thin()
            home.clock.step(3 * 86_400)
        assert first in home.versions()
        home.all_that_stay_come_back()


def test_nothing_goes_while_a_listing_that_counted_is_not_shown(ripe: Household, tmp_path: Path) -> None:
    """What that version alone held would go with its neighbours, and it could not come back with its listing."""
    with household(tmp_path, ripe) as (home, _):
        hidden = home.runs[1]
        pin(home.job.settings, JOB, hidden, "the house as it was", JobContext(ThinProgress(), clock=home.clock))
        listing = home.job.listing(hidden)
        listing.rename(home.job.where / "lost and found")
        found = home.thin()
        assert hidden in found.objection
        assert (found.removed, found.noted) == ((), ())
        (home.job.where / "lost and found").rename(listing)
        assert home.thin().removed
        home.all_that_stay_come_back()


def test_listing_that_is_not_shown_holds_nothing_up_once_the_rule_lets_its_version_go(
    ripe: Household, tmp_path: Path
) -> None:
    with household(tmp_path, ripe) as (home, _):
        gone = home.notes()[1]
        for path in (home.job.far / "runs").glob(f"{gone}.*"):
            path.unlink()
        found = home.thin()
        assert found.objection == ""
        assert found.removed
        home.job.trees.pop(gone)
        home.all_that_stay_come_back()
