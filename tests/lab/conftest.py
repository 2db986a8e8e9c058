"""Minimal Debians for every test of the lab that asks for one, and which tests stay together in one process."""

from __future__ import annotations

import os
from collections.abc import Iterator

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


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> Iterator[None]:
    """Tests that share what was made for them go to one process: those of a file that are marked `together`, but for
    what lasts long; marked `together(WORD)`, all of a file with this word, or the same parameter of this name."""
    groups = {item: group for item in items if (group := _group(item))}
    for item, group in groups.items():
        item.add_marker(pytest.mark.xdist_group(group))
    yield
    if getattr(config.option, "loadgroup", False):
        for item, group in groups.items():
            _say_group(item, group)


def _group(item: pytest.Item) -> str:
    mark = item.get_closest_marker("together")
    if mark is None:
        return ""
    if mark.args:
        given = item.callspec.params if hasattr(item, "callspec") else {}
        return f"{item.path.stem} {given.get(mark.args[0], mark.args[0])}"
    return "" if item.get_closest_marker("slow") else item.path.stem


def _say_group(item: pytest.Item, group: str) -> None:
    """Behind the test's name, where xdist looks for it. Version 3.8 puts it into an attribute that pytest 9.2 no longer
    reads: without a word every test was then on its own, and what a file's tests share was made in each process."""
    if not item.nodeid.endswith(f"@{group}"):
        item._id = type(item._id).parse(f"{item.nodeid}@{group}")  # type: ignore[attr-defined]
        assert item.nodeid.endswith(f"@{group}")
