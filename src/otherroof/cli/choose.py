"""The talk of `restore --choose`: draws a version's folders, reads lines, and answers which paths are to come back."""

from __future__ import annotations

import sys
from collections.abc import Callable
from datetime import tzinfo
from typing import TYPE_CHECKING

import typer

from otherroof.base.local_time import moment_text
from otherroof.base.printable import escaped
from otherroof.base.units import count_text, size_text
from otherroof.cli.common import console
from otherroof.cli.show_found import name_text, time_or_count_text
from otherroof.far_copy.entry import path_text

if TYPE_CHECKING:
    from otherroof.restore.finding.choosing import Chooser

PROMPT = "> "


def choose_paths(chooser: Chooser, job: str, zone: tzinfo, read: Callable[[], str] | None = None) -> tuple[bytes, ...]:
    """What a person marks and asks for; nothing if they leave, or their terminal ends."""
    read = read or _read_line
    while not chooser.outcome:
        _draw(chooser, job, zone)
        line = read()
        if not line:
            typer.echo("")  # the terminal was closed, or Ctrl-D pressed: the prompt's line is still open
            return ()
        chooser.hear(line)
    return chooser.paths if chooser.outcome == "bring" else ()


def _read_line() -> str:
    typer.echo(PROMPT, nl=False)
    return sys.stdin.readline()


def _draw(chooser: Chooser, job: str, zone: tzinfo) -> None:
    from rich.table import Table
    from rich.text import Text

    version = chooser.look.version
    where = path_text(chooser.folder) or "all"
    found = f", {chooser.pattern.pattern}" if chooser.pattern else ""
    typer.echo(f"\n{job} as of {moment_text(version.taken, zone)}: {where}{escaped(found)}")
    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column(justify="right")
    table.add_column()
    table.add_column(justify="right", no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    for row in chooser.rows:
        entry = row.entry
        # As text and not as markup: a name may look like markup.
        name = Text(name_text(entry.state, whole=chooser.pattern is not None))
        mark = Text("[x]" if row.marked else "[ ]")
        table.add_row(str(row.number), mark, size_text(entry.size), time_or_count_text(entry, zone), name)
    console().print(table if chooser.rows else "  empty")
    for line in chooser.said:
        typer.echo(f"  {line}")
    files, size = chooser.marked
    page = f"page {chooser.page + 1} of {chooser.pages}; " if chooser.pages > 1 else ""
    typer.echo(
        f"{page}marked: {count_text(files, 'file')}, {size_text(size)}; number, m, u, n, p, /PATTERN, l, b, q, ?"
    )
