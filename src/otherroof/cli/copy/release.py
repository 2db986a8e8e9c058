"""`otherroof release`: let a held job run again, once a person has looked."""

from __future__ import annotations

from typing import Annotated

import typer

from otherroof.base.clock import SystemClock
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, as_typed, jobs_of, ledger_of, say, settings_in_use


def verb(
    job: Annotated[str, typer.Argument(metavar="JOB", help="The job that was held.")],
    config: ConfigOption = SETTINGS_FOLDER,
) -> None:
    """Let a held job go on, once you have looked.

    Its next run may change as much as the held one wanted to, and no more.
    """
    settings, _ = settings_in_use(config)
    names = jobs_of(settings, job)
    with ledger_of(settings) as ledger:
        holds = {name: hold for name in names if (hold := ledger.holds.of(name)) is not None}
        if not holds:
            told = "what a dry run only tells is held when it is run"
            say(as_typed(f"{job}: no run is held; {told}: `otherroof run {job}`"))
        for name, hold in holds.items():
            ledger.holds.release(name, SystemClock().now())
            goes_on = f"its next run goes on; `otherroof run {name}` begins now"
            say(as_typed(f"{name}: released ({hold.why}); {goes_on}"))
