"""`otherroof restore`: get files back, whole or in part, from any version that is kept."""

from __future__ import annotations

import os
import shlex
import sys
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from otherroof.base.clock import SystemClock, stamp
from otherroof.base.errors import EXIT_DAMAGED, EXIT_LOOK, EXIT_WELL, WrongUse
from otherroof.base.local_time import moment_text
from otherroof.base.units import count_text, rate_text, size_text, span_text
from otherroof.cli.common import (
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    NewestOption,
    as_typed,
    job_of,
    print_json,
    say,
    settings_for_rescue,
)
from otherroof.cli.show_found import (
    AsOfOption,
    FromOption,
    LikeOption,
    as_listed,
    disk_at_hand,
    path_as_json,
    problem_rows,
    tell_list,
    tell_problem,
    tell_progress,
)
from otherroof.cli.show_progress import restore_progress, show_progress
from otherroof.far_copy.entry import path_text

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from otherroof.jobs.finding.restore_states import RestoredStates
    from otherroof.jobs.restore import RestoreRequest
    from otherroof.restore.dry import DryRestore
    from otherroof.restore.progress import RestoreProgress
    from otherroof.restore.selection import RestoreReport
    from otherroof.settings import Settings

MOST_NAMED = 5  # damaged files that the command which brings them from elsewhere names: all others come along with it


def verb(
    job: Annotated[
        str,
        typer.Argument(
            metavar="JOB",
            help="The job whose files come back: out of several copies the nearest whole one, or the one that "
            "photos@wren names.",
        ),
    ],
    into: Annotated[str, typer.Option("--into", metavar="DIR", help="The folder to restore into.")],
    paths: Annotated[
        list[str] | None, typer.Argument(metavar="PATH", help="Only these, as they lie in the job's folder.")
    ] = None,
    as_of: AsOfOption = "",
    like: LikeOption = "",
    choose: Annotated[
        bool, typer.Option("--choose", help="Walk the version's folders and mark what is wanted.")
    ] = False,
    every_state: Annotated[
        bool, typer.Option("--every-state", help="All kept states of one file, side by side under dated names.")
    ] = False,
    dry: Annotated[bool, typer.Option("--dry", help="Only tell what would come back; write nothing.")] = False,
    if_there: Annotated[
        Literal["refuse", "keep", "replace"],
        typer.Option("--if-there", help="What to do if DIR is not empty."),
    ] = "refuse",
    disk: FromOption = "",
    newest: NewestOption = "",
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Bring files back from the far box into a folder.

    The newest version or an earlier one, whole or in part. Every file's digest is checked before it counts. With --from
    a disk that was carried home takes the far box's place: no tunnel, no login, but the settings and their keys. Then
    nothing is asked of a far box: what is damaged on the disk is named, with the command that brings it over the line.
    """
    from otherroof.jobs.copies.nearest import from_nearest
    from otherroof.jobs.restore import RestoreRequest
    from otherroof.restore.finding.like import Like

    settings = settings_for_rescue(config, lend_root=True)
    folder = job_of(settings, job).folder
    wanted = tuple(as_listed(path, folder) for path in paths or [])
    target = os.fsencode(os.path.abspath(into))
    pattern, at_hand = Like(like) if like else None, disk_at_hand(disk, job, settings)
    if choose:
        _require(not (wanted or like or every_state or as_json), "--choose stands alone, without PATH or --json")
    if every_state:
        _require(len(wanted) == 1 and not (like or as_of or dry), "--every-state goes with one PATH and one DIR alone")
    deed = _bring_states if every_state else _look_only if dry else _bring

    def bring_from(copy: str) -> int:
        request = RestoreRequest(copy, target, as_of, if_there, wanted, newest, pattern, at_hand)
        return deed(settings, _chosen(settings, request) if choose else request, into, as_json=as_json)

    raise typer.Exit(from_nearest(settings, job, bring_from, tell_problem, as_of))


def _require(right: bool, what: str) -> None:
    if not right:
        raise WrongUse(what, advice="`otherroof restore --help` tells more")


def _chosen(settings: Settings, request: RestoreRequest) -> RestoreRequest:
    """The request with the paths that a person marks, of the very version that was looked at."""
    from dataclasses import replace

    from otherroof.cli.choose import choose_paths
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.finding.versions import chosen, found_versions
    from otherroof.restore.finding.choosing import Chooser
    from otherroof.restore.finding.look import VersionLook
    from otherroof.restore.progress import RestoreProgress

    _require(sys.stdin.isatty(), "--choose needs a terminal; name a PATH, or a pattern with --like")
    context = JobContext(RestoreProgress(), told=tell_progress, disk=request.disk)
    with found_versions(settings, request.job, chosen(request.as_of, request.newest), context) as found:
        version = found.versions[-1]
        paths = choose_paths(Chooser(VersionLook(found.index, request.job, version)), request.job, settings.zone)
    if not paths:
        say("nothing was brought back")
        raise typer.Exit(EXIT_WELL)
    return replace(request, paths=paths, as_of=version.run)


def _bring(settings: Settings, request: RestoreRequest, into: str, *, as_json: bool) -> int:
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.restore import restore
    from otherroof.restore.progress import RestoreProgress

    clock = SystemClock()
    begun = clock.monotonic()
    progress = RestoreProgress()
    with show_progress(lambda: restore_progress(progress), request.job, quiet=as_json) as tick:
        found = restore(settings, request, JobContext(progress, clock=clock, tick=tick, told=tell_problem))
    seconds = clock.monotonic() - begun
    if as_json:
        print_json({"job": request.job, **_as_json(found, progress, seconds)})
    else:
        say(f"{request.job}: {_told(found, progress, request, seconds, settings.zone)}")
        _tell_rest(settings, found, request, into)
    damaged = bool(found.damaged or found.elsewhere)
    return EXIT_DAMAGED if damaged else EXIT_LOOK if found.problems else EXIT_WELL


def _bring_states(settings: Settings, request: RestoreRequest, into: str, *, as_json: bool) -> int:
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.finding.restore_states import restore_states
    from otherroof.restore.progress import RestoreProgress

    progress = RestoreProgress()
    with show_progress(lambda: restore_progress(progress), request.job, quiet=as_json) as tick:
        done = restore_states(settings, request, JobContext(progress, tick=tick))
    if as_json:
        print_json(_states_as_json(request.job, done))
    else:
        states = count_text(len(done.states), "state is", "states are")
        say(f"{request.job}: {states} in {path_text(os.fsencode(into))}, digests checked")
        for name, held in done.states:
            assert held.state is not None
            typer.echo(f"  {size_text(held.state.size):>8}  {path_text(name)}")
        _tell_kept(done.kept)
        _tell_elsewhere(done, request)
        _tell_problems(done, request)
        for other in done.others if request.disk is None else ():
            asked = f"`otherroof restore {other} {shlex.quote(path_text(request.paths[0]))} --into DIR --every-state`"
            say(as_typed(f"  {other} has versions of its own, perhaps with other states: {asked}"))
    return EXIT_DAMAGED if done.damaged or done.elsewhere else EXIT_LOOK if done.problems else EXIT_WELL


def _states_as_json(job: str, done: RestoredStates) -> dict[str, object]:
    states = [{**path_as_json("name", name), "run": held.last.run} for name, held in done.states]
    rows = {"damaged": problem_rows(done.damaged), "problems": problem_rows(done.problems)}
    return {"job": job, "states": states, "kept": done.kept, "elsewhere": _elsewhere_rows(done), **rows}


def _elsewhere_rows(found: RestoreReport | RestoredStates) -> list[dict[str, object]]:
    return [{**path_as_json("path", one.path), "why": one.why, "from": one.copy} for one in found.elsewhere]


def _look_only(settings: Settings, request: RestoreRequest, into: str, *, as_json: bool) -> int:
    from otherroof.jobs.restore import restore_dry

    found = restore_dry(settings, request)
    if as_json:
        print_json({"job": request.job, **_dry_as_json(found)})
    else:
        _tell_dry(found, request, into)
    return EXIT_LOOK if found.problems else EXIT_WELL


def _dry_as_json(found: DryRestore) -> dict[str, object]:
    return {
        "run": found.header.run,
        "dry": True,
        "files": found.files,
        "folders": found.folders,
        "bytes": found.size,
        "there": found.there,
        "empty": found.target_empty,
        "first": [path_as_json("path", path) for path in found.paths],
        "problems": problem_rows(found.problems),
    }


def _tell_dry(found: DryRestore, request: RestoreRequest, into: str) -> None:
    say(
        f"{request.job}: {count_text(found.files, 'file')} ({size_text(found.size)}) of run {found.header.run} "
        f"(UTC) would come into {path_text(os.fsencode(into))}; nothing was fetched or written"
    )
    for path in found.paths:
        typer.echo(f"  {path_text(path)}")
    if found.files > len(found.paths):
        say(f"  and {found.files - len(found.paths):,} more")
    if not found.target_empty:
        there = count_text(found.there, "of them is there already", "of them are there already")
        does = {
            "refuse": "it is not empty, so without --if-there keep or --if-there replace nothing would come",
            "keep": f"{there} and would stay",
            "replace": f"{there} and would be replaced",
        }
        say(f"  mind: {does[request.existing]}")
    for problem in found.problems:
        say(f"  note: {problem.why}", err=True)


def _as_json(found: RestoreReport, progress: RestoreProgress, seconds: float) -> dict[str, object]:
    from otherroof.far_copy.listing import time_taken

    return {
        "run": found.header.run,
        "taken": stamp(time_taken(found.header)),
        "files": found.files,
        "kept": found.kept,
        "bytes": found.size,
        "wire_down": progress.meter.wire_down,
        "seconds": round(seconds, 3),
        "damaged": problem_rows(found.damaged),
        "elsewhere": _elsewhere_rows(found),
        "problems": problem_rows(found.problems),
    }


def _told(
    found: RestoreReport, progress: RestoreProgress, request: RestoreRequest, seconds: float, zone: ZoneInfo
) -> str:
    from otherroof.far_copy.listing import time_taken

    moved = progress.meter.wire_down if request.disk is None else progress.meter.drawn
    return (
        f"{count_text(found.files, 'file')} ({size_text(found.size)}) of the version of "
        f"{moment_text(time_taken(found.header), zone)} (run {found.header.run}, UTC) came into "
        f"{path_text(request.into)}, "
        f"every digest checked; {span_text(seconds)}, {rate_text(moved, seconds)}"
    )


def _tell_rest(settings: Settings, found: RestoreReport, request: RestoreRequest, into: str) -> None:
    _tell_kept(found.kept)
    _tell_elsewhere(found, request)
    _tell_problems(found, request)
    if found.damaged:
        lost, disk = count_text(len(found.damaged), "file"), request.disk
        on_disk = f" --from {shlex.quote(disk.folder)}" if disk is not None else ""
        earlier = f"`otherroof versions {request.job}{on_disk}`, then --as-of"
        say(as_typed(f"  {lost} could not be restored; try an earlier version: {earlier}"), err=True)
        for line in _over_the_line(settings, found, request, into) if disk is not None else ():
            say(f"  {line}", err=True)


def _over_the_line(settings: Settings, found: RestoreReport, request: RestoreRequest, into: str) -> list[str]:
    """What brings that which a disk does not have whole from the far boxes: first those that other copies are at."""
    from otherroof.far_copy.listing import time_taken
    from otherroof.restore.versions import named_run
    from otherroof.settings.copies.names import other_copies_of

    # With `keep` only what is missing comes; what was to be replaced still stands there as it was.
    words = ["--into", into, "--if-there", "replace" if request.existing == "replace" else "keep"]
    if request.as_of:
        # A run is one copy's alone: by its time. A moment means the same everywhere, and another copy of that night may
        # be some minutes younger than the disk's.
        run = named_run([found.header.run], request.as_of, request.job)
        words += ["--as-of", stamp(time_taken(found.header)) if run else request.as_of]
    words += _named_again(found, request)
    rest = shlex.join(words)
    # A name may hold words that look like a command of ours: only what stands before it gets its `sudo`.
    return [
        as_typed(f"over the line, if far box {settings.jobs[name].far} has a copy: `otherroof restore {name} ")
        + f"{rest}`"
        for name in other_copies_of(request.job, settings.jobs) or [request.job]
    ]


def _named_again(found: RestoreReport, request: RestoreRequest) -> list[str]:
    """The words that name what is damaged; of many files what was asked for, or all of a large folder would cross."""
    paths = [problem.path for problem in found.damaged]
    if len(paths) <= MOST_NAMED and all(_can_be_typed(path) for path in paths):
        return paths
    asked = [path_text(path) for path in request.paths]
    like = ["--like", request.like.pattern] if request.like is not None else []
    return [*like, *(asked if all(_can_be_typed(path) for path in asked) else ())]


def _can_be_typed(path: str) -> bool:
    """Whether a path stands in a message as it is called, passes for no option and for no end of the command."""
    return path.isprintable() and not path.startswith("-") and not set(path) & set("\\`")


def _tell_elsewhere(found: RestoreReport | RestoredStates, request: RestoreRequest) -> None:
    for copy in dict.fromkeys(one.copy for one in found.elsewhere):
        came = [one.problem.text for one in found.elsewhere if one.copy == copy]
        tell_list(f"from {copy}, as {request.job} does not have it whole", came)


def _tell_kept(kept: int) -> None:
    if kept:
        left = count_text(kept, "was there already and left as it is", "were there already and left as they are")
        say(f"  {left}")


def _tell_problems(found: RestoreReport | RestoredStates, request: RestoreRequest) -> None:
    title = "damaged at the far box" if request.disk is None else "damaged on the disk"
    for name, problems in ((title, found.damaged), ("note", found.problems)):
        tell_list(name, [problem.text for problem in problems])
