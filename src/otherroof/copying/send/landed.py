"""Which files have landed at the far end and are not durable there yet, and when each is to be made durable.

A far disk that is asked to stop for every file as it comes takes some twenty a second. So files land without a sync of
their own, and are synced later, many at once. Decides by the clock alone: knows neither place nor notes.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

from otherroof.base.clock import Clock
from otherroof.copying.send.sync_pace import SyncPace

# The far kernel writes what is 30 s old by itself (`vm.dirty_expire_centisecs`, looked at every 5 s), and btrfs
# commits everything every 30 s (`commit=`). A sync after that has hardly anything left to do.
AGE_S = 40.0
BATCH_S = 1.0  # files that landed within so long become durable together, as far as the notes know
MOST_WAITING = 100_000  # files; more would take too much memory here, so the oldest are synced earlier


@dataclass(slots=True)
class DueFiles:
    """Files that are to be made durable by one script, and the batch in which all of them landed."""

    batch: int
    paths: list[bytes]


@dataclass(slots=True)
class _Batch:
    number: int
    begun: float
    paths: deque[bytes] = field(default_factory=deque)
    under_way: int = 0


class LandedFiles:
    """The files of one run, in the order in which they landed, in numbered batches."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._number = 0
        self._batches: deque[_Batch] = deque()
        self._waiting = 0
        self.pace = SyncPace()

    @property
    def durable(self) -> int:
        """Every file of this batch and of those before it is durable."""
        return self._batches[0].number - 1 if self._batches else self._number

    def note(self, path: bytes) -> int:
        """A file has landed; answers the number of its batch."""
        now = self._clock.monotonic()
        if not self._batches or now - self._batches[-1].begun > BATCH_S:
            self._number += 1
            self._batches.append(_Batch(self._number, now))
        self._batches[-1].paths.append(path)
        self._waiting += 1
        return self._number

    def take_due(self, most: int, together: int = 1, *, soon: bool = False, at_once: bool = False) -> list[DueFiles]:
        """At most `most` files whose time has come, the oldest first, and no more than `together` in one.

        With `soon` it has come for every batch that is whole, with `at_once` for all.
        """
        age_s = 0.0 if soon else AGE_S
        now = self._clock.monotonic()
        found: list[DueFiles] = []
        for batch in self._batches:
            old = at_once or now - batch.begun >= age_s + BATCH_S
            while batch.paths and most > 0 and (old or self._waiting > MOST_WAITING):
                paths = [batch.paths.popleft() for _ in range(min(len(batch.paths), together, most))]
                batch.under_way += len(paths)
                self._waiting -= len(paths)
                most -= len(paths)
                found.append(DueFiles(batch.number, paths))
            if not old:
                break
        return found

    def made_durable(self, due: DueFiles) -> None:
        """Some of those that were due are durable."""
        for batch in self._batches:
            if batch.number == due.batch:
                batch.under_way -= len(due.paths)
                break
        while self._batches and not self._batches[0].paths and not self._batches[0].under_way:
            self._batches.popleft()

    def forget(self) -> None:
        """The connection broke: all that is not durable is looked at anew."""
        self._batches.clear()
        self._waiting = 0
        self.pace = SyncPace()

    @property
    def waiting(self) -> int:
        """How many files are not even asked for yet."""
        return self._waiting
