"""Versions go out of a far copy, several at once; killed after any request, every version that stays is whole."""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from otherroof.base.errors import LinkLost, Refused
from otherroof.far import requests
from otherroof.far.local.place import LocalPlace
from otherroof.far_copy.listing import Header
from otherroof.restore.thinning.removal import Removal, RemovalCount
from otherroof.restore.thinning.stretches import going_stretches, lending_lines
from support.far_history import FarHistory, random_history
from support.far_layouts import OpenFar
from support.places import Standing
from support.power_place import TapedPlace
from support.quick import ALL, slow_but_for

# Seconds of a processor each; a quick run has others of the kind.
pytestmark = pytest.mark.slow


def far_in(folder: Path) -> OpenFar:
    (folder / "base").mkdir(parents=True)
    return OpenFar(
        Standing(LocalPlace(bytes(folder / "base")), folder / "base", "local folder"), "photos", folder / "s"
    )


def same_history(history: FarHistory, folder: Path) -> FarHistory:
    """The same far copy in another folder."""
    far = far_in(folder)
    shutil.rmtree(far.here)
    shutil.copytree(history.far.here, far.here, symlinks=True)
    return FarHistory(far, dict(history.versions), dict(history.now), history.runs)


def thin(history: FarHistory, going: set[str], heard: Callable[[object], None], seed: int = 0) -> RemovalCount:
    """Take versions out, over a place that tells `heard` of each request."""
    far = history.far
    far.scratch.mkdir(exist_ok=True)
    keeper = far.keeper(place=TapedPlace(bytes(far.base.here), heard, random.Random(seed)))
    count = RemovalCount()
    removal = Removal(keeper, str(far.scratch / "photos.notes"), count)
    for stretch in going_stretches(keeper.view(), going):
        removal.take_out(stretch)
    return count


def some_going(history: FarHistory, chance: random.Random) -> set[str]:
    """Some versions, but none whose listing has the lines of one that stays."""
    headers = history.far.keeper().headers(history.versions)
    same_as = {run: header.same_as for run, header in headers.items() if isinstance(header, Header)}
    going = {run for run in history.versions if chance.random() < 0.6} - {max(history.versions)}
    return going - lending_lines(going, same_as)


def forget(history: FarHistory, going: set[str]) -> None:
    for run in going:
        del history.versions[run]


def kept_by_runs(history: FarHistory) -> dict[str, bytes | None]:
    """All that lies in the far folder, by its path."""
    found: dict[str, bytes | None] = {}
    for folder, _, files in os.walk(history.far.here):
        where = os.path.relpath(folder, history.far.here)
        found[where] = None
        found |= {f"{where}/{name}": Path(folder, name).read_bytes() for name in files}
    return found


def of_every_kind(seed: int, where: Path) -> tuple[FarHistory, set[str]]:
    history = random_history(far_in(where), seed, runs=9)
    if seed % 2:
        history.run_without_changes()
        history.run(history.now | {b"later": b"x"})
    return history, some_going(history, random.Random(seed))


@pytest.mark.parametrize("seed", slow_but_for(range(2), range(30), most=7))
def test_after_every_request_every_version_that_stays_is_whole(tmp_path: Path, seed: int) -> None:
    """Invariants 2 and 8: requests of many scripts side by side, in any order."""
    history, going = of_every_kind(seed, tmp_path)
    forget(history, going)
    newest = max(history.versions)
    heard = 0

    def whole(_: object) -> None:
        nonlocal heard
        heard += 1
        keeper = history.far.keeper()
        assert set(history.versions) <= set(keeper.view().runs)
        for run, contents in history.versions.items():
            assert history.restorable(run) == contents, (run, newest)

    thin(history, going, whole, seed)
    history.check()
    view = history.far.keeper().view()
    assert set(view.earlier) <= set(history.versions), "nothing is left of what has gone, nor of runs that were cut"
    assert heard > 0 or not going


@pytest.mark.parametrize("seed", slow_but_for((), range(8), most=3))
def test_killed_at_each_request_in_turn_and_gone_on_with_it_ends_alike(tmp_path: Path, seed: int) -> None:
    """Invariant 8."""
    history, going = of_every_kind(seed, tmp_path / "first")
    reference = same_history(history, tmp_path / "reference")
    requests_made = 0

    def counted(_: object) -> None:
        nonlocal requests_made
        requests_made += 1

    thin(reference, going, counted, seed)
    ends = kept_by_runs(reference)
    # Every second one, here from the first on and there from the second.
    for number in range(0 if ALL else seed // 2 % 2, requests_made, 1 if ALL else 2):
        killed = same_history(history, tmp_path / f"killed {number}")
        forget(killed, going)
        with pytest.raises(LinkLost):
            thin(killed, going, falls_at(number), seed)
        for run, contents in killed.versions.items():
            assert killed.restorable(run) == contents
        thin(killed, going, lambda _: None, seed + 1)
        killed.check()
        assert kept_by_runs(killed) == ends
        shutil.rmtree(tmp_path / f"killed {number}")


def falls_at(number: int) -> Callable[[object], None]:
    left = iter(range(number))

    def heard(_: object) -> None:
        if next(left, None) is None:
            raise LinkLost("killed here", where="heron")

    return heard


def test_once_more_changes_nothing(tmp_path: Path) -> None:
    history, going = of_every_kind(5, tmp_path)
    first = thin(history, going, lambda _: None)
    ends = kept_by_runs(history)
    assert first.dropped + first.handed_on > 0
    again = thin(history, going, lambda _: None)
    assert (again.dropped, again.handed_on) == (0, 0)
    assert kept_by_runs(history) == ends


def test_what_an_older_version_needs_is_handed_on_once_however_many_go(tmp_path: Path) -> None:
    history = FarHistory(far_in(tmp_path))
    history.run({b"a": b"1", b"b": b"1", b"c": b"1"})
    going = {
        history.run({b"a": b"2", b"b": b"1", b"c": b"1"}),
        history.run({b"a": b"3", b"b": b"1", b"new": b"1"}),
        history.run({b"a": b"4", b"b": b"2"}),
    }
    history.run({b"a": b"5", b"b": b"2"})
    forget(history, going)
    count = thin(history, going, lambda _: None)
    assert count == RemovalCount(runs=3, dropped=4, handed_on=3), "a2, a3, new and a4 go; a1, b1 and c1 are needed"
    history.check()


def test_lines_that_are_damaged_stop_it_before_anything_has_gone(tmp_path: Path) -> None:
    history = FarHistory(far_in(tmp_path))
    first = history.run({b"a": b"1"})
    going = {history.run({b"a": b"2"})}
    history.run({b"a": b"3"})
    listing = history.far.listing(first)
    listing.write_bytes(listing.read_bytes()[:-9])
    before = kept_by_runs(history)
    with pytest.raises(Exception, match="listing"):
        thin(history, going, lambda _: None)
    assert kept_by_runs(history) == before


class FullPlace(LocalPlace):
    """A disk with room for so many new folders, each of which a folder that goes makes room for."""

    def __init__(self, base: bytes, room: int) -> None:
        super().__init__(base)
        self.room = room

    def _do(self, op: requests.Op) -> object:
        if isinstance(op, requests.MakeFolder) and self.room <= 0:
            raise Refused("there is no room")
        answer = super()._do(op)
        self.room += isinstance(op, requests.RemoveFolder) - isinstance(op, requests.MakeFolder)
        return answer


def thin_full(history: FarHistory, going: set[str], room: int) -> None:
    keeper = history.far.keeper(place=FullPlace(bytes(history.far.base.here), room))
    removal = Removal(keeper, str(history.far.scratch / "photos.notes"), RemovalCount())
    for stretch in going_stretches(keeper.view(), going):
        removal.take_out(stretch)


@pytest.fixture
def many_folders(tmp_path: Path) -> Iterator[tuple[FarHistory, set[str]]]:
    history = FarHistory(far_in(tmp_path))
    history.run({b"%d/x" % number: b"1" for number in range(12)})
    going = {history.run({})}
    history.run({b"other": b"1"})
    forget(history, going)
    history.far.scratch.mkdir(exist_ok=True)
    yield history, going


def test_disk_that_has_room_for_two_folders_is_thinned_folder_by_folder(
    many_folders: tuple[FarHistory, set[str]],
) -> None:
    history, going = many_folders
    thin_full(history, going, room=2)  # earlier/RUN, and one in it
    history.check()
    assert not set(history.far.keeper().view().earlier) & going


def test_disk_that_takes_no_folder_at_all_is_told_and_nothing_is_lost(
    many_folders: tuple[FarHistory, set[str]],
) -> None:
    history, going = many_folders
    with pytest.raises(Refused, match="could not be made"):
        thin_full(history, going, room=0)
    history.check()
    thin_full(history, going, room=2)
    history.check()
