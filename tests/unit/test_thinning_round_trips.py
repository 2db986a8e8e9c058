"""What a removal asks for: so many requests a file, most of them under way at once, over the stand-in with latency."""

from __future__ import annotations

import time
from pathlib import Path
from unittest.mock import patch

import pytest

from otherroof.restore.thinning.removal import Removal, RemovalCount
from otherroof.restore.thinning.stretches import going_stretches
from support.far_history import FarHistory
from support.far_layouts import OpenFar
from support.faulty_box import Mood
from support.main_job import stand_in_door
from support.places import Standing, open_door

pytestmark = pytest.mark.slow

FILES = 2000
DELAY_S = 0.05


def test_files_are_removed_and_handed_on_many_at_once(tmp_path: Path) -> None:
    """Half of what goes is needed by an older version, in as many folders as there are files for ten."""
    with stand_in_door(tmp_path) as door:
        place = open_door(door)
        place.widen()
        far = OpenFar(Standing(place, Path(door.base_path), "stand-in"), "photos", tmp_path / "scratch")
        far.scratch.mkdir()
        history = FarHistory(far)
        needed = [b"%d/%d/needed" % (number % 10, number) for number in range(FILES // 2)]
        alone = [b"%d/alone%d" % (number % 100, number) for number in range(FILES // 2)]
        first = history.run(dict.fromkeys(needed, b"1"))
        second = history.run(dict.fromkeys(needed, b"1") | dict.fromkeys(alone, b"1"))
        third = history.run({})
        fourth = history.run({b"other": b"1"})
        door.misbehave(delay_s=DELAY_S)
        asked, comes = 0, Mood.request_comes

        def counted(mood: Mood) -> bool:
            nonlocal asked
            asked += 1
            return comes(mood)

        keeper, count = far.keeper(), RemovalCount()
        with patch.object(Mood, "request_comes", counted):
            removal = Removal(keeper, str(tmp_path / "notes"), count)
            (stretch,) = going_stretches(keeper.view(), {second, third})
            assert stretch.to == fourth
            begun = time.monotonic()
            removal.take_out(stretch)
            took = time.monotonic() - begun
        print(f"{asked} requests for {FILES} files, {took:.1f} s, {took / DELAY_S:.0f} round trips one after the other")
        door.misbehave()
        assert (count.dropped, count.handed_on) == (FILES // 2, FILES // 2)
        assert asked < 10 * FILES, "folders are looked through, made and removed as well; half the files have one each"
        assert took < FILES * DELAY_S / 5, "far fewer waits than files"
        del history.versions[second], history.versions[third]
        assert set(history.versions) == {first, fourth}
        history.check()
        place.close()
