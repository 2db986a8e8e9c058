"""`otherroof thin`: show the versions that the keeping rule no longer wants, let them go in two steps, recall them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from otherroof.base.clock import SystemClock, stamp
from otherroof.base.errors import EXIT_LOOK, EXIT_WELL, WrongUse
from otherroof.base.local_time import table_time_text
from otherroof.base.units import count_text, size_text
from otherroof.cli.common import (
    OWN_VERSIONS,
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    as_typed,
    console,
    one_job_of,
    say,
    settings_in,
)

if TYPE_CHECKING:
    from datetime import datetime

    from otherroof.jobs.thinning.thin import Deed, ThinReport
    from otherroof.restore.thinning.rule import GoingVersion
    from otherroof.settings import Settings

MOST_SHOWN = 60
WIDE = 104  # columns for all of the table
CAUTION = (
    "CAUTION: what goes is gone for good, and no run brings it back. Look at the list above. `otherroof versions {0} "
    "--pin RUN --why TEXT` keeps one for good, `otherroof thin {0} --recall` calls it all off."
)


def verb(
    job: Annotated[str, typer.Argument(metavar="JOB", help="The job whose versions are thinned.")],
    apply: Annotated[
        bool,
        typer.Option(
            "--apply",
            help="Write down what is to go, and remove for good what was written down thin_wait_days ago.",
        ),
    ] = False,
    recall: Annotated[
        bool, typer.Option("--recall", help="Take back all that is written down to go, until the next --apply.")
    ] = False,
    let_go: Annotated[
        str,
        typer.Option("--let-go", metavar="RUN", help="Let the damaged version of RUN go too, as the rule says."),
    ] = "",
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Show which versions are to go; remove them in two steps.

    While damage is known none goes, as an older version may be the only good one. What nobody can mend: --let-go RUN
    shows what comes of it, --let-go RUN --apply writes it down. Without --apply or --recall nothing is changed. What
    goes is gone for good: see what can then no longer be had.
    """
    from otherroof.cli.several import for_each_copy
    from otherroof.cli.show_progress import show_progress
    from otherroof.forecast.advance import ProgressReading
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.thinning.thin import ThinProgress, thin

    if apply and recall:
        raise WrongUse("--apply and --recall cannot go together", where=job)
    if let_go and recall:
        raise WrongUse("--let-go and --recall cannot go together", where=job)
    settings = settings_in(config)
    deed: Deed = "apply" if apply else "recall" if recall else "show"
    if let_go:
        job = one_job_of(settings, job, OWN_VERSIONS)

    def thin_one(name: str) -> tuple[int, dict[str, Any]]:
        progress = ThinProgress()

        def look() -> ProgressReading:
            count = progress.count
            return ProgressReading("thinning", count.dropped + count.handed_on, 0, 0, 0, b"")

        with show_progress(look, name, quiet=as_json) as tick:
            found = thin(settings, name, deed, JobContext(progress, clock=SystemClock(), tick=tick), let_go)
        if not as_json:
            _tell(settings, found, deed)
        return EXIT_LOOK if found.objection else EXIT_WELL, _as_json(found)

    raise typer.Exit(for_each_copy(settings, job, thin_one, as_json=as_json))


def _as_json(found: ThinReport) -> dict[str, Any]:
    return {
        "job": found.job,
        "versions": found.versions,
        "going": [
            {
                "run": going.version.run,
                "taken": stamp(going.version.taken),
                "spacing": going.spacing,
                "instead": going.instead,
                "damaged": going.damaged,
                "not_before": stamp(found.goes_at[going.version.run]) if going.version.run in found.goes_at else None,
            }
            for going in found.going
        ],
        "stay_for_their_lines": list(found.lent),
        "bytes_given_back": found.loss.size,
        "files_lost": found.loss.files,
        "biggest_lost": [{"path": one.path, "bytes": one.size, "last": one.last} for one in found.loss.biggest],
        "objection": found.objection,
        "written_down": list(found.noted),
        "removed": list(found.removed),
        "bytes_removed": found.freed.size,
        "taken_back": list(found.taken_back),
    }


def _tell(settings: Settings, found: ThinReport, deed: Deed) -> None:
    if deed == "recall":
        stay = count_text(len(found.taken_back), "version that was to go stays", "versions that were to go stay")
        stay = stay if found.taken_back else "no version was written down to go"
        say(as_typed(f"{found.job}: {stay}; the service lets nothing go until `otherroof thin {found.job} --apply`"))
        return
    if not settings.jobs[found.job].versions.lines and not found.going:
        say(f"{found.job}: every version stays: no [versions.spacing] is written for it")
        return
    if found.removed:
        gone = count_text(len(found.removed), "version is", "versions are")
        say(f"{found.job}: {gone} gone, {size_text(found.freed.size)} given back")
    left = [going for going in found.going if going.version.run not in found.removed]
    if left:
        _tell_going(settings, found, left)
    else:
        stay = count_text(found.versions - len(found.removed), "version stays", "versions stay")
        say(f"{found.job}: nothing more is to go; {stay}")
    if found.objection:
        say(f"{found.job}: nothing is removed now: {found.objection}", err=True)
    elif left:
        say(as_typed(CAUTION.format(found.job)))
        if deed == "show":
            steps = "step one, and after the wait step two"
            say(as_typed(f"nothing was changed; {steps}: `otherroof thin {found.job} --apply`"))


def _tell_going(settings: Settings, found: ThinReport, left: list[GoingVersion]) -> None:
    from rich.table import Table

    stay, versions = found.versions - len(found.going), count_text(found.versions, "version")
    say(f"{found.job}: of {versions} {stay:,} {'stays' if stay == 1 else 'stay'}; these are to go:")
    out = console()
    # A run's name is what --pin needs to keep it: no screen may be too narrow for it.
    wide = out.width >= WIDE
    table = Table(box=None, pad_edge=False)
    for title in ("run", "taken", "rule", "not before", *(["stays in its place"] if wide else [])):
        table.add_column(title, no_wrap=True)
    for going in left[:MOST_SHOWN]:
        taken = _local(settings, going.version.taken)
        rule = "damaged, let go" if going.damaged else going.spacing if going.instead else "too old for any"
        at = found.goes_at.get(going.version.run)
        when = _local(settings, at) if at is not None else "after step one"
        table.add_row(going.version.run, taken, rule, when, *([going.instead or "–"] if wide else []))
    out.print(table)
    if len(left) > MOST_SHOWN:
        say(f"and {len(left) - MOST_SHOWN} more; --json has all")
    if not found.removed:
        _tell_loss(found)
    if found.lent:
        stay_too = count_text(len(found.lent), "more stays", "more stay")
        say(f"{stay_too}, because later versions refer to it; it takes no room of its own")
    say(f"times in {settings.home.zone}; the run's own name has its time in UTC")


def _tell_loss(found: ThinReport) -> None:
    loss = found.loss
    say(
        f"that gives back {size_text(loss.size)}; what {count_text(loss.files, 'file')} held can then no longer be had"
        + (", the biggest:" if loss.biggest else "")
    )
    for one in loss.biggest[:5]:
        say(f"  {one.path} ({size_text(one.size)}), last in {one.last}")


def _local(settings: Settings, moment: datetime) -> str:
    return table_time_text(moment, settings.zone)
