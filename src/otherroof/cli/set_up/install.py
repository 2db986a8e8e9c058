"""`otherroof install`: the service on this machine, step by step, and off it again."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Annotated

import typer

from otherroof.base.errors import HomeTrouble, WrongUse

if TYPE_CHECKING:
    from otherroof.system.install import Machine
    from otherroof.system.install_steps import InstallStep

Apply = Annotated[bool, typer.Option("--apply", help="Do it; without this, the steps are only shown.")]
Undo = Annotated[bool, typer.Option("--undo", help="Take the service off; settings, state and keys stay.")]
Root = Annotated[str, typer.Option("--root", metavar="DIR", help="A folder that holds the files of another machine.")]


def verb(apply: Apply = False, undo: Undo = False, root: Root = "/") -> None:
    """Have this machine run it by itself, as a service.

    Shows every step; --apply does them.
    """
    from otherroof.system.install import (
        Machine,
        carry_out_steps,
        find_writable_program_path,
        packaged_files,
        read_machine,
        this_program,
    )
    from otherroof.system.install_steps import (
        FOLDERS_PATH,
        folders_right,
        install_steps,
        install_warnings,
        next_steps_text,
        undo_leaves,
        undo_steps,
    )

    machine = Machine(os.path.abspath(root))
    if not machine.live and not os.path.isdir(machine.path("/etc")):
        advice = "name the folder where its root file system is mounted"
        raise WrongUse(
            "does not hold a machine's files: there is no folder etc in it", where=machine.root, advice=advice
        )
    if apply:
        _may_apply(machine)
    found = read_machine(machine)
    program = this_program()
    try:
        files = packaged_files(program)
        steps = undo_steps(found) if undo else install_steps(found, files)
    except ValueError as problem:
        raise WrongUse(str(problem)) from problem
    steps = _with_help(machine, steps, undo=undo)
    for line in () if undo else install_warnings(found, find_writable_program_path(program)):
        typer.echo(line)
    if apply:
        carry_out_steps(machine, steps, _show)
        found = read_machine(machine)
        if not undo and not folders_right(found, files):
            advice = "see that none of them is a link or a file, then run this again"
            raise HomeTrouble("systemd-tmpfiles could not put the folders right", where=FOLDERS_PATH, advice=advice)
    else:
        for step in steps:
            _show(step)
        typer.echo("nothing was done; `--apply` does what is not done yet, as root")
    for line in undo_leaves() if undo else next_steps_text(found) if apply else ():
        typer.echo(line)


def _with_help(machine: Machine, steps: list[InstallStep], *, undo: bool) -> list[InstallStep]:
    """`steps`, with those for the man page and completion."""
    from otherroof.cli.parser.completion import script
    from otherroof.cli.parser.manual import man_page
    from otherroof.system.install import texts_at
    from otherroof.system.install_help import COMPLETION, MAN_PAGE, USES, help_steps, help_undo_steps

    there = texts_at(machine, USES)
    if undo:
        return [*steps, *help_undo_steps(there)]
    texts = {MAN_PAGE: man_page()} | {path: script(shell) for shell, path in COMPLETION.items()}
    return [*help_steps(there, texts), *steps]


def _may_apply(machine: Machine) -> None:
    if os.geteuid() != 0:
        raise WrongUse("only root can install the service", advice="`sudo otherroof install --apply`")
    if machine.live and not os.path.isdir("/run/systemd/system"):
        raise WrongUse(
            "this machine is not run by systemd",
            advice="let your own supervisor run `otherroof serve`; it stays in the foreground and stops on SIGTERM",
        )


def _show(step: InstallStep) -> None:
    typer.echo(f"  already so: {step.text}" if step.deed is None else f"  - {step.text}")
    for line in step.shown.splitlines() if step.deed else ():
        typer.echo(f"      {line}")
