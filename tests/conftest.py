"""What holds for all tests: no verdict by how busy the machine is, and the order where several processes share them.

Knows nothing of what they test.
"""

from __future__ import annotations

import gc

import pytest
from hypothesis import HealthCheck, settings

# An example may take long because the machine is busy with something else.
settings.register_profile("otherroof", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("otherroof")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """What lasts longest begins first: else one process is left with it while the others are idle."""
    if hasattr(config, "workerinput"):
        items.sort(key=lambda item: -_seconds(item))


def pytest_collection_finish() -> None:
    """Thousands of collected tests are left out from now on where Python looks for garbage: it looks often."""
    gc.collect()
    gc.freeze()


def _seconds(item: pytest.Item) -> float:
    mark = item.get_closest_marker("lasts")
    return float(mark.args[0]) if mark else 0.0
