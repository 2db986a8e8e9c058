"""`otherroof restore`: get files back, whole or in part, from any version that is kept."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from otherroof.base.clock import SystemClock, stamp
from otherroof.base.errors import EXIT_DAMAGED, EXIT_LOOK, EXIT_WELL
from otherroof.base.units import rate_text, size_text, span_text
from otherroof.cli.common import (
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    NewestOption,
    job_of,
    print_json,
    settings_for_rescue,
)
from otherroof.cli.show_progress import restore_progress, show_progress
from otherroof.far_copy.entry import path_text

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from otherroof.copying.report import Problem
    from otherroof.restore.progress import RestoreProgress
    from otherroof.restore.selection import RestoreReport

LONGEST_LIST = 50


def verb(
    job: Annotated[str, typer.Argument(metavar="JOB", help="The job whose files come back.")],
    into: Annotated[str, typer.Option("--into", metavar="DIR", help="The folder to restore into.")],
    paths: Annotated[
        list[str] | None, typer.Argument(metavar="PATH", help="Only these, as they lie in the job's folder.")
    ] = None,
    as_of: Annotated[str, typer.Option("--as-of", metavar="RUN|TIME", help="An earlier version than the newest.")] = "",
    if_there: Annotated[
        Literal["refuse", "keep", "replace"],
        typer.Option("--if-there", help="What to do if DIR is not empty."),
    ] = "refuse",
    newest: NewestOption = "",
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Bring files back from the far box into a folder.

    The newest version or an earlier one, whole or in part. Every file's digest is checked before it counts.
    """
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.restore import RestoreRequest, restore
    from otherroof.restore.progress import RestoreProgress

    settings = settings_for_rescue(config, lend_root=True)
    folder = job_of(settings, job).folder
    wanted = tuple(as_listed(path, folder) for path in paths or [])
    request = RestoreRequest(job, os.fsencode(os.path.abspath(into)), as_of, if_there, wanted, newest)
    clock = SystemClock()
    begun = clock.monotonic()
    progress = RestoreProgress()
    with show_progress(lambda: restore_progress(progress), job, quiet=as_json) as tick:
        found = restore(settings, request, JobContext(progress, clock=clock, tick=tick))
    seconds = clock.monotonic() - begun
    if as_json:
        print_json(_as_json(found, progress, seconds))
    else:
        _tell(found, progress, into, seconds, settings.zone)
    raise typer.Exit(EXIT_DAMAGED if found.damaged else EXIT_LOOK if found.problems else EXIT_WELL)


def as_listed(path: str, folder: str) -> bytes:
    """`path` as the listing names it: people write it as they see it at home, or with `./` before it."""
    named = os.path.normpath(path) if path else ""
    # With or without the job's folder in front: `/srv/photos/a` and `a` are the same file.
    if named.startswith(folder + "/"):
        named = named[len(folder) :]
    return os.fsencode(named.strip("/"))


def _as_json(found: RestoreReport, progress: RestoreProgress, seconds: float) -> dict[str, object]:
    from otherroof.far_copy.listing import time_taken

    return {
        "job": found.header.job,
        "run": found.header.run,
        "taken": stamp(time_taken(found.header)),
        "files": found.files,
        "kept": found.kept,
        "bytes": found.size,
        "wire_down": progress.meter.wire_down,
        "seconds": round(seconds, 3),
        "damaged": _rows(found.damaged),
        "problems": _rows(found.problems),
    }


def _rows(problems: list[Problem]) -> list[dict[str, str]]:
    return [{"path": problem.path, "why": problem.why} for problem in problems]


def _tell(found: RestoreReport, progress: RestoreProgress, into: str, seconds: float, zone: ZoneInfo) -> None:
    from otherroof.far_copy.listing import time_taken
    from otherroof.watch.words import count_text, moment_text

    typer.echo(
        f"{found.header.job}: {count_text(found.files, 'file')} ({size_text(found.size)}) of the version of "
        f"{moment_text(time_taken(found.header), zone)} (run {found.header.run}) are in "
        f"{path_text(os.fsencode(into))}, "
        f"every digest checked; {span_text(seconds)}, {rate_text(progress.meter.wire_down, seconds)}"
    )
    if found.kept:
        typer.echo(f"  {found.kept} were there already and left as they are")
    for title, problems in (("damaged at the far box", found.damaged), ("note", found.problems)):
        for problem in problems[:LONGEST_LIST]:
            typer.echo(
                f"  {title}: {problem.path}: {problem.why}" if problem.path else f"  {title}: {problem.why}", err=True
            )
        if len(problems) > LONGEST_LIST:
            typer.echo(f"  and {len(problems) - LONGEST_LIST} more", err=True)
    if found.damaged:
        typer.echo(
            f"  {len(found.damaged)} could not be restored; try an earlier version: otherroof versions "
            f"{found.header.job}, then --as-of",
            err=True,
        )
