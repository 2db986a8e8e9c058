"""A far box at the end of a long line: all that is asked at a time is answered together, one round trip later.

A place in a folder that counts these round trips instead of waiting for them, so that no busy machine turns a test, and
the main job over it.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

from otherroof.base.errors import OtherroofError
from otherroof.far import requests
from otherroof.far.local.place import LocalPlace
from otherroof.far.place import K, Meter, T, Task, TaskResult
from support.main_job import OneJob, level_way
from support.power_place import PowerBox

_NONE: Any = object()


@dataclass(slots=True)
class _Going:
    """A script under way: what it asks for, and what it is to be told next."""

    task: Task[Any, Any]
    asks: Any = _NONE
    answer: Any = None
    failure: OtherroofError | None = None


@dataclass
class Line:
    """`asked` has each round trip's requests, in order."""

    asked: list[list[requests.Op]] = field(default_factory=list)

    def first_about(self, *parts: bytes) -> int:
        """How many round trips come before the first that asks about a path with one of these in it."""
        return next(at for at, ops in enumerate(self.asked) if _about(ops, parts))

    def after_last_about(self, *parts: bytes) -> int:
        """How many come after the last that does."""
        return next(at for at, ops in enumerate(reversed(self.asked)) if _about(ops, parts))


def _about(ops: list[requests.Op], parts: tuple[bytes, ...]) -> bool:
    return any(part in getattr(op, name, b"") for op in ops for name in ("path", "old", "new") for part in parts)


class RoundPlace(LocalPlace):
    """The folder `base` at the end of `line`."""

    def __init__(self, base: bytes, line: Line) -> None:
        super().__init__(base)
        self._line = line

    def carry_out(
        self, work: Iterable[Task[K, T] | None], tick: Callable[[], None] | None = None
    ) -> Generator[TaskResult[K, T], None, None]:
        """See the port. Whatever the last answers made possible is asked for before the next round trip."""
        tasks, going, ended = iter(work), list[_Going](), False
        while True:
            while True:
                while not ended and (task := next(tasks, _NONE)) is not None:
                    if task is _NONE:
                        ended = True
                    else:
                        going.append(_Going(task))
                ready = [one for one in going if one.asks is _NONE]
                for one in ready:
                    result = self._go_on(one)
                    if result is not None:
                        going.remove(one)
                        yield result
                if not ready:
                    break
            if not going:
                return
            self._line.asked.append([])
            for one in going:
                self._give_answer(one)

    def _go_on(self, one: _Going) -> TaskResult[Any, Any] | None:
        """Up to the next request that is waited for, or the script's end."""
        while True:
            try:
                asks = one.task.script.throw(one.failure) if one.failure else one.task.script.send(one.answer)
            except StopIteration as end:
                return TaskResult(one.task.key, value=end.value)
            except OtherroofError as error:
                return TaskResult(one.task.key, error=error)
            if not isinstance(asks, requests.LetGo):
                one.asks = asks
                return None
            one.answer, one.failure = self._do(asks), None

    def _give_answer(self, one: _Going) -> None:
        one.answer = one.failure = None
        try:
            one.answer = self._answer(one.asks)
        except OtherroofError as error:
            one.failure = error
        one.asks = _NONE

    def _do(self, op: requests.Op) -> Any:
        if not isinstance(op, requests.LetGo):
            self._line.asked[-1].append(op)
        return super()._do(op)


@contextmanager
def far_away_job(where: Path) -> Iterator[tuple[OneJob, Line]]:
    """A household whose far box is far away; the line's record is of all its connections together."""
    box, line = PowerBox(where, 0), Line()

    def open_place(
        _settings: object, _far: object, meter: Meter, _limit: object = None, *, paces_reads: bool = False
    ) -> RoundPlace:
        place = RoundPlace(box.base_path.encode(), line)
        place.meter = meter
        return place

    with level_way(), patch("otherroof.jobs.open_job.open_place", open_place):
        yield OneJob(where, box), line
