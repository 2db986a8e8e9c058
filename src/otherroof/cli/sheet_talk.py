"""What `sheet` and a person say to each other: the warning before keys are shown, and letters typed in, line by line.

Apart from the verb itself, so that `otherroof sheet --help` need not import all of it.
"""

from __future__ import annotations

import os
import sys

import typer

from otherroof.base.accounts import as_root
from otherroof.base.atomic_file import FOR_ALL, FOR_OWNER, replace_file
from otherroof.base.clock import SystemClock
from otherroof.base.errors import EXIT_LOOK, WrongUse
from otherroof.base.errors import typed as as_typed
from otherroof.base.handles import read_plain_file
from otherroof.cli.common import ledger_of, print_json, say, settings_in
from otherroof.jobs.layouts import BY_HAND
from otherroof.pairing.sheet.carried import pack, unpack
from otherroof.pairing.sheet.collect import collect
from otherroof.pairing.sheet.content import sheet_content
from otherroof.pairing.sheet.letters import IN_A_LINE, TypedGroups, as_groups
from otherroof.pairing.sheet.render import KEEP, WARNING, as_html, as_text
from otherroof.pairing.sheet.take import commands_in, files_of, groups_left, put_in_place, require_whole
from otherroof.settings import read_settings
from otherroof.watch.sheet.printed import note_printed

MOST_TYPED = 1 << 20  # bytes: far more than any sheet has


def make(config: str, html: str, *, with_keys: bool, as_json: bool) -> None:
    """Print the sheet, or write it for the printer, and remember what it tells. Raises WrongSettings, HomeTrouble."""
    if with_keys:
        typer.echo(f"CAUTION. {WARNING}\n{KEEP}\n", err=True)
        if sys.stdin.isatty() and not typer.confirm("Show them?", err=True):
            raise WrongUse("nothing was made", advice="without --with-keys the sheet has no secrets")
    settings = settings_in(config, lend_root=bool(html))
    now = SystemClock().now()
    with ledger_of(settings) as ledger:
        content = sheet_content(settings, ledger, now, BY_HAND)
    if as_json:
        print_json(content.as_json())
        return
    groups = as_groups(pack(collect(settings))) if with_keys else None
    if html:
        path = os.path.abspath(html)
        with as_root():
            replace_file(path, as_html(content, groups), FOR_OWNER if with_keys else FOR_ALL, what="the sheet")
        say(f"{path}: the recovery sheet of {content.day}; print it, and see that all of it can be read")
        if with_keys:
            say("Then delete the file. See once that the sheet is right, before it is needed:")
            typer.echo(
                "  otherroof sheet --take --config SOME-NEW-FOLDER      # type it in; delete that folder afterwards"
            )
    else:
        typer.echo(as_text(content, groups), nl=False)
    note_printed(settings, now, with_keys=with_keys)


def take_in(config: str, source: str) -> None:
    """Take the keys of a sheet in, from the file `source` or "-" for standard input; writes nothing until all is right.
    Raises WrongUse naming each group with a slip, HomeTrouble."""
    folder = os.path.abspath(config)
    carried = unpack(_typed_at_terminal() if source == "-" and sys.stdin.isatty() else _typed_before(source))
    files = files_of(carried)
    written = put_in_place(folder, files)
    for path in written:
        say(f"written, for its owner only: {path}")
    if not written:
        say(f"nothing to do: {folder} says all this already")
    for command in commands_in(carried):
        say(f"mind: these settings have this program run, see that it is there: {command}")
    _, mistakes = read_settings(folder)
    for mistake in mistakes:
        say(f"mind: {mistake.line()}", err=True)
    say(as_typed("Next: `otherroof probe`, then `otherroof restore`, as the sheet says.", folder))
    if mistakes:
        raise typer.Exit(EXIT_LOOK)


def _typed_before(source: str) -> bytes:
    if source == "-":
        text = sys.stdin.read(MOST_TYPED)
    else:
        try:
            text = read_plain_file(source, MOST_TYPED).decode("utf-8", "replace")
        except OSError as problem:
            advice = "name the file with what stands on the sheet"
            raise WrongUse(f"cannot be read: {problem.strerror}", where=source, advice=advice) from problem
    typed = TypedGroups()
    slips = [slip for line in text.splitlines() for slip in typed.take(line)]
    return require_whole(typed, slips)


def _typed_at_terminal() -> bytes:
    """Each line is looked at as it is typed, and asked for again if it has a slip."""
    typer.echo(
        "Type the letters of the sheet line by line, with blanks or dashes between them or not. (Ctrl-C leaves.)"
    )
    say("Nothing is written before all of them are right.")
    typed = TypedGroups()
    while True:
        start = typed.next
        typer.echo(f"{start:>4}. ", nl=False)
        line = sys.stdin.readline()
        if not line:
            return require_whole(typed, [])
        slips = typed.take(line)
        for slip in slips:
            typer.echo(f"      {slip.text()}; type the line again")
        left = groups_left(typed)
        if left == []:
            return require_whole(typed, [])
        if slips:
            typed.next = start
        elif left and typed.next not in left:
            typed.next = (left[0] - 1) // IN_A_LINE * IN_A_LINE + 1
