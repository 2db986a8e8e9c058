"""A throwaway far box with a kit on it, for the tests of set-up.sh."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from support.lab import Estate, Houses, Plan
from support.paired_houses import Tunnelled
from support.set_up_kit import FarBox, Household, new_box


@pytest.fixture
def estate(base_system) -> Iterator[Estate]:
    with Estate() as estate:
        yield estate


@pytest.fixture
def household(tmp_path) -> Household:
    return Household(tmp_path)


@pytest.fixture
def box(estate, base_system, household) -> FarBox:
    """A far box in a network of its own, with an ordinary kit on it, not yet applied."""
    return new_box(estate, base_system, household)


@pytest.fixture
def behind_routers(base_system) -> Iterator[Houses]:
    with Houses(Plan(far_translates=True, home_translates=True, forwarded_port=51820)) as houses:
        yield houses


@pytest.fixture
def both(behind_routers, base_system, household) -> Tunnelled:
    """The far box calls home, the usual case, and both routers translate."""
    return Tunnelled(behind_routers, base_system, household)
