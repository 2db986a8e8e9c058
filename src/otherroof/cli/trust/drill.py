"""`otherroof drill`: bring a part of the copy back for practice, and say how long all of it would take."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from otherroof.base.clock import SystemClock
from otherroof.base.errors import EXIT_DAMAGED, EXIT_LOOK, EXIT_WELL
from otherroof.base.units import count_text, size_text, span_text
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, JsonOption, as_typed, say, settings_for_rescue
from otherroof.cli.show_found import problem_rows, tell_list, tell_problem
from otherroof.cli.show_progress import restore_progress, show_progress

if TYPE_CHECKING:
    from otherroof.restore.drilling.report import DrillReport

MB = 1_000_000


def verb(
    job: Annotated[str, typer.Argument(metavar="JOB", help="The job whose copy is brought back for practice.")],
    from_nothing: Annotated[
        bool,
        typer.Option(
            "--all-from-nothing",
            help="As if this machine were lost: all of it, from settings and keys alone, as far as there is room.",
        ),
    ] = False,
    budget_mb: Annotated[
        float | None, typer.Option("--budget-mb", metavar="N", min=0.001, help="Bring back at most so much.")
    ] = None,
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Bring back a part of the copy for practice, and time it.

    What comes back is drawn at random, compared with what was copied and with the files here, and removed again.
    """
    from otherroof.cli.several import for_each_copy
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.drill import DrillRequest, drill
    from otherroof.restore.progress import RestoreProgress

    settings = settings_for_rescue(config)

    def drill_one(name: str) -> tuple[int, dict[str, object]]:
        within_s = settings.jobs[name].back_within_hours * 3600
        request = DrillRequest(name, None if budget_mb is None else int(budget_mb * MB), from_nothing)
        progress = RestoreProgress()
        with show_progress(lambda: restore_progress(progress), name, quiet=as_json) as tick:
            found = drill(settings, request, JobContext(progress, tick=tick, clock=SystemClock(), told=tell_problem))
        slow = found.back is not None and 0 < within_s < found.back.seconds
        if not as_json:
            _tell(found, within_s)
            if slow:
                say(
                    "  too long: if all of it ever has to come back, fetch the far disk home; agree beforehand who may",
                    err=True,
                )
        code = EXIT_DAMAGED if found.wrong else EXIT_LOOK if slow or found.needs_a_look else EXIT_WELL
        return code, _as_json(found, within_s)

    raise typer.Exit(for_each_copy(settings, job, drill_one, as_json=as_json))


def _as_json(found: DrillReport, within_s: float) -> dict[str, object]:
    back, compared = found.back, found.compared
    return {
        "job": found.job,
        "run": found.run,
        "from_nothing": found.from_nothing,
        "whole": found.whole,
        "files": found.files,
        "bytes": found.size,
        "of_files": found.sums.files,
        "of_bytes": found.sums.size,
        "too_large": {"files": found.sums.too_large.count, "bytes": found.sums.too_large.room},
        "seconds": round(found.took_s, 3),
        "wire_down": found.wire_down,
        "back": None
        if back is None
        else {
            "seconds": round(back.seconds, 1),
            "soonest_s": round(back.soonest, 1),
            "latest_s": round(back.latest, 1),
            "before_s": round(back.before_s, 3),
            "file_s": back.costs.file_s,
            "byte_s": back.costs.byte_s,
            "measured_s": round(back.measured_s, 3),
        },
        "back_within_s": within_s or None,
        "damaged": problem_rows(found.wrong),
        "problems": problem_rows([*found.lacks, *compared.odd]),
        "left_off": problem_rows(found.left_off),
        "at_home": {
            "same": compared.same_at_home,
            "changed": compared.changed_at_home,
            "gone": compared.gone_at_home,
            "odd": len(compared.odd),
        },
        "check": None if found.check_code is None else {"code": found.check_code, "said": found.check_said},
        "cut": found.cut,
    }


def _tell(found: DrillReport, within_s: float) -> None:
    sums, compared = found.sums, found.compared
    size = f" ({size_text(found.size)} of {size_text(sums.size)})" if not found.cut else ""
    say(
        f"{found.job}: {found.files:,} of {count_text(sums.files, 'file')}{size} of run {found.run} (UTC) came back "
        f"for practice in {span_text(found.took_s)}, and were removed again"
    )
    if found.from_nothing:
        say(f"  from settings and keys alone; versions that could be had: {found.versions:,}")
    if found.back is not None:
        wanted = f"; wanted within {span_text(within_s)}" if within_s else ""
        say(f"  all of it would take {found.back.text()} to come back{wanted}")
        say(f"    {found.back.how()}")
    say(
        f"  compared with the files here: {compared.same_at_home:,} the same, {compared.changed_at_home:,} changed "
        f"since, {compared.gone_at_home:,} not there any more"
    )
    if sums.too_large.count and not found.whole:
        say(
            f"  too large to be drawn: {count_text(sums.too_large.count, 'file')} ({size_text(sums.too_large.room)}); "
            "a larger drill_mb, or --budget-mb, lets them come"
        )
    if found.check_code is not None:
        said = f": {found.check_said}" if found.check_said else ""
        say(f"  the job's own check ended with {found.check_code}{said}", err=bool(found.check_code))
    if found.left_off:
        say(f"  properties that could not be set here: {len(found.left_off):,} (a drill needs none of them)")
    _tell_problems(found)


def _tell_problems(found: DrillReport) -> None:
    for title, problems in (("damaged", found.wrong), ("note", found.lacks), ("look", found.compared.odd)):
        tell_list(title, [problem.text for problem in problems])
    if found.cut:
        say(f"  it stopped early: {found.cut}", err=True)
    if found.wrong:
        say("  keep the files here safe: they may be the only good ones", err=True)
        say(as_typed(f"  `otherroof prove {found.job} --heal` sends again what is damaged there"), err=True)
