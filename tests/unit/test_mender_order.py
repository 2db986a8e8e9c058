"""In which order the open layout replaces a damaged file, and that a refusal leaves what stood there."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from otherroof.base.errors import PlaceError, Refused
from otherroof.far import requests
from otherroof.far.local.place import LocalPlace
from otherroof.far.place import run_script
from otherroof.far_copy.writer import FileProperties
from otherroof.layouts.open.paths import DAMAGED_END
from support.far_history import FarHistory
from support.far_layouts import OpenFar
from support.places import Standing
from support.power_model import Event
from support.power_place import TapedPlace

GOOD = b"good content"
NAME = b"latest/a"
PROPERTIES = FileProperties(len(GOOD), 0o644, 1_900_000_000)


class OnePiece:
    """A source of all that a file holds, in one piece."""

    def __init__(self, data: bytes) -> None:
        self._left: requests.DataPiece | None = requests.DataPiece(0, data)

    def take(self, *, wait: bool) -> requests.DataPiece | None:
        piece, self._left = self._left, None
        return piece

    def refused(self, piece: requests.Piece) -> None: ...

    def landed(self, piece: requests.Piece) -> None: ...

    def close(self) -> None: ...


class Box:
    """A far copy with one damaged file; `said` are the kinds of requests that were carried out."""

    def __init__(self, where: Path) -> None:
        (where / "base").mkdir()
        (where / "s").mkdir()
        place = Standing(LocalPlace(bytes(where / "base")), where / "base", "local folder")
        self.far = OpenFar(place, "photos", where / "s")
        FarHistory(self.far).run({b"a": GOOD, b"f/b": GOOD})
        self.damaged = self.far.here / "latest" / "a"
        self.damaged.write_bytes(b"rot")
        self.said: list[str] = []
        self.place = TapedPlace(bytes(where / "base"), self._heard, random.Random(1))
        self.mender = self.far.keeper(place=self.place).mender()

    def _heard(self, event: Event) -> None:
        self.said.append(type(event.op).__name__)

    def send(self, data: bytes = GOOD, name: bytes = NAME) -> None:
        run_script(self.place, self.mender.send(name, OnePiece(data), PROPERTIES))

    def take_place(self, name: bytes = NAME) -> None:
        run_script(self.place, self.mender.take_place(name))


@pytest.fixture
def box(tmp_path: Path) -> Box:
    return Box(tmp_path)


def test_what_heals_is_on_the_far_disk_before_it_takes_a_place(box: Box) -> None:
    box.send()
    written = max(number for number, word in enumerate(box.said) if word == "Write")
    assert written < box.said.index("Sync") < box.said.index("CloseFile")
    assert box.damaged.read_bytes() == b"rot"


def test_the_damaged_file_goes_only_when_its_place_is_taken_for_good(box: Box) -> None:
    box.send()
    box.said.clear()
    box.take_place()
    renamed, synced = box.said.index("Rename"), box.said.index("Sync")
    removed = len(box.said) - 1 - box.said[::-1].index("Remove")
    assert renamed < synced < removed
    assert box.damaged.read_bytes() == GOOD


def test_a_refused_rename_leaves_the_damaged_file_where_it_stood(box: Box) -> None:
    with pytest.raises(PlaceError):
        box.take_place()  # nothing was sent
    assert box.damaged.read_bytes() == b"rot"


def test_no_folder_is_moved_out_of_a_files_way(box: Box) -> None:
    box.send(name=b"latest/f")
    with pytest.raises(Refused, match="folder"):
        box.take_place(b"latest/f")
    assert (box.far.here / "latest" / "f" / "b").read_bytes() == GOOD


def test_what_came_short_is_refused_and_both_leavings_are_cleared(box: Box) -> None:
    with pytest.raises(Refused, match="arrived with"):
        box.send(b"short")
    incoming = box.far.here / "incoming"
    (sent,) = incoming.iterdir()
    moved = box.mender._paths.mend(NAME, DAMAGED_END).rpartition(b"/")[2].decode()  # of a try that was cut later
    (incoming / moved).write_bytes(b"rot")
    assert sent.name != moved
    run_script(box.place, box.mender.settled(NAME))
    assert list(incoming.iterdir()) == []
