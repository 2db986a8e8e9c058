"""Finds out what became of changes whose end is not known: a connection broke, a run was killed, or it was refused."""

from __future__ import annotations

from otherroof.base.errors import PlaceError
from otherroof.copying.compare.change import PlannedChange, Rows
from otherroof.copying.compare.plan import RunPlan
from otherroof.far.place import Task
from otherroof.far.requests import Script
from otherroof.far_copy.numbers import FILE, LINK
from otherroof.far_copy.writer import ChangeState, FileProperties, Writer


def settle_unfinished(plan: RunPlan, writer: Writer) -> None:
    """Ask the far box about every change that was begun, and write down what is found."""

    def ask_standing(change: PlannedChange) -> Script[ChangeState]:
        properties = FileProperties.of(change.numbers) if change.numbers is not None and change.want else None
        return writer.standing(change.path, properties, change.had in (FILE, LINK))

    tasks = (Task(change, ask_standing(change)) for change in plan.pages(Rows.UNFINISHED))
    for result in writer.place.carry_out(tasks):
        if isinstance(result.error, PlaceError):  # refused even to look at the name: nothing changed there
            plan.take_back_begin(result.key)
            plan.trouble(result.key, result.key.why or result.error.what)
        elif result.error is not None:
            raise result.error
        else:
            _note(plan, result.key, result.value)
    plan.commit()


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
