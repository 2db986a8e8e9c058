"""Waits for something that cannot be interrupted, but no longer than is allowed.

The work goes on in a thread of its own; whoever waits goes on without it when its time is up.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")
LOOK_S = 0.2


class TookTooLong(TimeoutError):
    """The work did not end within its time; its thread is left behind and its result dropped."""


class _Outcome(Generic[T]):
    def __init__(self, value: T | None, error: BaseException | None) -> None:
        self.value = value
        self.error = error


def _nothing() -> None:
    """Nobody may end the wait."""


def within_time(limit_s: float, work: Callable[[], T], check: Callable[[], None] = _nothing) -> T:
    """What `work` returns or raises; TookTooLong after `limit_s` seconds. `check` is called several times a second
    meanwhile and may raise to end the wait; the work is left behind then as if its time were up."""
    # If nobody waits any more, the outcome stays in here and goes with the thread.
    box: queue.SimpleQueue[_Outcome[T]] = queue.SimpleQueue()

    def carry() -> None:
        try:
            box.put(_Outcome(work(), None))
        except BaseException as error:  # noqa: BLE001 - raised again in the thread that waits
            box.put(_Outcome(None, error))

    # Python cannot end a thread, so one whose time is up goes on until its call returns. As a daemon it does not keep
    # the program from ending.
    threading.Thread(target=carry, name="otherroof-patience", daemon=True).start()
    outcome = _waited_for(box, limit_s, check)
    if outcome.error is not None:
        raise outcome.error
    return outcome.value  # type: ignore[return-value]


def _waited_for(box: queue.SimpleQueue[_Outcome[T]], limit_s: float, check: Callable[[], None]) -> _Outcome[T]:
    until = time.monotonic() + limit_s
    while True:
        left = until - time.monotonic()
        try:
            return box.get(timeout=max(0.0, min(left, LOOK_S)))
        except queue.Empty:
            if left <= LOOK_S:
                raise TookTooLong(f"not done within {limit_s:g} s") from None
            check()
