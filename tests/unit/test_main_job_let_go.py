"""A damaged version that nobody can mend bars thinning until a person lets it go, in the two steps of every version."""

from __future__ import annotations

import gzip
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from otherroof.base.errors import WrongUse
from otherroof.jobs.context import JobContext
from otherroof.jobs.prove import ProveOptions, prove
from otherroof.jobs.thinning.thin import ThinProgress, pin
from otherroof.restore.proving.report import ProofProgress, ProofReport
from support.main_job import JOB
from support.thinned_household import Household, thinned_household

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow

BAD = 3  # the version that is damaged; by the rule it stays, the first two go


@pytest.fixture
def home(tmp_path: Path) -> Iterator[Household]:
    with thinned_household(tmp_path) as made:
        for number in range(5):
            made.job.put("letter", f"day {number}")
            made.job.put("always", "the same")
            made.day()
        yield made


def proved(home: Household) -> ProofReport:
    with home.ledger() as ledger:
        context = JobContext(ProofProgress(), ledger, home.clock)
        return prove(home.job.settings, JOB, context, ProveOptions(whole=True, heal=True)).report


def kept_file(home: Household) -> None:
    (home.job.earlier(home.runs[BAD + 1]) / "letter").write_bytes(b"rot")
    assert [damage.run for damage in proved(home).damaged] == [home.runs[BAD]]


def header(home: Household) -> None:
    home.job.listing(home.runs[BAD]).write_bytes(b"rot")


def lines(home: Household) -> None:
    """The header can be read; that the lines are rotten shows as they are proved. What home noted of them is lost."""
    listing = home.job.listing(home.runs[BAD])
    listing.write_bytes(gzip.compress(gzip.decompress(listing.read_bytes()).replace(b"letter", b"better")))
    assert home.runs[BAD] in [damage.run for damage in proved(home).damaged]
    for path in (Path(home.job.settings.state) / "versions").glob("*"):
        path.unlink()


KINDS = pytest.mark.parametrize("damage", [kept_file, header, lines])
Damage = Callable[[Household], None]


@KINDS
def test_it_goes_after_the_wait_with_the_others_and_what_stays_comes_back(home: Household, damage: Damage) -> None:
    damage(home)
    assert "at the far end" in home.thin().objection
    bad = home.runs[BAD]
    shown = home.thin("show", bad)
    assert shown.objection == ""
    assert [(one.version.run, one.damaged) for one in shown.going] == [
        *((run, False) for run in home.runs[:2]),
        (bad, True),
    ]
    assert (home.notes(), "at the far end" in home.thin().objection) == ([], True), "shown only"
    first = home.thin("apply", bad)
    assert (first.noted, first.removed, home.versions()) == ((*home.runs[:2], bad), (), home.runs)
    home.clock.step(2 * 86_400)
    gone = home.thin()
    assert (gone.objection, bad in gone.removed) == ("", True)
    assert bad not in home.versions()
    home.all_that_stay_come_back()
    assert proved(home).damaged == []
    with home.ledger() as ledger:
        assert ledger.damages.of(JOB) == []
    home.day()
    home.all_that_stay_come_back()


@KINDS
def test_a_recall_keeps_it_and_bars_thinning_as_before(home: Household, damage: Damage) -> None:
    damage(home)
    home.thin("apply", home.runs[BAD])
    recalled = home.thin("recall")
    assert home.runs[BAD] in recalled.taken_back
    assert home.notes() == []
    home.clock.step(90 * 86_400)
    assert "at the far end" in home.thin().objection
    assert home.versions() == home.runs


def test_another_damage_bars_it_again(home: Household) -> None:
    kept_file(home)
    home.thin("apply", home.runs[BAD])
    (home.job.latest / "always").write_bytes(b"rot of")
    (home.job.folder / "always").unlink()
    assert home.runs[-1] in [damage.run for damage in proved(home).damaged]
    home.clock.step(2 * 86_400)
    assert "at the far end" in home.thin().objection
    assert home.versions() == home.runs


def test_neither_a_whole_version_nor_the_newest_nor_a_pinned_one_is_let_go(home: Household) -> None:
    kept_file(home)
    for run, why in (
        (home.runs[2], "is known to be damaged"),
        (home.runs[-1], "is the newest version"),
        ("2031-03-0", "names several versions"),
        ("2099", "names no version"),
    ):
        with pytest.raises(WrongUse, match=why):
            home.thin("apply", run)
    pin(home.job.settings, JOB, home.runs[BAD], "why not", JobContext(ThinProgress(), clock=home.clock))
    with pytest.raises(WrongUse, match="is pinned"):
        home.thin("apply", home.runs[BAD])


def test_one_that_is_pinned_after_it_was_let_go_stays(home: Household) -> None:
    kept_file(home)
    home.thin("apply", home.runs[BAD])
    pin(home.job.settings, JOB, home.runs[BAD], "a last look", JobContext(ThinProgress(), clock=home.clock))
    home.clock.step(90 * 86_400)
    assert "at the far end" in home.thin().objection
    assert home.runs[BAD] in home.versions()
