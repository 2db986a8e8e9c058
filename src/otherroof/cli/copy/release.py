"""`otherroof release`: let a held job run again, once a person has looked."""

from __future__ import annotations

from typing import Annotated

import typer

from otherroof.base.clock import SystemClock
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, as_typed, job_of, ledger_of, settings_in_use


def verb(
    job: Annotated[str, typer.Argument(metavar="JOB", help="The job that was held.")],
    config: ConfigOption = SETTINGS_FOLDER,
) -> None:
    """Let a held job go on, once you have looked.

    Its next run may change as much as the held one wanted to, and no more.
    """
    settings, _ = settings_in_use(config)
    job_of(settings, job)
    with ledger_of(settings) as ledger:
        hold = ledger.holds.of(job)
        if hold is None:
            told = "what a dry run only tells is held when it is run"
            typer.echo(as_typed(f"{job}: no run is held; {told}: `otherroof run {job}`"))
            return
        ledger.holds.release(job, SystemClock().now())
    typer.echo(as_typed(f"{job}: released ({hold.why}); its next run goes on; `otherroof run {job}` begins now"))
