"""The contract of a Mender, over every layout and kind of place: a whole file takes a damaged one's place, or nothing
changes."""

from __future__ import annotations

import hashlib
from contextlib import closing

import pytest

from otherroof.base.errors import HomeTrouble, PlaceError
from otherroof.far.requests import DataPiece, NotYet, Piece
from otherroof.far_copy.writer import FileProperties
from support.far_history import FarHistory
from support.far_layouts import NAMES, Far

GOOD = b"as it was, once more"


class Pieces:
    """Content out of memory, a few bytes at once; `fails` at its end."""

    def __init__(self, data: bytes, *, fails: bool = False) -> None:
        self._data, self._at, self._fails = data, 0, fails

    def take(self, *, wait: bool) -> Piece | NotYet | None:
        if self._at >= len(self._data):
            if self._fails:
                raise HomeTrouble("changed while it was read")
            return None
        piece = DataPiece(self._at, self._data[self._at : self._at + 7])
        self._at += len(piece.data)
        return piece

    def refused(self, piece: Piece) -> None: ...

    def landed(self, piece: Piece) -> None:
        """Nobody asks."""


def properties(data: bytes = GOOD) -> FileProperties:
    return FileProperties(len(data), 0o644, 1_900_000_000)


def mend(far: Far, name: bytes, data: bytes = GOOD) -> None:
    mender = far.keeper().mender()
    far.do(mender.send(name, Pieces(data), properties(data)))
    far.do(mender.take_place(name))


def name_of(far: Far, run: str, path: bytes) -> bytes:
    keeper = far.keeper()
    with closing(keeper.reader(run)) as reader:
        reader.look(keeper.view())
        return reader.lies_at(path).name


@pytest.mark.parametrize("path", NAMES, ids=repr)
@pytest.mark.parametrize("missing", [False, True])
def test_damaged_file_of_any_version_is_whole_again_and_every_other_version_as_it_was(
    far: Far, path: bytes, missing: bool
) -> None:
    history = FarHistory(far)
    first = history.run({path: GOOD, b"other": b"stays"})
    second = history.run({path: b"newer content", b"other": b"stays"})
    for run, content in ((first, GOOD), (second, b"newer content")):
        bad = far.here / name_of(far, run, path).decode("utf-8", "surrogateescape")
        name = name_of(far, run, path)
        if missing:
            bad.unlink()
            if run == first:
                name = far.keeper().mender().kept_name(path, second)
        else:
            bad.write_bytes(b"rot")
        mend(far, name, content)
        assert bad.read_bytes() == content
    assert history.restorable(first) == history.versions[first]
    assert history.restorable(second) == history.versions[second]
    assert far.keeper().view().incoming == []


def test_what_changed_while_it_was_read_takes_no_place(far: Far) -> None:
    history = FarHistory(far)
    run = history.run({b"a": GOOD})
    name = name_of(far, run, b"a")
    mender = far.keeper().mender()
    with pytest.raises(HomeTrouble):
        far.do(mender.send(name, Pieces(b"other", fails=True), properties()))
    far.do(mender.drop(name))
    far.do(mender.drop(name))
    assert history.restorable(run) == {b"a": GOOD}
    assert far.keeper().view().incoming == []


def test_what_arrives_with_another_size_is_refused(far: Far) -> None:
    history = FarHistory(far)
    name = name_of(far, history.run({b"a": GOOD}), b"a")
    with pytest.raises(PlaceError):
        far.do(far.keeper().mender().send(name, Pieces(b"short"), properties()))


def test_nothing_is_put_through_a_link_or_outside_the_versions(far: Far) -> None:
    history = FarHistory(far)
    run = history.run({b"deep/down/a": GOOD})
    name = name_of(far, run, b"deep/down/a")
    elsewhere = far.here / "elsewhere"
    elsewhere.mkdir()
    down = far.here / "latest" / "deep"
    (down / "down" / "a").unlink()
    (down / "down").rmdir()
    (down / "down").symlink_to(elsewhere)
    mender = far.keeper().mender()
    far.do(mender.send(name, Pieces(GOOD), properties()))
    with pytest.raises(PlaceError):
        far.do(mender.take_place(name))
    assert list(elsewhere.iterdir()) == []
    for wrong in (b"runs/x", b"latest/../runs/x", b"latest", b"/etc/x", b"incoming/x"):
        with pytest.raises(PlaceError, match="is no file of a version"):
            far.do(mender.take_place(wrong))


def test_an_old_name_of_the_damaged_file_keeps_what_it_has(far: Far) -> None:
    """Both names share one file over there; only the one that was asked for is replaced."""
    history = FarHistory(far)
    run = history.run({b"a": GOOD})
    name = name_of(far, run, b"a")
    bad = far.here / name.decode()
    second = far.here / "latest" / "second"
    second.hardlink_to(bad)
    bad.write_bytes(b"rot in both")
    mend(far, name)
    assert bad.read_bytes() == GOOD
    assert second.read_bytes() == b"rot in both"
    assert hashlib.blake2b(bad.read_bytes()).digest() == hashlib.blake2b(GOOD).digest()


def test_listing_and_other_far_names_are_told_as_readers_name_them(far: Far) -> None:
    history = FarHistory(far)
    first = history.run({b"a": b"1", b"deep/down/a": b"2"})
    second = history.run({b"a": b"3"})
    keeper = far.keeper()
    wanted = {name_of(far, first, b"a"), name_of(far, first, b"deep/down/a"), name_of(far, second, b"a")}
    wanted |= {keeper.listing_name(run) for run in (first, second)}
    assert set(keeper.far_names(keeper.view())) == wanted
    assert keeper.prove_listing(first).run == first
