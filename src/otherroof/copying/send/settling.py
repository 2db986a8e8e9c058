"""Finds out what became of changes whose end is not known: a connection broke, a run was killed, or it was refused."""

from __future__ import annotations

from otherroof.base.errors import PlaceError
from otherroof.copying.compare.change import PlannedChange, Rows
from otherroof.copying.compare.plan import RunPlan
from otherroof.far.place import Task
from otherroof.far.requests import Script
from otherroof.far_copy.numbers import FILE, LINK
from otherroof.far_copy.writer import ChangeState, FileProperties, Writer


def settle_unfinished(plan: RunPlan, layout: Writer) -> None:
    """Ask the far box about every change that was begun, and write down what is found."""

    def ask_standing(todo: PlannedChange) -> Script[ChangeState]:
        shape = FileProperties.of(todo.numbers) if todo.numbers is not None and todo.want else None
        return layout.standing(todo.path, shape, todo.had in (FILE, LINK))

    tasks = (Task(todo, ask_standing(todo)) for todo in plan.pages(Rows.UNFINISHED))
    for done in layout.place.carry_out(tasks):
        if isinstance(done.error, PlaceError):  # refused even to look at the name: nothing changed there
            plan.take_back_begin(done.key)
            plan.trouble(done.key, done.key.why or done.error.what)
        elif done.error is not None:
            raise done.error
        else:
            _note(plan, done.key, done.value)
    plan.commit()


def _note(plan: RunPlan, todo: PlannedChange, standing: ChangeState | None) -> None:
    if standing is ChangeState.IN_PLACE:
        plan.done(todo)
        return
    if standing is ChangeState.OLD_GONE:
        todo.had = 0
    if todo.want == 0 and todo.had == 0:
        plan.done(todo)
        return
    plan.take_back_begin(todo)
    if todo.why:
        plan.trouble(todo, todo.why)
