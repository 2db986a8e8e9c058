"""`otherroof probe`: how far the way to a far box goes, rung by rung."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

import typer

from otherroof.base.clock import Clock, SystemClock, stamp
from otherroof.base.errors import EXIT_WELL
from otherroof.base.local_time import moment_text
from otherroof.cli.common import (
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    console,
    far_names,
    ledger_of,
    print_json,
    settings_by_hand,
)

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from otherroof.ledger import Ledger
    from otherroof.probe.ladder import ClimbResult, RungResult
    from otherroof.settings import Settings

STYLES = {"ok": "green", "not ok": "bold red", "not tried": "dim"}

FarToProbe = Annotated[str, typer.Argument(metavar="FAR", help="The far box; every one if none is named.")]


def verb(far: FarToProbe = "", config: ConfigOption = SETTINGS_FOLDER, as_json: JsonOption = False) -> None:
    """Check every step of the way to the far box.

    Each check is told with its time, what was seen, and what to do if it fails.
    """
    settings, _ = settings_by_hand(config)
    clock = SystemClock()
    codes, rows = [EXIT_WELL], []
    with ledger_of(settings) as ledger:
        for name in far_names(settings, far):
            begun = clock.now()
            climb = _probe_one(settings, name, ledger, clock, quiet=as_json)
            codes.append(climb.exit_code)
            written = ledger.probes.last(name, clock.now())  # the moment that the ledger has, to the second
            rows.append(_as_json(name, written.at if written else begun, climb, ledger.answers.last(name)))
    if as_json:
        print_json({"probes": rows})
    raise typer.Exit(max(codes))


def _probe_one(settings: Settings, name: str, ledger: Ledger, clock: Clock, *, quiet: bool) -> ClimbResult:
    from otherroof.probe.probe import probe_far

    if quiet:
        return probe_far(settings, name, ledger, clock)

    from rich.markup import escape

    screen = console()
    screen.print(f"[bold]{escape(name)}[/bold]")
    climb = probe_far(settings, name, ledger, clock, told=lambda met: _show_rung(screen, met))
    last = ledger.answers.last(name)
    screen.print(f"{_verdict(name, climb)}{_since(settings, climb, last)}", soft_wrap=not screen.is_terminal)
    return climb


def _show_rung(screen: Console, met: RungResult) -> None:
    took = f"{met.took_s:.2f} s" if met.seen.state != "not tried" else ""
    lines: list[tuple[str, str, str, str]] = [(met.seen.state, met.rung, took, met.seen.text)]
    if met.seen.advice:
        lines.append(("", "", "", f"→ {met.seen.advice}"))
    if screen.is_terminal:
        screen.print(_columns(lines))
        return
    for state, rung, took, text in lines:  # one line each, however long, so that it can be searched
        screen.print(f"  {state:<9} {rung:<17} {took:>8}  {text}", markup=False, soft_wrap=True)


def _columns(lines: list[tuple[str, str, str, str]]) -> Table:
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 1, 0, 0))
    for width in (1, 9, 17):
        table.add_column(width=width)
    table.add_column(width=8, justify="right")
    table.add_column(overflow="fold")  # a host key has to be compared to its last letter
    for state, rung, took, text in lines:
        table.add_row("", Text(state, STYLES.get(state, "")), rung, took, Text(text))
    return table


def _verdict(name: str, climb: ClimbResult) -> str:
    from rich.markup import escape

    if climb.exit_code == EXIT_WELL:
        return f"{escape(name)} answers: all well"
    reached = "was not reached" if climb.stopped_at is not None else "answers, but something needs a look"
    return f"{escape(name)} {reached}: {escape(climb.headline)}"


def _since(settings: Settings, climb: ClimbResult, last: datetime | None) -> str:
    if _answered(climb):
        return ""
    return f" (last answered {moment_text(last, settings.zone)})" if last else " (has never answered)"


def _answered(climb: ClimbResult) -> bool:
    from otherroof.probe.rung_names import HOST_KEY

    return climb.held(HOST_KEY)


def _as_json(name: str, begun: datetime, climb: ClimbResult, last: datetime | None) -> dict[str, Any]:
    return {
        "far": name,
        "at": stamp(begun),
        "answered": _answered(climb),
        "last_answer": stamp(last) if last else None,
        "exit_code": climb.exit_code,
        "headline": climb.headline,
        "advice": climb.advice,
        "rungs": [rung.as_json() for rung in climb.rungs],
    }
