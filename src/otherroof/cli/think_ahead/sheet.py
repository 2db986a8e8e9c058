"""`otherroof sheet`: the page for whoever has to get the files back, and the keys that stand on it taken in again."""

from __future__ import annotations

from typing import Annotated

import typer

from otherroof.base.errors import WrongUse
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, JsonOption

HtmlOption = Annotated[str, typer.Option("--html", metavar="FILE", help="Write it for the printer into this file.")]
KeysOption = Annotated[
    bool, typer.Option("--with-keys", help="With all that a new machine needs. First read the warning.")
]
TakeOption = Annotated[bool, typer.Option("--take", help="Take in what stands on a sheet with keys, on a new machine.")]
TextOption = Annotated[
    str, typer.Option("--text", metavar="FILE", help="With --take: what was typed; else asked here.")
]


def verb(
    html: HtmlOption = "",
    with_keys: KeysOption = False,
    take: TakeOption = False,
    text: TextOption = "",
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Make the recovery sheet, or take one in on a new machine.

    One page to print: what is where, how it is reached, how files come back with this program and without it.
    """
    if take and (html or with_keys or as_json):
        raise WrongUse("--take goes with --text alone", advice="leave the other options out")
    if text and not take:
        raise WrongUse("--text is for taking a sheet in", advice="add --take")
    if with_keys and as_json:
        raise WrongUse("keys are never printed as JSON", advice="leave one of --with-keys and --json out")
    from otherroof.cli import sheet_talk

    if take:
        sheet_talk.take_in(config, text or "-")
    else:
        sheet_talk.make(config, html, with_keys=with_keys, as_json=as_json)
