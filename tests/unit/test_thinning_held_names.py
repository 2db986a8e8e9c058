"""Which kept things go with a stretch of runs, and which are handed on: by name, run and need."""

from __future__ import annotations

from pathlib import Path

import pytest

from otherroof.restore.thinning import held_names as module
from otherroof.restore.thinning.held_names import held_names


def test_of_several_states_the_first_is_needed_and_the_others_go(tmp_path: Path) -> None:
    with held_names(str(tmp_path / "held.db")) as held:
        held.note("r1", [b"a", b"b"])
        held.note("r2", [b"a", b"c"])
        held.note("r3", [b"d", b"c"])
        held.note_needed([b"a", b"d", b"nobody keeps it"])
        assert set(held.unneeded()) == {(b"b", "r1"), (b"a", "r2"), (b"c", "r2"), (b"c", "r3")}
        assert list(held.needed("r3")) == [(b"a", "r1")], "what r3 keeps itself is not handed on"
        held.keep_only([(b"a", "r1")])
        assert list(held.unneeded()) == []
        assert list(held.needed("r3")) == [(b"a", "r1")], "what was refused is tried again"
    assert list(tmp_path.iterdir()) == []


def test_names_by_the_thousand_are_all_noted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "BATCH", 3)
    names = [b"%02d" % number for number in range(10)]
    with held_names(str(tmp_path / "held.db")) as held:
        held.note("r1", names)
        held.note_needed(names[:8])
        assert sorted(name for name, _ in held.unneeded()) == names[8:]
        assert sorted(name for name, _ in held.needed("r2")) == names[:8]


def test_nothing_that_a_killed_removal_noted_is_believed(tmp_path: Path) -> None:
    path = tmp_path / "held.db"
    killed = held_names(str(path))
    killed.__enter__().note("r1", [b"a"])
    assert path.exists()
    with held_names(str(path)) as held:
        assert list(held.unneeded()) == []
