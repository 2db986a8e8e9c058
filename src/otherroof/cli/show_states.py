"""`otherroof versions JOB PATH`: every state of one file that can still be had."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING, Any, NoReturn

import typer

from otherroof.base.clock import stamp
from otherroof.base.errors import EXIT_DAMAGED, EXIT_LOOK, EXIT_WELL, WrongUse
from otherroof.base.local_time import table_time_text
from otherroof.base.units import count_text, size_text
from otherroof.cli.common import as_typed, console, print_json, say
from otherroof.cli.show_found import (
    DIGITS,
    path_as_json,
    problem_rows,
    state_as_json,
    tell_problems,
    tell_progress,
)
from otherroof.far_copy.entry import path_text

if TYPE_CHECKING:
    from otherroof.jobs.context import DiskAtHand
    from otherroof.restore.finding.history import HeldState
    from otherroof.settings import Settings


def show_states(
    settings: Settings, job: str, path: bytes, newest: str, disk: DiskAtHand | None, *, as_json: bool
) -> NoReturn:
    """Tell of every state of `path`; always leaves by typer.Exit, or raises what looking does."""
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.finding.versions import every_version, found_versions
    from otherroof.restore.finding.history import held_states
    from otherroof.restore.progress import RestoreProgress

    context = JobContext(RestoreProgress(), told=tell_progress, disk=disk)
    with found_versions(settings, job, every_version(newest), context) as found:
        held = held_states(found.versions, found.index.states_of(path))
        if not held:
            raise WrongUse(
                f"none of {count_text(len(found.versions), 'version')} holds {path_text(path)}",
                where=job,
                advice=f"`otherroof files {job} --like '*PART OF ITS NAME*'` looks for it",
            )
        held.reverse()
        if as_json:
            rows = {"states": [_row(one) for one in held], "problems": problem_rows(found.problems)}
            print_json({"job": job, **path_as_json("path", path), **rows})
        else:
            _tell_states(settings, job, path, held)
            tell_problems(found.problems)
        code = EXIT_DAMAGED if found.damaged else EXIT_LOOK if found.problems else EXIT_WELL
        raise typer.Exit(code)


def _row(held: HeldState) -> dict[str, Any]:
    return {
        "from": {"run": held.first.run, "taken": stamp(held.first.taken)},
        "to": {"run": held.last.run, "taken": stamp(held.last.taken)},
        "as_of": held.last.run if held.state is not None else None,
        "state": state_as_json(held.state) if held.state is not None else None,
    }


def _tell_states(settings: Settings, job: str, path: bytes, held: list[HeldState]) -> None:
    from rich.table import Table

    there = [one for one in held if one.state is not None]
    say(f"{job}: {path_text(path)}: {count_text(len(there), 'state')}, newest first")
    table = Table("from", "to", "size", "digest", "--as-of", box=None, pad_edge=False)
    for one in held:
        times = (table_time_text(one.first.taken, settings.zone), table_time_text(one.last.taken, settings.zone))
        state = one.state
        if state is None:
            table.add_row(*times, "–", "–", "not there")
        elif state.kind == "file":
            table.add_row(*times, size_text(state.size), state.digest.hex()[:DIGITS], one.last.run)
        else:
            table.add_row(*times, "–", state.kind, one.last.run)
    console().print(table)
    say(f"times in {settings.home.zone}; names of runs, under --as-of, are in UTC")
    quoted = shlex.quote(path_text(path))
    say(as_typed(f"bring one back: otherroof restore {job} {quoted} --into DIR --as-of {there[0].last.run}"))
