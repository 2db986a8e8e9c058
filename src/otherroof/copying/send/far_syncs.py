"""Has the far disk hold what has landed there, many files at once, and notes how far that has come; and keeps the mark
of the run fresh meanwhile.

When a file's time has come is decided by `landed`; how many go at a time, and whether the next one is synced as it
comes, by `sync_pace`; how its place syncs, by the layout.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from math import inf

from otherroof.base.clock import Clock
from otherroof.base.errors import LinkLost, OtherroofError
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.other_server import KEEP_FRESH_S
from otherroof.copying.send.landed import DueFiles, LandedFiles
from otherroof.copying.send.sync_pace import FIRST
from otherroof.far.place import Task, TaskResult
from otherroof.far_copy.writer import Writer

MARK = DueFiles(0, [])  # stands for the mark that says that this run goes on
WAIT_S = 1.0
# So long syncs go on once a stop was asked for: what has none by then is read back by the next run, which costs the
# line over there more.
PARTING_S = 4.0


class FarSyncs:
    """The syncs of one connection; `SendSteps` and whoever sends files for it share them."""

    def __init__(self, landed: LandedFiles, plan: RunPlan, writer: Writer, clock: Clock) -> None:
        self._landed = landed
        self._clock = clock
        self._fresh_at = clock.monotonic()
        self._plan = plan
        self._writer = writer
        self._under_way = 0  # files
        self._marks = 0
        self._refusal: OtherroofError | None = None

    def note_landed(self, path: bytes) -> int:
        """A file has landed; answers the number of its batch, 0 if the far box cannot sync."""
        return self._landed.note(path) if self._writer.place.offers.sync else 0

    @property
    def instant(self) -> bool:
        """Whether the far disk is so quick that nothing need wait for it apart from the rest.

        Never on a disk that commits all together: a sync there brings some changes of names before earlier ones.
        """
        return self._landed.pace.instant and not self._writer.waits_for_commit

    def takes_next_at_once(self) -> bool:
        """Whether the next file is to be synced as it comes; then it need not be noted as landed."""
        return self.instant and self._landed.pace.takes_next_at_once(self._clock.monotonic())

    def due_tasks(self, *, at_once: bool = False) -> Iterator[Task[DueFiles, None]]:
        """The syncs that are due now; with `at_once` those of all that has landed."""
        if self._refusal is not None:
            return
        now = self._clock.monotonic()
        if now - self._fresh_at > KEEP_FRESH_S:
            self._fresh_at = now
            self._marks += 1
            yield Task(MARK, self._writer.keep_mark_fresh())
        most = self._landed.pace.most - self._under_way
        together = self._landed.pace.together(self._landed.waiting)
        for due in self._landed.take_due(
            most, together, soon=self._gains_nothing_by_waiting, at_once=at_once or self._must_learn
        ):
            self._under_way += len(due.paths)
            self._landed.pace.begun(now)
            yield Task(due, self._writer.make_durable(due.paths), files=len(due.paths), waits_for_disk=not self.instant)

    @property
    def _gains_nothing_by_waiting(self) -> bool:
        # Synced as they come, its files leave no wait over a long line for the run's end.
        return not self._landed.pace.turns and not self._writer.waits_for_commit

    @property
    def _must_learn(self) -> bool:
        """Whether the first files to land are synced at once, to see what kind of disk it is."""
        enough = self._landed.waiting + self._under_way >= FIRST
        return self._landed.pace.quick is None and enough and not self._writer.waits_for_commit

    def all_tasks(self, stop: Callable[[], str], tick: Callable[[], None]) -> Iterator[Task[DueFiles, None] | None]:
        """The syncs of all that has landed; None while all that is left is under way.

        `tick` is called about every second while their time has not come. Soon after `stop` answers why it should stop,
        nothing more is begun.
        """
        at_once, ends_at = not self._writer.waits_for_commit, inf
        while self._busy or (self._landed.waiting and self._refusal is None):
            if ends_at == inf and stop():
                ends_at = self._clock.monotonic() + (PARTING_S if at_once else 0)
            if self._clock.monotonic() < ends_at:
                yield from self.due_tasks(at_once=at_once)
            elif not self._busy:
                return
            if self._busy:
                yield None
            elif self._landed.waiting:  # the place would take None for the end, with nothing under way
                self._clock.sleep(WAIT_S)
                tick()

    @property
    def _busy(self) -> bool:
        return self._under_way + self._marks > 0

    def ended(self, result: TaskResult[DueFiles, object]) -> None:
        """A script of syncs has ended."""
        if result.key is MARK:
            self._marks -= 1
            return  # if it is not there any more, that shows at the commit
        self._under_way -= len(result.key.paths)
        self._landed.pace.ended(len(result.key.paths), self._clock.monotonic(), more=self._under_way > 0)
        if result.error is not None:
            self.refused(result.error, *result.key.paths)
            return
        before = self._landed.durable
        self._landed.made_durable(result.key)
        if self._landed.durable > before:
            self._plan.note_durable(self._landed.durable)

    def refused(self, error: OtherroofError, *paths: bytes) -> None:
        """The far disk did not hold what it took at these paths: it is brought anew.

        A second sync may be answered as if all were well, since a kernel tells only once that it could not write; and
        what is read back may come out of its memory.
        """
        self._refusal = self._refusal or error
        for path in paths:
            self._plan.distrust(path)

    @property
    def is_refused(self) -> bool:
        """Whether a sync was refused: then nothing more should be sent."""
        return self._refusal is not None

    @contextmanager
    def told_first(self) -> Iterator[None]:
        """If the connection breaks while inside, what a sync was refused with is raised instead."""
        # Over another connection the same syncs would be answered as if all were well: a kernel tells of a write that
        # failed only once.
        try:
            yield
        except LinkLost:
            self.raise_refusal()
            raise

    def raise_refusal(self) -> None:
        """Raises the first error of a sync, if there was any: a disk that cannot hold what it took ends the run."""
        if self._refusal is not None:
            raise self._refusal
