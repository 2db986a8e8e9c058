"""Waiting for what must come, however busy the machine is."""

from __future__ import annotations

import time
from collections.abc import Callable

PATIENCE_S = 60.0


def until(true: Callable[[], object], seconds: float = PATIENCE_S, *, pause_s: float = 0.01) -> None:
    """Wait until something is so; fail if it does not come. `pause_s` lies between two looks."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(pause_s)
