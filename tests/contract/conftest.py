"""Every kind of place, and in it every layout; the real places are for the lab."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from support.far_layouts import LAYOUTS, Far
from support.places import KINDS, REAL_KINDS, TAPED, Standing, standing

SLOWLY = [pytest.param(TAPED, marks=pytest.mark.slow)]
REALLY = [pytest.param(kind, marks=pytest.mark.lab) for kind in REAL_KINDS]


@pytest.fixture(params=[*KINDS, *SLOWLY, *REALLY], scope="module")
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(scope="module")
def base(kind: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Standing]:
    """One place of its kind for all tests of a module; each test works in a folder of its own."""
    with standing(kind, tmp_path_factory.mktemp("place")) as found:
        yield found


@pytest.fixture
def folder(base: Standing, request: pytest.FixtureRequest) -> tuple[bytes, Path]:
    """A new folder in the place: its name there, and as this machine sees it."""
    name = f"t{abs(hash(request.node.nodeid)):x}"
    (base.here / name).mkdir()
    return name.encode(), base.here / name


@pytest.fixture(params=LAYOUTS)
def far(base: Standing, request: pytest.FixtureRequest, tmp_path: Path) -> Far:
    """A job's far folder in each layout, new for each test."""
    return LAYOUTS[request.param](base, f"j{abs(hash(request.node.nodeid)):x}", tmp_path / "scratch")
