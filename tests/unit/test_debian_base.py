"""The lab's minimal Debians: made once, kept for two weeks, made anew after that. What is in them the lab finds out."""

from __future__ import annotations

import os
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from support import debian_base
from support.debian_base import KEPT_S, base_of
from support.lab import LabFault

DAY_S = 86400


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Which trees were made; nothing else is in them than a mark."""
    trees: list[str] = []

    def make(release: str, folder: str) -> None:
        os.makedirs(os.path.join(folder, "etc"))
        trees.append(release)

    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr(debian_base, "_make", make)
    return trees


def later(monkeypatch: pytest.MonkeyPatch, seconds: float) -> None:
    now = time.time()
    monkeypatch.setattr(debian_base.time, "time", lambda: now + seconds)


def test_each_release_is_made_once(made: list[str], tmp_path: Path) -> None:
    first = base_of("trixie")
    assert base_of("trixie") == first
    assert base_of("bookworm") != first
    assert made == ["trixie", "bookworm"]
    assert Path(first).parent == tmp_path / "otherroof-lab"


@pytest.mark.parametrize("away_s", [KEPT_S + 60, -KEPT_S - 60])
def test_one_that_is_too_old_or_from_the_future_is_made_anew(
    made: list[str], monkeypatch: pytest.MonkeyPatch, away_s: float
) -> None:
    first = base_of("trixie")
    later(monkeypatch, away_s)
    second = base_of("trixie")
    assert second != first
    assert os.path.isdir(first), "another process may still be using it"
    assert base_of("trixie") == second


def test_one_that_nobody_can_be_using_any_more_goes(made: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    first = base_of("trixie")
    other = base_of("bookworm")
    later(monkeypatch, KEPT_S + 2 * DAY_S)
    assert os.path.isdir(base_of("trixie"))
    assert not os.path.exists(first)
    assert os.path.isdir(other)


def test_other_packages_are_another_tree(made: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    first = base_of("trixie")
    monkeypatch.setattr(debian_base, "PACKAGES", "systemd")
    assert base_of("trixie") != first


def test_one_that_could_not_be_made_is_tried_again(made: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(release: str, folder: str) -> None:
        raise LabFault("no network")

    with monkeypatch.context() as broken:
        broken.setattr(debian_base, "_make", fail)
        with pytest.raises(LabFault, match="no network"):
            base_of("trixie")
    assert os.path.isdir(base_of("trixie"))


def test_several_at_once_make_one(made: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Each opens the lock for itself, as processes do."""
    quick = debian_base._make

    def make_slowly(release: str, folder: str) -> None:
        time.sleep(0.3)
        quick(release, folder)

    monkeypatch.setattr(debian_base, "_make", make_slowly)
    with ThreadPoolExecutor(4) as pool:
        found = set(pool.map(base_of, ["trixie"] * 4, timeout=60))
    assert len(found) == 1
    assert made == ["trixie"]
