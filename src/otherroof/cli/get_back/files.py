"""`otherroof files`: what a version holds."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Annotated, Any

import typer

from otherroof.base.errors import EXIT_LOOK, EXIT_WELL
from otherroof.base.local_time import moment_text
from otherroof.base.units import count_text, size_text
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
    AsOfOption,
    FromOption,
    LikeOption,
    as_listed,
    disk_at_hand,
    name_text,
    problem_rows,
    state_as_json,
    tell_problem,
    tell_problems,
    tell_progress,
    time_or_count_text,
    version_as_json,
)
from otherroof.far_copy.entry import path_text

if TYPE_CHECKING:
    from datetime import tzinfo

    from otherroof.restore.finding.like import Like
    from otherroof.restore.finding.look import FoundEntry, VersionLook


def verb(
    job: Annotated[str, typer.Argument(metavar="JOB", help="The job whose files are shown.")],
    paths: Annotated[
        list[str] | None, typer.Argument(metavar="PATH", help="Only these, as they lie in the job's folder.")
    ] = None,
    as_of: AsOfOption = "",
    like: LikeOption = "",
    disk: FromOption = "",
    newest: NewestOption = "",
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Show what a version holds, folder by folder or by a pattern.

    What the far box's listings say is kept in the state folder for the next time; the first look takes longer.
    """
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.copies.nearest import from_nearest
    from otherroof.jobs.finding.versions import chosen, found_versions
    from otherroof.restore.finding.like import Like
    from otherroof.restore.finding.look import VersionLook
    from otherroof.restore.progress import RestoreProgress

    settings = settings_for_rescue(config)
    folder = job_of(settings, job).folder
    wanted = list(dict.fromkeys(as_listed(path, folder) for path in paths or [""]))
    pattern = Like(like) if like else None
    context = JobContext(RestoreProgress(), told=tell_progress, disk=disk_at_hand(disk, job, settings))

    def show(name: str) -> int:
        with found_versions(settings, name, chosen(as_of, newest), context) as found:
            look = VersionLook(found.index, name, found.versions[-1])
            for path in wanted:  # before anything is printed
                look.totals(path)
            if as_json:
                head = {"job": name, **version_as_json(look.version), "problems": problem_rows(found.problems)}
                print_json_rows(head, "entries", _rows(look, wanted, pattern))
            else:
                _tell(name, look, wanted, pattern, settings.zone)
                tell_problems(found.problems)
            return EXIT_LOOK if found.problems else EXIT_WELL

    raise typer.Exit(from_nearest(settings, job, show, tell_problem, as_of))


def _rows(look: VersionLook, wanted: list[bytes], like: Like | None) -> Iterator[dict[str, Any]]:
    for path in wanted:
        for entry in look.entries(path, like):
            row = state_as_json(entry.state)
            yield row | {"files": entry.files, "bytes": entry.size} if entry.state.kind == "folder" else row


def _tell(job: str, look: VersionLook, wanted: list[bytes], like: Like | None, zone: tzinfo) -> None:
    version = look.version
    say(f"{job} as of {moment_text(version.taken, zone)}, run {version.run} (UTC)")
    for path in wanted:
        files, size = look.totals(path)
        say(f"{path_text(path) or 'all'}: {count_text(files, 'file')}, {size_text(size)}")
        shown = 0
        for entry in look.entries(path, like):
            typer.echo(_line(entry, zone, whole=like is not None))
            shown += 1
        if not shown and (like is not None or files == 0):
            typer.echo("  nothing here is called like that" if like is not None else "  empty")


def _line(entry: FoundEntry, zone: tzinfo, *, whole: bool) -> str:
    return f"  {size_text(entry.size):>8}  {time_or_count_text(entry, zone):<16}  {name_text(entry.state, whole=whole)}"
