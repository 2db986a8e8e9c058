"""`otherroof ledger`: the history of runs as a table, JSON or CSV."""

from __future__ import annotations

import csv
import sys
from datetime import datetime
from typing import Annotated

import typer
from rich.table import Table

from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, JsonOption, console, job_of, print_json, usable_settings
from otherroof.clock import stamp, told_moment
from otherroof.errors import WrongUse
from otherroof.ledger import Ledger, RunRow
from otherroof.service.one_run import ledger_path
from otherroof.settings import Settings
from otherroof.units import rate_text, size_text, span_text

SHOWN = 40
COLUMNS = (
    *("job", "run", "far", "started", "ended", "outcome"),
    *("seen", "new", "changed", "moved", "removed", "problems"),
    *("bytes_seen", "bytes_new", "bytes_sent", "wire_up", "wire_down"),
    *("scan_s", "send_s", "commit_s", "total_s", "reason"),
)


def verb(
    job: Annotated[str, typer.Option("--job", metavar="JOB", help="Only this job.")] = "",
    since: Annotated[str, typer.Option("--since", metavar="TIME", help="A date, or RFC 3339.")] = "",
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print comma-separated values.")] = False,
) -> None:
    """Show what the runs did, newest first.

    The table has the newest 40; --since, --json and --csv have no such end.
    """
    settings, _ = usable_settings(config)
    whole = as_json or as_csv or bool(since)
    with Ledger(ledger_path(settings)) as ledger:
        if job and not ledger.runs(job=job, newest=1):  # what a job did that has left the settings can still be asked
            job_of(settings, job)
        rows = ledger.runs(job=job, since=_moment(since, settings), newest=0 if whole else SHOWN + 1)
        if as_json:
            print_json({"runs": [_with_problems(ledger, row) for row in rows]})
        elif as_csv:
            _print_csv(rows)
        else:
            _print_table(rows if whole else rows[:SHOWN], settings)
            if not whole and len(rows) > SHOWN:
                typer.echo(f"the newest {SHOWN}; --since 2031-04-05 shows all from that day on")


def _with_problems(ledger: Ledger, row: RunRow) -> dict[str, object]:
    if row.report.files.problems or row.report.outcome == "done with problems":
        row.report.problems = ledger.problems_of(row.report.job, row.report.run)
    return row.as_json()


def _moment(text: str, settings: Settings) -> datetime | None:
    if not text:
        return None
    try:
        return told_moment(text, settings.zone)
    except ValueError as problem:
        raise WrongUse(f"{text!r} is no time", advice="a date such as 2031-04-05, or 2031-04-05T01:30:00Z") from problem


def _print_csv(rows: list[RunRow]) -> None:
    writer = csv.writer(sys.stdout)
    writer.writerow(COLUMNS)
    for row in rows:
        one, files, sizes, times = row.report, row.report.files, row.report.bytes, row.report.seconds
        writer.writerow(
            [
                one.job, one.run, row.far, stamp(row.started), stamp(row.ended) if row.ended else "", one.outcome,
                files.seen, files.new, files.changed, files.moved, files.removed, files.problems,
                sizes.seen, sizes.new, sizes.sent, sizes.wire_up, sizes.wire_down,
                round(times.scan, 3), round(times.send, 3), round(times.commit, 3), round(times.total, 3), one.reason,
            ]
        )  # fmt: skip


def _print_table(rows: list[RunRow], settings: Settings) -> None:
    if not rows:
        typer.echo("no runs yet")
        return
    table = Table(box=None, pad_edge=False)
    for title in (f"started ({settings.home.zone})", "job", "outcome"):
        table.add_column(title, no_wrap=True)
    for title in ("files", "new", "changed", "moved", "removed", "problems", "sent", "on the wire", "took", "rate"):
        table.add_column(title, justify="right", no_wrap=True)
    for row in rows:
        one, files, sizes, times = row.report, row.report.files, row.report.bytes, row.report.seconds
        table.add_row(
            f"{row.started.astimezone(settings.zone):%Y-%m-%d %H:%M}",
            one.job,
            "under way" if row.under_way else one.outcome,
            *(str(count) for count in (files.seen, files.new, files.changed, files.moved, files.removed)),
            str(files.problems),
            size_text(sizes.sent),
            size_text(sizes.wire_up + sizes.wire_down),
            span_text(times.total),
            rate_text(sizes.wire_up, times.send + times.commit) if sizes.sent else "–",  # a few messages make no rate
        )
    console().print(table)
    for row in rows:
        if row.report.reason:
            typer.echo(f"{row.report.job} {row.report.run} {row.report.outcome}: {row.report.reason}")
