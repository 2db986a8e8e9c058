"""`otherroof changes`: what came, changed, moved and went between two versions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Annotated, Any

import typer

from otherroof.base.errors import EXIT_LOOK, EXIT_WELL
from otherroof.base.local_time import moment_text
from otherroof.base.units import size_text
from otherroof.cli.common import (
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    NewestOption,
    job_of,
    print_json_rows,
    say,
    settings_for_rescue,
)
from otherroof.cli.show_found import (
    name_text,
    path_as_json,
    problem_rows,
    state_as_json,
    tell_problem,
    tell_problems,
    tell_progress,
    version_as_json,
)
from otherroof.far_copy.entry import path_text

if TYPE_CHECKING:
    from datetime import tzinfo

    from otherroof.restore.finding.changes import ChangeTotals, FoundChange
    from otherroof.restore.finding.states import IndexedVersion


def verb(
    job: Annotated[str, typer.Argument(metavar="JOB", help="The job whose versions are compared.")],
    earlier: Annotated[
        str, typer.Option("--from", metavar="RUN|TIME", help="The earlier version; else the one before the later.")
    ] = "",
    later: Annotated[str, typer.Option("--to", metavar="RUN|TIME", help="The later version; else the newest.")] = "",
    newest: NewestOption = "",
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Show what came, changed, moved and went between two versions.

    A file that moved is told at its new path; touched is what has the same content, but another time, owner or mode.
    """
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.copies.nearest import from_nearest
    from otherroof.jobs.finding.versions import found_versions, two_versions
    from otherroof.restore.finding.changes import ChangeTotals
    from otherroof.restore.progress import RestoreProgress

    settings = settings_for_rescue(config)
    job_of(settings, job)
    context = JobContext(RestoreProgress(), told=tell_progress)

    def show(name: str) -> int:
        with found_versions(settings, name, two_versions(earlier, later, newest), context) as found:
            found.require_all()
            new = found.versions[-1]
            # Both may be the same version; and before the first one there was nothing.
            before = found.versions[0] if len(found.versions) > 1 or earlier else None
            changes = found.index.changes(before.holds if before else None, new.holds)
            totals = ChangeTotals()
            if as_json:
                head: dict[str, Any] = {"job": name, "from": version_as_json(before) if before else None}
                head |= {"to": version_as_json(new), "problems": problem_rows(found.problems)}
                print_json_rows(head, "changes", _rows(changes, totals), lambda: _sums(totals))
            else:
                _tell(name, (before, new), changes, totals, settings.zone)
                tell_problems(found.problems)
            return EXIT_LOOK if found.problems else EXIT_WELL

    raise typer.Exit(from_nearest(settings, job, show, tell_problem, later or earlier))


def _counted(changes: Iterable[FoundChange], totals: ChangeTotals) -> Iterator[FoundChange]:
    for change in changes:
        totals.add(change)
        yield change


def _rows(changes: Iterable[FoundChange], totals: ChangeTotals) -> Iterator[dict[str, Any]]:
    for change in _counted(changes, totals):
        row: dict[str, Any] = {"change": change.kind, **path_as_json("path", change.path)}
        for key, state in (("old", change.old), ("new", change.new)):
            row[key] = state_as_json(state) if state is not None else None
        yield row


def _sums(totals: ChangeTotals) -> dict[str, Any]:
    return {"totals": {**totals.counts, "bytes": totals.size}}


def _tell(
    job: str,
    versions: tuple[IndexedVersion | None, IndexedVersion],
    changes: Iterable[FoundChange],
    totals: ChangeTotals,
    zone: tzinfo,
) -> None:
    before, after = versions
    begin = f"from {moment_text(before.taken, zone)} " if before else "from nothing (there is no earlier version) "
    say(f"{job}: {begin}to {moment_text(after.taken, zone)}")
    for change in _counted(changes, totals):
        typer.echo(_line(change))
    said = ", ".join(f"{count:,} {kind}" for kind, count in totals.counts.items() if count)
    say(f"{said}; {size_text(totals.size)} came or changed" if said else "nothing changed")


def _line(change: FoundChange) -> str:
    state = change.new or change.old
    assert state is not None
    size = size_text(state.size) if state.kind == "file" else ""
    line = f"  {change.kind:<7}  {size:>8}  {name_text(state, whole=True)}"
    if change.old is None or change.new is None:
        return line
    if change.kind == "moved":
        return f"{line}  (was {path_text(change.old.path)})"
    if change.old.kind != change.new.kind:
        return f"{line}  (was a {change.old.kind})"
    return f"{line}  (was {size_text(change.old.size)})" if change.old.size != change.new.size else line
