"""What is known of the files that are being brought at this moment: the step each is at, and what waits for what.

The queue knows in which order things go out, not why; the file sender decides what follows.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

from otherroof.base.errors import FarTrouble, OtherroofError
from otherroof.copying.compare.change import BEGUN, PlannedChange
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.send.landed import DueFiles
from otherroof.copying.send.stream import FileStream
from otherroof.far.place import Task

FileStep = Literal[
    "put", "put durable", "put part", "take place", "from far", "adopt", "prepare", "upload", "finish part", "forget"
]
# From these on the plan knows what the file turned out to be when it was read, and that its change is on its way. The
# other steps touch `incoming/` alone, or nothing, so if they are cut there is nothing to settle.
BEGINNING_STEPS: frozenset[FileStep] = frozenset(
    {"put", "put durable", "put part", "finish part", "take place", "from far"}
)
# After these the file stands there, but a power cut might still undo it.
LANDING_STEPS: frozenset[FileStep] = frozenset({"put", "take place", "from far", "adopt"})

# An intention must be on this disk before the far box is asked. One commit for several tasks keeps this from costing a
# write for each small file; more would only make the connections wait for the reading of so many.
RELEASE_AT = 32  # tasks whose intentions are committed together
RELEASE_BYTES = 2 * 1024 * 1024  # … or this much content


@dataclass(slots=True, eq=False)
class FileUnderWay:
    """A file under way and the step it is at."""

    change: PlannedChange
    step: FileStep
    data: bytes = b""
    stream: FileStream | None = None
    has_old: bool = False
    uploads: int = 0  # under way
    connections: int = 0  # connections that were given a share of this file
    failure: OtherroofError | None = None
    tries: int = 1


FileTask = Task[FileUnderWay | DueFiles, object]


@dataclass(slots=True)
class SendState:
    """State of one call of FileSender.send: files under way, and what waits for what."""

    uploading: list[FileUnderWay] = field(default_factory=list)
    plain: set[bytes] = field(default_factory=set)  # paths whose content is to be sent, wherever it may be
    stuck: int = 0  # rounds in a row in which nothing could be sent, because every file left waits for another
    taken: set[bytes] = field(default_factory=set)  # if stuck: paths begun in this round
    lent: set[bytes] = field(default_factory=set)  # if stuck: other files are made from these
    deferred: int = 0
    refusal: FarTrouble | None = None
    refused_size: int = 0
    refusals: int = 0


class FileQueue:
    """Tasks on their way out, each after its intention is on this disk."""

    def __init__(self, plan: RunPlan, state: SendState) -> None:
        self._plan = plan
        self._state = state
        self._next: deque[FileTask] = deque()
        self._ready: list[FileTask] = []
        self._ready_bytes = 0
        self._later: deque[tuple[float, FileUnderWay]] = deque()
        self.under_way = 0

    def add(self, file: FileUnderWay, task: FileTask, *, now: bool = False) -> None:
        """`now`: it follows from what has just ended, and goes out before any file that has not begun."""
        if file.step in BEGINNING_STEPS and file.change.state != BEGUN:
            self._plan.begin(file.change)
        self.under_way += 1
        if self._state.stuck:
            self._state.taken.add(file.change.path)
        if now:
            self._next.append(task)
        else:
            self._ready.append(task)
            self._ready_bytes += task.weight

    def add_later(self, file: FileUnderWay, due: float) -> None:
        """The file's next step must wait until `due`, on the clock that nobody can set."""
        self._later.append((due, file))

    @property
    def waits(self) -> bool:
        """Whether a file's next step waits for its time."""
        return bool(self._later)

    def take_due(self, now: float) -> Iterator[FileUnderWay]:
        """The files whose next step is due; all wait equally long, so they are in order."""
        while self._later and self._later[0][0] <= now:
            yield self._later.popleft()[1]

    @property
    def is_full(self) -> bool:
        """Whether it is time to `release`."""
        return len(self._ready) >= RELEASE_AT or self._ready_bytes >= RELEASE_BYTES

    def follow_ups(self) -> Iterator[FileTask]:
        """What follows from what has ended."""
        while self._next:
            self._plan.commit()  # waits for the disk, so once for all that have gathered
            for _ in range(len(self._next)):
                yield self._next.popleft()

    def release(self) -> Iterator[FileTask]:
        """The waiting tasks, after their intentions were committed to the plan's file."""
        self._plan.commit()
        ready, self._ready, self._ready_bytes = self._ready, [], 0
        yield from ready
