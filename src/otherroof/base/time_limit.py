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
    """The work did not end within its time; its thread is left behind."""


class _Outcome(Generic[T]):
    def __init__(self, value: T | None, error: BaseException | None) -> None:
        self.value = value
        self.error = error


def _nothing() -> None:
    """Nobody may end the wait."""


def _dropped(_: object) -> None:
    """The result needs no closing."""


def within_time(
    limit_s: float,
    work: Callable[[], T],
    check: Callable[[], None] = _nothing,
    late: Callable[[T], object] = _dropped,
) -> T:
    """What `work` returns or raises; TookTooLong after `limit_s` seconds. `check` is called several times a second
    meanwhile and may raise to end the wait; the work is left behind then as if its time were up.

    A result that comes when nobody waits for it any more is given to `late`, in whichever thread finds it.
    """
    box: queue.SimpleQueue[_Outcome[T]] = queue.SimpleQueue()
    gone = threading.Event()

    def carry() -> None:
        try:
            box.put(_Outcome(work(), None))
        except BaseException as error:  # noqa: BLE001 - raised again in the thread that waits
            box.put(_Outcome(None, error))
        if gone.is_set():
            _hand_over(box, late)

    # Python cannot end a thread, so one whose time is up goes on until its call returns. As a daemon it does not keep
    # the program from ending.
    threading.Thread(target=carry, name="otherroof-patience", daemon=True).start()
    try:
        outcome = _waited_for(box, limit_s, check)
    except BaseException:
        # Said before the queue is emptied, as the other thread fills it before it asks: so whichever comes last finds
        # the result, and since a queue gives each thing once, only one of them does.
        gone.set()
        _hand_over(box, late)
        raise
    if outcome.error is not None:
        raise outcome.error
    return outcome.value  # type: ignore[return-value]


def _hand_over(box: queue.SimpleQueue[_Outcome[T]], late: Callable[[T], object]) -> None:
    """Give a result that nobody waits for to `late`; an error goes with its thread."""
    try:
        outcome = box.get_nowait()
    except queue.Empty:
        return
    if outcome.error is None:
        late(outcome.value)  # type: ignore[arg-type]


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
