"""What an older version needs is handed on past what stands in its way: one small history, quick for each run."""

from __future__ import annotations

from pathlib import Path

import pytest

from otherroof.base.errors import RunCut
from otherroof.far.local_place import LocalPlace
from otherroof.restore.thinning.removal import Removal, RemovalCount
from otherroof.restore.thinning.stretches import going_stretches
from support.far_history import FarHistory
from support.far_layouts import OpenFar
from support.places import Standing


@pytest.fixture
def history(tmp_path: Path) -> FarHistory:
    """A file, then a folder with a file of that name in it, then neither: the version between is to go."""
    (tmp_path / "base").mkdir()
    place = Standing(LocalPlace(bytes(tmp_path / "base")), tmp_path / "base", "local folder")
    (tmp_path / "s").mkdir()
    made = FarHistory(OpenFar(place, "photos", tmp_path / "s"))
    made.run({b"a": b"a file", b"kept": b"1"})
    made.run({b"a/b": b"in a folder", b"kept": b"1"})
    made.run({b"c": b"1"})
    return made


def thin(history: FarHistory, stop_at: int = -1) -> RemovalCount:
    """Take the second version out; asked for the `stop_at`th time whether to stop, the answer is yes."""
    asked = iter(range(10_000))
    keeper, count = history.far.keeper(), RemovalCount()
    between = sorted(history.versions)[1]
    removal = Removal(
        keeper,
        str(history.far.scratch / "photos.notes"),
        count,
        stop=lambda: "enough" if 0 <= stop_at <= next(asked) else "",
    )
    for stretch in going_stretches(keeper.view(), {between}):
        removal.take_out(stretch)
    return count


def test_a_file_takes_the_place_of_a_folder_that_has_become_empty(history: FarHistory) -> None:
    between = sorted(history.versions)[1]
    assert thin(history) == RemovalCount(runs=1, dropped=1, handed_on=1)
    del history.versions[between]
    history.check()


@pytest.mark.parametrize("stop_at", range(9))
def test_a_removal_that_is_asked_to_stop_says_so_and_harms_no_version(history: FarHistory, stop_at: int) -> None:
    between = sorted(history.versions)[1]
    with pytest.raises(RunCut):
        thin(history, stop_at)
    del history.versions[between]
    for run, contents in history.versions.items():
        assert history.restorable(run) == contents
