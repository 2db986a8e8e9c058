"""Takes versions out of a far copy, in an order in which a crash at any point harms no version that stays.

For each stretch of runs that go together (the order of steps is the port's, with several runs for one):

    T1  what they and the run after them keep is noted here
    T2  the lines of the newest version before them are fetched and proved: they say what is still needed
    T3  their listings go: from then on they are no versions
    T4  what nobody needs goes; of several that keep the same name, only the first has what an older version needs
    T5  empty folders of the run after them go, as one may stand where a file is to be
    T6  what is needed is handed on to that run, by renaming
    T7  their empty folders go

Content crosses no line. A far disk without any room refuses new folders: then T6 and T7 take turns, since each folder
that has gone leaves room for one. Which versions go is decided elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from otherroof.base.errors import OtherroofError, Refused, RunCut
from otherroof.far.place import Task
from otherroof.far.requests import Script
from otherroof.far_copy.entry import FOLDER_KIND, path_in
from otherroof.far_copy.keeper import Keeper
from otherroof.far_copy.remover import Remover
from otherroof.restore.thinning.held_names import HeldNames, held_names
from otherroof.restore.thinning.stretches import GoingStretch

IDLE_TURNS = 2  # of T6 and T7 in which nothing could be handed on, before it is given up

Held = tuple[bytes, str]  # a name, and the run that keeps something under it
K = TypeVar("K")


def _never() -> str:
    """Nobody asks for a stop."""
    return ""


def _unwatched() -> None:
    """Nobody watches."""


@dataclass(slots=True)
class RemovalCount:
    """What was removed so far: runs, kept things that went for good, and kept things that were handed on."""

    runs: int = 0
    dropped: int = 0
    handed_on: int = 0


@dataclass(frozen=True, slots=True)
class Removal:
    """How stretches go: from which far copy, the path of a file here for the time being, what is counted.

    `stop` answers why it should stop, if it should: then what is in flight is finished, and RunCut is raised. What was
    done by then harms nothing, and the next removal does the rest. `tick` is called about every second.
    """

    keeper: Keeper
    notes: str
    count: RemovalCount
    stop: Callable[[], str] = _never
    tick: Callable[[], None] = _unwatched

    def take_out(self, stretch: GoingStretch) -> None:
        """Take a stretch out of the far copy. Raises PlaceError if the far box refuses, Damaged if the lines of the
        version before cannot be trusted; nothing has gone then."""
        remover = self.keeper.remover()
        with held_names(self.notes) as held:
            for run in (*stretch.gone, stretch.to):  # T1
                held.note(run, remover.holds(run))
                self._go_on()
            if stretch.before:  # T2
                held.note_needed(remover.name_of(path) for path in _paths(self.keeper.lines(stretch.before)))
            self._do_all(remover, (remover.drop_listing(run) for run in stretch.gone))  # T3
            self.count.runs += len(stretch.gone)
            unneeded = (remover.drop(name, run) for name, run in held.unneeded())
            self.count.dropped += self._do_all(remover, unneeded)  # T4
            remover.drop_empty_folders(stretch.to)  # T5
            self._hand_on(remover, held, stretch)  # T6, T7

    def _hand_on(self, remover: Remover, held: HeldNames, stretch: GoingStretch) -> None:
        idle = 0
        while True:
            before = self.count.handed_on
            refused = self._try_to_hand_on(remover, held, stretch.to)
            for run in stretch.gone:
                remover.drop_empty_folders(run)
                self._go_on()
            if not refused:
                return
            idle = idle + 1 if self.count.handed_on == before else 0
            if idle == IDLE_TURNS:
                raise next(iter(refused.values()))
            held.keep_only(refused)

    def _try_to_hand_on(self, remover: Remover, held: HeldNames, to: str) -> dict[Held, OtherroofError]:
        """Hand on what is needed; answers what was refused. Raises anything else, when all have ended."""
        refused: dict[Held, OtherroofError] = {}
        failure: OtherroofError | None = None
        tasks = (Task((name, run), remover.hand_on(name, run, to)) for name, run in held.needed(to))
        for result in remover.place.carry_out(self._until_stop(tasks), self.tick):
            if isinstance(result.error, Refused):
                refused[result.key] = result.error
            elif result.error is not None:
                failure = failure or result.error
            else:
                self.count.handed_on += 1
        if failure is not None:
            raise failure
        self._go_on()
        return refused

    def _do_all(self, remover: Remover, scripts: Iterable[Script[None]]) -> int:
        """Carry these out, many at once; answers how many. Raises the first refusal, when all have ended."""
        failure: OtherroofError | None = None
        done = 0
        for result in remover.place.carry_out(self._until_stop(Task(None, script) for script in scripts), self.tick):
            failure = failure or result.error
            done += result.error is None
        if failure is not None:
            raise failure
        self._go_on()
        return done

    def _until_stop(self, tasks: Iterable[Task[K, None]]) -> Iterator[Task[K, None]]:
        for task in tasks:
            if self.stop():
                return
            yield task

    def _go_on(self) -> None:
        if reason := self.stop():
            raise RunCut(reason)


def _paths(lines: Iterable[bytes]) -> Iterator[bytes]:
    """The paths of all that is no folder, from a listing's lines that were proved."""
    return (path_in(line) for line in lines if FOLDER_KIND not in line)
