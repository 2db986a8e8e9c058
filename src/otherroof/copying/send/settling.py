"""Finds out what became of changes whose end is not known: a connection broke, a run was killed, or it was refused.

What had landed without being durable is looked at too: whether the far box lost its power meanwhile cannot be asked, so
small files are read back, and all are synced. So is every folder that a file gave way to: the file may be back.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import chain

from otherroof.base.errors import PlaceError
from otherroof.copying.compare.change import DONE, LARGE, PlannedChange, Rows
from otherroof.copying.compare.plan import RunPlan
from otherroof.copying.context import RunContext
from otherroof.copying.send.landed import AGE_S
from otherroof.far.place import Task
from otherroof.far.requests import Script
from otherroof.far_copy.numbers import FILE, FOLDER, LINK
from otherroof.far_copy.writer import ChangeState, FileProperties, NotDurable, Writer

WAITS_FOR_COMMIT = "waits for commit"  # a fact in the plan


def settle_unfinished(plan: RunPlan, writer: Writer, run: RunContext) -> None:
    """Ask the far box about every change that was begun, and write down what is found.

    Raises RunCut if the run was asked to stop; what was found until then stays written down.
    """

    _let_grow_old(plan, writer, run)

    def tasks() -> Iterator[Task[PlannedChange, ChangeState]]:
        for change in chain(plan.pages(Rows.UNFINISHED), plan.not_durable(), plan.pages(Rows.FOLDERS_FOR_OTHERS)):
            if run.stop.asked():
                return
            # Only what may stand there is synced, so only that waits for the disk.
            yield Task(change, _standing(writer, change), waits_for_disk=change.want == FILE)

    for result in writer.place.carry_out(tasks(), run.tick):
        if isinstance(result.error, NotDurable):
            _note(plan, result.key, ChangeState.OLD_GONE)  # no listing may name it, so it comes anew
        elif isinstance(result.error, PlaceError):  # refused even to look at the name: nothing changed there
            plan.take_back_begin(result.key)
            plan.trouble(result.key, result.key.why or result.error.what)
        elif result.error is not None:
            raise result.error
        else:
            _note(plan, result.key, result.value)
    plan.commit()
    run.check_stop()


def note_habits(plan: RunPlan, writer: Writer) -> None:
    """Note what settling has to know of the far disk: before a run has begun there, its writer does not know it."""
    if writer.waits_for_commit:
        plan.note_fact(WAITS_FOR_COMMIT, "yes")


def _let_grow_old(plan: RunPlan, writer: Writer, run: RunContext) -> None:
    # On a disk that commits all together, a sync of what is young would make a file's new content durable without the
    # second name under which the old one stands aside. When it landed is not known; it was before now.
    if not (writer.waits_for_commit or plan.fact(WAITS_FOR_COMMIT)):
        return
    if next(chain(plan.pages(Rows.UNFINISHED), plan.not_durable()), None) is None:
        return
    run.wait(AGE_S)


def _standing(writer: Writer, change: PlannedChange) -> Script[ChangeState]:
    if change.want == FOLDER and change.state == DONE:
        in_the_way = yield from writer.stands_in_the_way(change.path)
        return ChangeState.OLD_GONE if in_the_way else ChangeState.IN_PLACE
    properties = FileProperties.of(change.numbers) if change.numbers is not None and change.want else None
    if change.want == FILE and properties is not None and change.digest is not None and change.size <= LARGE:
        # The right size does not tell: a disk without a journal may have given the file its size and no content.
        try:
            is_whole = yield from writer.adopt(change.path, properties, change.digest)
        except PlaceError:
            return ChangeState.OLD_GONE  # it cannot be read, so it comes anew
        if is_whole:
            yield from _hold(writer, change.path)
            return ChangeState.IN_PLACE
        state = yield from writer.standing(change.path, properties, change.had in (FILE, LINK))
        return ChangeState.OLD_GONE if state is ChangeState.IN_PLACE else state
    # A large file was synced before it took its place, so that only its name may have been lost.
    state = yield from writer.standing(change.path, properties, change.had in (FILE, LINK))
    if state is ChangeState.IN_PLACE and change.want == FILE:
        yield from _hold(writer, change.path)
    return state


def _hold(writer: Writer, path: bytes) -> Script[None]:
    """Make it durable. Raises NotDurable if that is refused: an error, which a place tells also behind a break."""
    try:
        yield from writer.make_durable([path])
    except PlaceError as refusal:
        raise NotDurable(refusal.what, where=refusal.where) from refusal


def _note(plan: RunPlan, change: PlannedChange, standing: ChangeState | None) -> None:
    if standing is ChangeState.IN_PLACE:
        plan.done(change)
        return
    if standing is ChangeState.OLD_GONE:
        change.had = 0
    if change.want == 0 and change.had == 0:
        plan.done(change)
        return
    # As before, or the old one aside: planned again, unless the far box had refused it.
    plan.take_back_begin(change)
    if change.why:
        plan.trouble(change, change.why)
