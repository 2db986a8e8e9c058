"""`otherroof ledger`: the history of runs as a table, JSON or CSV."""

from __future__ import annotations

import csv
import sys
from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import typer

from otherroof.base.clock import parse_moment
from otherroof.base.errors import WrongUse
from otherroof.base.printable import escaped
from otherroof.base.units import rate_text, size_text, span_text
from otherroof.cli.common import (
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    console,
    job_of,
    ledger_of,
    print_json,
    settings_in_use,
)

if TYPE_CHECKING:
    from otherroof.ledger import Ledger, RunRow
    from otherroof.settings import Settings

SHOWN = 40
WORDS = ("started", "job", "outcome")  # the other columns are figures
LEAST_NEEDED = ("on the wire", "rate", "moved", "files", "problems", "removed", "changed", "new")
GAP = 2  # columns of a terminal between two of the table


def verb(
    job: Annotated[str, typer.Option("--job", metavar="JOB", help="Only this job.")] = "",
    since: Annotated[str, typer.Option("--since", metavar="TIME", help="A date, or RFC 3339.")] = "",
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print comma-separated values.")] = False,
) -> None:
    """Show what the runs did, newest first.

    The table has the newest 40; --since, --json and --csv have no such end. --json also has when each tunnel was up.
    """
    settings, _ = settings_in_use(config)
    whole = as_json or as_csv or bool(since)
    with ledger_of(settings) as ledger:
        if job and not ledger.runs.rows(
            job=job, newest=1
        ):  # what a job did that has left the settings can still be asked
            job_of(settings, job)
        rows = ledger.runs.rows(job=job, since=_moment(since, settings), newest=0 if whole else SHOWN + 1)
        if as_json:
            sessions = [] if job else ledger.tunnels.rows(since=_moment(since, settings))
            runs = [_with_problems(ledger, row) for row in rows]
            print_json({"runs": runs, "tunnels": [session.as_json() for session in sessions]})
        elif as_csv:
            _print_csv(rows)
        else:
            _print_table(rows if whole else rows[:SHOWN], settings)
            if not whole and len(rows) > SHOWN:
                typer.echo(f"the newest {SHOWN}; --since 2031-04-05 shows all from that day on")


def _with_problems(ledger: Ledger, row: RunRow) -> dict[str, object]:
    if row.report.files.problems or row.report.outcome == "done with problems":
        row.report.problems = ledger.runs.problems_of(row.report.job, row.report.run)
    return row.as_json()


def _moment(text: str, settings: Settings) -> datetime | None:
    if not text:
        return None
    try:
        return parse_moment(text, settings.zone)
    except ValueError as problem:
        raise WrongUse(f"{text!r} is no time", advice="a date such as 2031-04-05, or 2031-04-05T01:30:00Z") from problem


def _print_csv(rows: list[RunRow]) -> None:
    from otherroof.ledger.runs import CSV_COLUMNS

    writer = csv.writer(sys.stdout)
    writer.writerow(CSV_COLUMNS)
    writer.writerows(row.as_csv() for row in rows)


def _print_table(rows: list[RunRow], settings: Settings) -> None:
    from rich.table import Table

    if not rows:
        typer.echo("no runs yet")
        return
    cells = [_cells(row, settings) for row in rows]
    out = console()
    titles, left_out = columns_that_fit(cells, out.width)
    table = Table(box=None, pad_edge=False)
    for title in titles:
        table.add_column(title, justify="left" if title in WORDS else "right", no_wrap=True)
    for row in cells:
        table.add_row(*(row[title] for title in titles))
    out.print(table)
    told = f"; too narrow for: {', '.join(left_out)} (--csv has them all)" if left_out else ""
    typer.echo(f"times in {settings.home.zone}{told}")
    for run in rows:
        if run.report.reason:
            typer.echo(f"{run.report.job} {run.report.run} {run.report.outcome}: {_reason(run)}")


def _cells(row: RunRow, settings: Settings) -> dict[str, str]:
    """What the table shows of a run, by title, in the order of the columns."""
    one, files, sizes, times = row.report, row.report.files, row.report.bytes, row.report.seconds
    return {
        "started": f"{row.started.astimezone(settings.zone):%Y-%m-%d %H:%M}",
        "job": one.job,
        "outcome": "under way" if row.under_way else one.outcome,
        "files": str(files.seen),
        "new": str(files.new),
        "changed": str(files.changed),
        "moved": str(files.moved),
        "removed": str(files.removed),
        "problems": str(files.problems),
        "sent": size_text(sizes.sent),
        "on the wire": size_text(sizes.wire_up + sizes.wire_down),
        "took": span_text(times.total),
        "rate": rate_text(sizes.wire_up, times.send + times.commit) if sizes.sent else "–",  # a few messages make none
    }


def columns_that_fit(rows: list[dict[str, str]], width: int) -> tuple[list[str], list[str]]:
    """The titles of the columns for which `width` has room, and those that are left out, the least needed first."""
    widths = {title: max(len(title), *(len(row[title]) for row in rows)) for title in rows[0]}
    left_out: list[str] = []
    for title in LEAST_NEEDED:
        if sum(widths.values()) + GAP * (len(widths) - 1) <= width:
            break
        left_out.append(title)
        del widths[title]
    return list(widths), left_out


def _reason(row: RunRow) -> str:
    return escaped(row.report.reason.removeprefix(f"{row.report.job}: "))
