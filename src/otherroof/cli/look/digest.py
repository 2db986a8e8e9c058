"""`otherroof digest`: the weekly summary, on the screen, in a file, or sent to the household."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Annotated

import typer

from otherroof.base.accounts import as_root
from otherroof.base.atomic_file import replace_file
from otherroof.base.clock import SystemClock
from otherroof.base.errors import EXIT_LOOK, EXIT_WELL
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, JsonOption, ledger_of, print_json, say, settings_in_use

if TYPE_CHECKING:
    from otherroof.watch.sending import Delivery


def verb(
    html: Annotated[str, typer.Option("--html", metavar="FILE", help="Write it as HTML into this file.")] = "",
    send: Annotated[bool, typer.Option("--send", help="Send it by every channel that carries the digest.")] = False,
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Say whether everything is safe, and what needs a hand."""
    from otherroof.watch import digest
    from otherroof.watch.gather import WatchInputs

    settings, mistakes = settings_in_use(config, lend_root=bool(html))
    clock, extra = SystemClock(), WatchInputs(mistakes)
    with ledger_of(settings) as ledger:
        found = digest.make(settings, ledger, clock, extra)
        made = digest.send(settings, ledger, clock, extra) if send else []
    if html:
        advice = "name a file in a folder that can be written"
        with as_root():
            replace_file(os.path.abspath(html), digest.as_html(found), what="the digest", advice=advice)
    if as_json:
        print_json(found.as_json() | {"deliveries": [_row(delivery) for delivery in made]})
    elif send:
        for delivery in made:
            say(f"{delivery.channel}: {delivery.subject}: " + (delivery.problem or "sent"))
    elif html:
        say(f"{os.path.abspath(html)}: {found.sentence}")
    else:
        typer.echo(digest.as_text(found), nl=False)
    well = found.well and all(delivery.sent and not delivery.problem for delivery in made)
    raise typer.Exit(EXIT_WELL if well else EXIT_LOOK)


def _row(delivery: Delivery) -> dict[str, object]:
    return {"channel": delivery.channel, "about": delivery.about, "sent": delivery.sent, "problem": delivery.problem}
