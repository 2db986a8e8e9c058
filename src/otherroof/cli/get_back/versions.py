"""`otherroof versions`: what can be restored of a job."""

from __future__ import annotations

from typing import Annotated

import typer

from otherroof.base.clock import stamp
from otherroof.base.errors import EXIT_DAMAGED, EXIT_WELL
from otherroof.base.units import size_text
from otherroof.cli.common import (
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    NewestOption,
    console,
    job_of,
    print_json,
    settings_for_rescue,
)


def verb(
    job: Annotated[str, typer.Argument(metavar="JOB", help="The job whose versions are listed.")],
    newest: NewestOption = "",
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """List every version that the far box holds, newest first."""
    from otherroof.jobs.restore import LOST, list_versions

    settings = settings_for_rescue(config)
    job_of(settings, job)
    found = list_versions(settings, job, newest)
    if as_json:
        held = [version for version in found if version.flaw != LOST]
        rows = [
            {"run": version.run, "taken": stamp(version.taken), "files": version.files, "bytes": version.size}
            for version in held
        ]
        print_json({"versions": rows})
    elif not found:
        typer.echo(f"{job}: the far copy holds no version yet")
    else:
        from rich.table import Table

        table = Table("run", "taken", "files", "size", "", box=None, pad_edge=False)
        for version in found:
            taken = f"{version.taken.astimezone(settings.zone):%Y-%m-%d %H:%M}"
            figures = ("–", "–") if version.flaw else (str(version.files), size_text(version.size))
            table.add_row(version.run, taken, *figures, version.flaw)
        console().print(table)
        typer.echo(f"times in {settings.home.zone}; the run's own name has its time in UTC")
    raise typer.Exit(EXIT_DAMAGED if any(version.flaw for version in found) else EXIT_WELL)
