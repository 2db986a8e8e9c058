"""`otherroof page`: the digest as a static page with charts, for the household's own web server."""

from __future__ import annotations

import os
from typing import Annotated

import typer

from otherroof.base.clock import SystemClock
from otherroof.base.errors import EXIT_LOOK, EXIT_WELL, WrongUse
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, ledger_of, say, settings_in_use


def verb(
    out: Annotated[
        str, typer.Option("--out", metavar="DIR", help="The folder to write index.html into, if not that under [page].")
    ] = "",
    config: ConfigOption = SETTINGS_FOLDER,
) -> None:
    """Write the digest and its history as one page.

    The service does so each hour if [page] names a folder. The page needs nothing else.
    It names folders and their state: show it inside the household only.
    """
    from otherroof.watch import page
    from otherroof.watch.gather import WatchInputs

    settings, mistakes = settings_in_use(config, lend_root=True)
    if not out and settings.told.page is None:
        raise WrongUse(
            "no folder is named for the page", advice="`--out DIR`, or `folder` under [page] in the settings"
        )
    folder = os.path.abspath(out) if out or settings.told.page is None else settings.told.page.folder
    with ledger_of(settings) as ledger:
        found = page.write(settings, ledger, SystemClock(), folder, WatchInputs(mistakes))
    say(f"{os.path.join(folder, page.PAGE)}: {found.sentence}")
    raise typer.Exit(EXIT_WELL if found.well else EXIT_LOOK)
