"""Minimal Debians for every test of the lab that asks for one, and which tests stay together in one process."""

from __future__ import annotations

import os

import pytest

from support.debian_base import RELEASES, base_of
from support.lab import LabFault, require_lab

EACH = "OTHERROOF_EACH_RELEASE"  # set to 1: every test that runs on a Debian runs on each release


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """A test that asks for `base_system` runs on the oldest release; marked `each_release`, on each."""
    if "base_system" in metafunc.fixturenames:
        each = metafunc.definition.get_closest_marker("each_release") or os.environ.get(EACH) == "1"
        releases = RELEASES if each else RELEASES[:1]
        metafunc.parametrize("base_system", releases, indirect=True, scope="session")


@pytest.fixture(scope="session")
def base_system(request: pytest.FixtureRequest) -> str:
    """A folder with a minimal Debian, which nobody may write into."""
    require_lab()
    try:
        return base_of(request.param)
    except LabFault as problem:
        if os.environ.get("CI") == "true":
            raise
        pytest.skip(f"no throwaway Debian can be made: {str(problem)[-300:]}")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files whose tests share what was made for them go to one process, but for what lasts long."""
    for item in items:
        if item.get_closest_marker("together") and not item.get_closest_marker("slow"):
            item.add_marker(pytest.mark.xdist_group(item.path.stem))
