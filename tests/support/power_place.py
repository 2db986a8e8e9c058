"""A far box whose power can go: a place in a folder that tapes every request, and the main job over it.

Scripts go side by side and interleave as the dice fall, as on a channel. When the power goes, the folder becomes what
`power_model` says a cut leaves, and the connection is lost; the box is there again at once.
"""

from __future__ import annotations

import os
import random
import shutil
from collections.abc import Callable, Generator, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Generic
from unittest.mock import patch

from otherroof.base.errors import LinkLost, OtherroofError
from otherroof.far import requests
from otherroof.far.local.place import LocalPlace
from otherroof.far.place import K, Meter, T, Task, TaskResult
from support.household import host_key, secret
from support.main_job import OneJob, level_way
from support.power_model import Event, Tape, Tree, as_durable, cut_after

SIDE_BY_SIDE = 6
TICK_EVERY = 100  # requests


class TapedPlace(LocalPlace):
    """The folder `base`; `heard` is told of each request that was carried out, and may raise LinkLost."""

    def __init__(self, base: bytes, heard: Callable[[Event], None], dice: random.Random) -> None:
        super().__init__(base)
        self._heard = heard
        self._dice = dice
        self._gone: LinkLost | None = None

    def carry_out(
        self, work: Iterable[Task[K, T] | None], tick: Callable[[], None] | None = None
    ) -> Generator[TaskResult[K, T], None, None]:
        """See the port. Each script is begun in its turn, as one connection's must be; then any of them goes on."""
        tasks = iter(work)
        going: list[_Going[Any, Any]] = []
        ended, steps = False, 0
        while going or not ended:
            while not ended and len(going) < SIDE_BY_SIDE:
                task = next(tasks, _END)
                if task is _END:
                    ended = True
                elif task is None:
                    break
                else:
                    going.append(_Going(task))  # type: ignore[arg-type]
                    result = self._advance(going[-1])
                    if result is not None:
                        going.pop()
                        yield result
            if not going:
                return
            chosen = self._dice.randrange(len(going))
            result = self._advance(going[chosen])
            if result is not None:
                going.pop(chosen)
                yield result
            steps += 1
            if tick is not None and steps % TICK_EVERY == 0:
                tick()

    def _advance(self, going: _Going[K, T]) -> TaskResult[K, T] | None:
        """One request of a script; its result if that was the end of it. Raises LinkLost when the power has gone."""
        script = going.task.script
        try:
            request = script.throw(going.failure) if going.failure is not None else script.send(going.answer)
        except StopIteration as end:
            return TaskResult(going.task.key, value=end.value)
        except LinkLost:
            raise
        except OtherroofError as error:
            return TaskResult(going.task.key, error=error)
        going.answer = going.failure = None
        try:
            going.answer = self._answer(request)
        except LinkLost:
            raise
        except OtherroofError as error:
            going.failure = error
        return None

    def _do(self, op: requests.Op) -> Any:
        if self._gone is not None:
            raise self._gone
        answer = super()._do(op)
        kept = requests.Write(op.handle, op.offset, bytes(op.data)) if isinstance(op, requests.Write) else op
        try:
            self._heard(Event(kept, answer))
        except LinkLost as problem:
            self._gone = problem
            raise
        return answer


@dataclass(slots=True)
class _Going(Generic[K, T]):
    """A script under way, and what it is to be told next."""

    task: Task[K, T]
    answer: Any = None
    failure: OtherroofError | None = None


_END: Any = object()


@dataclass
class PowerBox:
    """A far box for `OneJob` whose disk is a folder, and whose every request is on `tape`."""

    where: Path
    seed: int
    account: str = "copykeeper"
    base: str = "/copies"
    address: str = "192.0.2.7"
    port: int = 22
    tape: Tape = field(default_factory=Tape)
    at_request: dict[int, Callable[[], None]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.base_path = str(self.where / "far-box")
        os.makedirs(self.base_path)
        self.login_key = str(secret(self.where / "login_key", "no door is opened with this key"))
        self.host_key_line = host_key()
        self._dice = random.Random(self.seed)

    def open_place(
        self, _settings: object, _far: object, meter: Meter, _limit: object = None, *, paces_reads: bool = False
    ) -> TapedPlace:
        """What `otherroof.jobs.far_place.open_place` is for a real far box."""
        place = TapedPlace(os.fsencode(self.base_path), self._heard, self._dice)
        place.meter = meter
        return place

    def power_goes_at(self, request: int, kind: str) -> None:
        """After the tape's request of that number the power goes, and the connection is lost."""

        def fall() -> None:
            self.begin_with(cut_after(self.tape, kind, len(self.tape), self.seed))
            raise LinkLost("the far box has no power", where="heron")

        self.at_request[request] = fall

    def begin_with(self, tree: Tree) -> None:
        """The disk holds this from now on, and a new tape is begun."""
        shutil.rmtree(self.base_path)
        lay_down(tree, Path(self.base_path))
        self.tape = Tape(as_durable(tree))

    def _heard(self, event: Event) -> None:
        self.tape.events.append(event)
        deed = self.at_request.pop(len(self.tape), None)
        if deed is not None:
            deed()


def lay_down(tree: Tree, at: Path) -> None:
    """Make the entries of `tree` in the new folder `at`."""
    at.mkdir()
    first: dict[object, Path] = {}
    for path, entry in sorted(tree.items()):
        there = at / os.fsdecode(path)
        if entry.kind == "folder":
            there.mkdir()
        elif entry.kind == "link":
            there.symlink_to(os.fsdecode(entry.content))
        elif entry.inode in first:
            there.hardlink_to(first[entry.inode])
        else:
            first[entry.inode] = there
            there.write_bytes(entry.content)
            there.chmod(entry.permissions)
            os.utime(there, (entry.mtime, entry.mtime))


@contextmanager
def power_job(where: Path, seed: int, **more: Any) -> Iterator[tuple[OneJob, PowerBox]]:
    """A household whose far box may lose its power; `more` goes to OneJob."""
    box = PowerBox(where, seed)
    with level_way(), patch("otherroof.jobs.open_job.open_place", box.open_place), known_early_for_instant():
        yield OneJob(where, box, **more), box


@contextmanager
def known_early_for_instant() -> Iterator[None]:
    """A disk is known after two files, and for one that syncs in no time, however busy this machine is: a run of few
    files then has some that are synced as they come, and some later."""
    with ExitStack() as stack:
        for name, value in (
            ("sync_pace.FIRST", 2),
            ("far_syncs.FIRST", 2),
            ("sync_pace.QUICK", 0),
            ("sync_pace.INSTANT", 0),
            ("under_way.RELEASE_AT", 4),
        ):
            stack.enter_context(patch("otherroof.copying.send." + name, value))
        yield
