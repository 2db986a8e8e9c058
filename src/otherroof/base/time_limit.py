"""Waits for something that cannot be interrupted, but no longer than is allowed.

The work goes on in a thread of its own; whoever waits goes on without it when its time is up.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")


class TookTooLong(TimeoutError):
    """The work did not end within its time; its thread is left behind and its result dropped."""


class _Outcome(Generic[T]):
    def __init__(self, value: T | None, error: BaseException | None) -> None:
        self.value = value
        self.error = error


def within_time(limit_s: float, work: Callable[[], T]) -> T:
    """What `work` returns or raises; TookTooLong after `limit_s` seconds."""
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
    try:
        outcome = box.get(timeout=limit_s)
    except queue.Empty:
        raise TookTooLong(f"not done within {limit_s:g} s") from None
    if outcome.error is not None:
        raise outcome.error
    return outcome.value  # type: ignore[return-value]
