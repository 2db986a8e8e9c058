"""`otherroof install`: the service on this machine, step by step, and off it again."""

from __future__ import annotations

import os
from typing import Annotated

import typer

from otherroof.base.errors import WrongUse
from otherroof.system.install import Step, cautions, install_steps, left_behind, next_words, undo_steps, unit_for
from otherroof.system.installing import Machine, carry_out, exposed, look, packaged_unit, this_program

Apply = Annotated[bool, typer.Option("--apply", help="Do it; without this, the steps are only shown.")]
Undo = Annotated[bool, typer.Option("--undo", help="Take the service off; settings, state and keys stay.")]
Root = Annotated[str, typer.Option("--root", metavar="DIR", help="A folder that holds the files of another machine.")]


def verb(apply: Apply = False, undo: Undo = False, root: Root = "/") -> None:
    """Make it a service of systemd on this machine.

    Shows every step; --apply does them.
    """
    machine = Machine(os.path.abspath(root))
    if apply:
        _may_apply(machine)
    found = look(machine)
    program = this_program()
    try:
        steps = undo_steps(found) if undo else install_steps(found, unit_for(packaged_unit(), program))
    except ValueError as problem:
        raise WrongUse(str(problem)) from problem
    for line in () if undo else cautions(found, exposed(program)):
        typer.echo(line)
    if apply:
        carry_out(machine, steps, _show)
        found = look(machine)
    else:
        for step in steps:
            _show(step)
        typer.echo("nothing was done; `--apply` does what is not done yet, as root")
    for line in left_behind() if undo else next_words(found) if apply else ():
        typer.echo(line)


def _may_apply(machine: Machine) -> None:
    if os.geteuid() != 0:
        raise WrongUse("only root can install the service", advice="`sudo otherroof install --apply`")
    if machine.live and not os.path.isdir("/run/systemd/system"):
        raise WrongUse(
            "this machine is not run by systemd",
            advice="let your own supervisor run `otherroof serve`; it stays in the foreground and stops on SIGTERM",
        )


def _show(step: Step) -> None:
    typer.echo(f"  already so: {step.text}" if step.deed is None else f"  - {step.text}")
