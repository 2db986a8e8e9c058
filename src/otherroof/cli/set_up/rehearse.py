"""`otherroof rehearse`: the whole thing on this machine, against a stand-in far box."""

from __future__ import annotations

import os
import shlex
import sys
from typing import TYPE_CHECKING, Annotated

import typer

from otherroof.base.clock import SystemClock
from otherroof.base.errors import EXIT_DAMAGED, EXIT_LOOK, EXIT_WELL
from otherroof.base.units import count_text, size_text, span_text
from otherroof.cli.common import JsonOption, console, print_json, say

if TYPE_CHECKING:
    from otherroof.rehearsal.play import RehearsalResult, RehearsalStep

KeepOption = Annotated[
    str, typer.Option("--keep", metavar="DIR", help="Do it in this new or empty folder, and leave everything there.")
]


def verb(keep: KeepOption = "", as_json: JsonOption = False) -> None:
    """Try it all on this machine, with a pretended far box.

    An invented household is copied, a day passes, it is copied again; both versions are restored and compared.
    """
    from otherroof.rehearsal.own_copies import OwnCopyTool
    from otherroof.rehearsal.play import Rehearsal
    from otherroof.rehearsal.stage import BASE, JOB, set_up

    if keep and os.geteuid() == 0:
        from otherroof.system.state_owner import work_as_owner_of

        work_as_owner_of(keep)
    clock = SystemClock()
    began = clock.monotonic()
    with set_up(keep) as stage:
        keeper = OwnCopyTool(stage.settings, clock)
        tell = _to_errors if as_json else _to_output
        verdict = Rehearsal(stage, keeper, clock, tell, owners=os.geteuid() == 0).perform()
        seconds = clock.monotonic() - began
        if as_json:
            print_json(verdict.as_json() | {"seconds": round(seconds, 3), "kept": stage.folder if keep else None})
        else:
            _show(verdict, seconds)
            if keep:
                say(f"Everything lies in {stage.folder}; the pretended far box is gone, but not the copy that it held:")
                where = f"--config {shlex.quote(stage.settings)} --from {shlex.quote(stage.folder + '/far-box' + BASE)}"
                say(f"  otherroof versions {JOB} {where}")
            else:
                say("Nothing of it is left on this machine; --keep DIR leaves it all there to look at.")
    raise typer.Exit(EXIT_DAMAGED if verdict.unlike else EXIT_LOOK if verdict.wrong else EXIT_WELL)


def _to_output(line: str) -> None:
    say(line)


def _to_errors(line: str) -> None:
    sys.stderr.write(line + "\n")


def _show(verdict: RehearsalResult, seconds: float) -> None:
    from rich.table import Table

    table = Table(title="What was sent, and how long it took", title_justify="left")
    table.add_column("")
    for name in ("took", "files", "new content", "sent", "on the wire"):
        table.add_column(name, justify="right")
    for act in verdict.acts:
        table.add_row(*_row(act))
    console().print(table)
    if verdict.well:
        say(f"All as it should be, in {span_text(seconds)}.")
    else:
        count = len(verdict.wrong) + len(verdict.unlike)
        were = count_text(count, "thing was not as it", "things were not as they")
        say(f"{were} should be, as named above. It took {span_text(seconds)}.")


def _row(act: RehearsalStep) -> tuple[str, ...]:
    sizes = ("–" if count is None else size_text(count) for count in (act.new, act.sent, act.wire))
    files = "–" if act.files is None else f"{act.files:,}"
    return act.name, span_text(act.seconds), files, *sizes
