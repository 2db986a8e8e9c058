"""What holds for all tests: no verdict by how busy the machine is, the order where several processes share them, and
what a quick run does not wait for.

Knows nothing of what they test.
"""

from __future__ import annotations

import gc
import os
import signal
from typing import Protocol

import pytest
from hypothesis import HealthCheck, settings

from support.quick import QUICK, QUICK_EXAMPLES

# An example may take long because the machine is busy with something else.
settings.register_profile("otherroof", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("quick", settings.get_profile("otherroof"), max_examples=QUICK_EXAMPLES)
settings.load_profile("quick" if QUICK else "otherroof")


def pytest_configure() -> None:
    """In a quick run nobody waits for a disk: tests look at what is synced and when, and no machine loses its power."""
    # A shell starts what runs beside it deaf to Ctrl-C, and every process begun from there would be: the lab's too.
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if QUICK:
        os.fsync = os.fdatasync = _synced_at_once


def _synced_at_once(handle: int | HasFileno) -> None:
    """As on a disk that is infinitely fast: a handle that is none is refused as ever."""
    os.fstat(handle if isinstance(handle, int) else handle.fileno())


class HasFileno(Protocol):
    """A file object."""

    def fileno(self) -> int: ...


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
