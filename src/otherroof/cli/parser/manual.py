"""The man page, made from what `--help` is made of: the verbs' own descriptions, arguments and options.

It imports every verb, so nothing but `install` should call it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import typer

from otherroof import __version__
from otherroof.cli.parser import json_words, roff
from otherroof.cli.parser.top import PROGRAM, PURPOSE, VerbGroup, build, command_of
from otherroof.cli.parser.verbs import EXIT_CODES, GROUPS, VERBS, codes_of
from otherroof.system.install_steps import JOBS, KEYS, SETTINGS, STATE

if TYPE_CHECKING:
    from typer._click import Command

DESCRIPTION = (
    "It runs on the home server, brings up a tunnel to a box in a relative's house, and copies there what has changed. "
    f"The first word says what is to be done; {PROGRAM} VERB --help tells the same as this page of one verb."
)
COPIES = (
    "JOB is the name of a job's file. If its folder goes to several far boxes, JOB means all its copies, or the "
    "nearest whole one if files are wanted back, and JOB@BOX the one at that far box, such as photos@wren."
)
FILES = (
    (f"{SETTINGS}/otherroof.toml", "The home, its far boxes, and how it tells what is wrong; --config names another."),
    (f"{JOBS}/JOB.toml", "One folder to protect, called JOB."),
    (f"{KEYS}/", "Keys, readable by the service alone. Keep a copy of them away from this machine."),
    (f"{STATE}/", "The history; and what is known of the far copies, which the next run can find out anew."),
)
ENVIRONMENT = (("NO_COLOR", "If it is set and not empty, nothing is coloured."),)
SEE_ALSO = ("crontab(5)", "nft(8)", "sshd_config(5)", "ssh-keygen(1)", "systemctl(1)", "wg(8)")


def man_page() -> str:
    """The page otherroof(1) as roff."""
    group = typer.main.get_command(build())
    assert isinstance(group, VerbGroup)
    top = typer.Context(group, info_name=PROGRAM, **group.context_settings)
    lines = [
        *roff.title(PROGRAM, 1, f"{PROGRAM} {__version__}", "Otherroof"),
        *roff.heading("Name"),
        rf"{roff.plain(PROGRAM)} \- {roff.plain(PURPOSE[0].lower() + PURPOSE[1:].rstrip('.'))}",
        *roff.heading("Synopsis"),
        f"{roff.bold(PROGRAM)} {roff.plain(' '.join(group.collect_usage_pieces(top)))}",
        *roff.heading("Description"),
        *roff.paragraphs([PURPOSE, DESCRIPTION, COPIES]),
        *roff.heading("Options"),
        *roff.terms(group.option_rows(top)),
        *roff.heading("Verbs"),
        *roff.terms((title, ", ".join(verbs)) for title, verbs in GROUPS.items()),
        *(line for verb in VERBS for line in _verb(command_of(verb), verb, top)),
        *roff.heading("Exit status"),
        *roff.terms((str(code), meaning) for code, meaning in EXIT_CODES.items()),
        *roff.heading("JSON"),
        *roff.paragraphs(json_words.SHAPE),
        *roff.terms((verb, _keys_text(keys)) for verb, keys in json_words.KEYS.items()),
        *roff.heading("Environment"),
        *roff.terms(ENVIRONMENT),
        *roff.heading("Files"),
        *roff.terms(FILES),
        *roff.heading("See also"),
        roff.plain(", ".join(SEE_ALSO)),
    ]
    return "\n".join(lines) + "\n"


def _verb(command: Command, verb: str, top: typer.Context) -> list[str]:
    here = typer.Context(command, info_name=verb, parent=top)
    rows = [row for param in command.params if (row := param.get_help_record(here))]
    return [
        *roff.subheading(" ".join([verb, *command.collect_usage_pieces(here)])),
        *roff.paragraphs((command.help or "").split("\n\n")),
        *roff.terms(rows),
        *roff.terms([("Exit codes", ", ".join(map(str, codes_of(verb))))]),
    ]


def _keys_text(keys: dict[str, str]) -> str:
    return "; ".join(f"{key}: {words}" for key, words in keys.items())
