"""What an older version needs is handed on past what stands in its way: one small history, quick for each run."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from otherroof.base.errors import Refused, RunCut
from otherroof.far.local.place import LocalPlace
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


class Refusing:
    """A remover for whom the far box refuses one kind of request."""

    def __init__(self, real: Any, refused: str) -> None:
        self._real = real
        self._refused = refused

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name) if name != self._refused else self._refuse

    def _refuse(self, *_: object) -> Iterator[None]:
        raise Refused("will not")
        yield


def thin(history: FarHistory, stop_at: int = -1, refused: str = "") -> RemovalCount:
    """Take the second version out; asked for the `stop_at`th time whether to stop, the answer is yes."""
    asked = iter(range(10_000))
    real, count = history.far.keeper(), RemovalCount()
    keeper: Any = SimpleNamespace(
        remover=lambda: Refusing(real.remover(), refused), lines=real.lines, view=real.view, place=real.place
    )
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
    all_come_back(history)


@pytest.mark.parametrize(("refused", "goes"), [("drop_listing", False), ("drop", True), ("hand_on", True)])
def test_a_refusal_ends_a_removal_before_anything_that_is_still_named_goes(
    history: FarHistory, refused: str, goes: bool
) -> None:
    between = sorted(history.versions)[1]
    with pytest.raises(Refused):
        thin(history, refused=refused)
    if goes:
        del history.versions[between]
    all_come_back(history)


def all_come_back(history: FarHistory) -> None:
    for run, contents in history.versions.items():
        assert history.restorable(run) == contents
