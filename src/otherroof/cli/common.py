"""Options and small helpers that every verb shares: where the settings are, how things are shown."""

from __future__ import annotations

import json
import os
import sys
from typing import Annotated, Any

import typer
from rich.console import Console

from otherroof.errors import WrongUse
from otherroof.ledger import Ledger
from otherroof.settings import Job, Settings, require_settings

SETTINGS_FOLDER = "/etc/otherroof"
PLAIN_WIDTH = 200  # columns where it is no terminal: nothing is cut short there

ConfigOption = Annotated[str, typer.Option("--config", metavar="DIR", help="The settings folder.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]


def settings_in(folder: str) -> Settings:
    """The settings, or the one error that says what is wrong with them."""
    return require_settings(os.path.abspath(folder))


def job_of(settings: Settings, name: str) -> Job:
    """The job called `name`; raises WrongUse naming those that exist."""
    if name not in settings.jobs:
        known = ", ".join(sorted(settings.jobs)) or "none"
        raise WrongUse(f"there is no job {name!r}", where=settings.where, advice=f"jobs here: {known}")
    return settings.jobs[name]


def far_names(settings: Settings, asked: str) -> list[str]:
    """The far box `asked` for, or all of them where none is; raises WrongUse naming those that exist."""
    if asked and asked not in settings.far:
        known = ", ".join(sorted(settings.far))
        raise WrongUse(f"there is no far box {asked!r}", where=settings.where, advice=f"far boxes here: {known}")
    return [asked] if asked else sorted(settings.far)


def ledger_of(settings: Settings) -> Ledger:
    """The household's ledger, in the state folder. Raises HomeTrouble."""
    return Ledger(settings.ledger)


def console() -> Console:
    """Where reports go: plain when it is not a terminal, without colour where NO_COLOR says so."""
    width = None if sys.stdout.isatty() else PLAIN_WIDTH
    return Console(highlight=False, width=width, no_color=True if os.environ.get("NO_COLOR") else None)


def print_json(value: Any) -> None:
    """One JSON document on standard output, readable by people too."""
    sys.stdout.write(json.dumps(value, indent=2, ensure_ascii=False) + "\n")
