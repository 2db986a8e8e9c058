"""`otherroof ledger`: the history of runs as a table, JSON or CSV."""

from __future__ import annotations

import csv
import sys
from collections import Counter
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Annotated

import typer

from otherroof.base.clock import parse_moment
from otherroof.base.errors import WrongUse
from otherroof.base.local_time import table_day_text, table_time_text
from otherroof.base.printable import escaped
from otherroof.base.text.words import fold, list_text
from otherroof.base.units import count_text, rate_text, size_text, span_text
from otherroof.cli.common import (
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    console,
    jobs_of,
    ledger_of,
    print_json,
    print_lines,
    settings_in_use,
)
from otherroof.cli.look.columns import columns_that_fit
from otherroof.copying.report import GOOD, outcome_text

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from rich.console import Console

    from otherroof.copying.report import Problem
    from otherroof.ledger import Ledger, RunRow
    from otherroof.settings import Settings

SHOWN = 40
WORDS = ("started", "job", "outcome")  # the other columns are figures
LEAST_NEEDED = ("on the wire", "rate", "moved", "files", "problems", "removed", "changed", "new")


def verb(
    job: Annotated[str, typer.Argument(metavar="JOB", help="Only this job; without it, every one.")] = "",
    since: Annotated[str, typer.Option("--since", metavar="TIME", help="A date, or RFC 3339.")] = "",
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print comma-separated values.")] = False,
) -> None:
    """Show what the runs did, the newest at the bottom.

    The table has the newest 40; --since, --json and --csv have no such end, and these two begin with the newest.
    --json also has when each tunnel was up.
    """
    settings, _ = settings_in_use(config)
    whole = as_json or as_csv or bool(since)
    with ledger_of(settings) as ledger:
        # What a job did that has left the settings can still be asked.
        known = ledger.runs.rows(job=job, newest=1, carried=True) if job else []
        jobs = [job] if known or not job else jobs_of(settings, job)
        moment = _moment(since, settings)
        most = 0 if whole else SHOWN + 1
        found = [row for name in jobs for row in ledger.runs.rows(job=name, since=moment, newest=most, carried=True)]
        rows = sorted(found, key=lambda row: (row.started, row.report.run), reverse=True)[: most or None]
        if as_json:
            _take_problems(ledger, rows)
            sessions = [] if job else ledger.tunnels.rows(since=moment)
            runs = [row.as_json() for row in rows]
            print_json({"runs": runs, "tunnels": [session.as_json() for session in sessions]})
        elif as_csv:
            _print_csv(rows)
        else:
            shown = rows if whole else rows[:SHOWN]
            _take_problems(ledger, shown)
            print_lines(screen(shown, settings.zone, console(), more=len(shown) < len(rows)))


def _take_problems(ledger: Ledger, rows: list[RunRow]) -> None:
    """Give each report its problems: the history has them apart from its rows."""
    for row in rows:
        if row.report.files.problems or row.report.outcome == "done with problems":
            row.report.problems = ledger.runs.problems_of(row.report.job, row.report.run)


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


def screen(rows: list[RunRow], zone: ZoneInfo, out: Console, *, more: bool = False) -> list[str]:
    """What is shown of `rows`, newest first, line by line: the newest comes last, where a long table ends on a screen.

    `more`: there are older ones that are not among them.
    """
    if not rows:
        return ["no runs yet"]
    cells = [_cells(row, zone) for row in reversed(rows)]
    if len(rows) > 1:
        cells.append(_totals(rows))
    titles, left_out = columns_that_fit(cells, out.width, LEAST_NEEDED)
    told = f"; too narrow for: {', '.join(left_out)} (--csv has them all)" if left_out else ""
    lines = [f"times in {zone.key}{told}"]
    if len(rows) > 1:
        outcomes = Counter(row.outcome for row in rows)
        said = ", ".join(f"{count:,} {outcome_text(outcome)}" for outcome, count in outcomes.most_common())
        lines.append(f"{count_text(len(rows), 'run')}: {said}")
    lines += reasons(rows, zone)
    if more:
        since = rows[-1].started.astimezone(zone) - timedelta(days=7)
        lines.append(f"these are the newest {SHOWN}; --since {table_day_text(since)} shows all from that day on")
    if out.is_terminal:
        lines = [part for line in lines for part in fold(line, out.width, later="  ").split("\n")]
    return [*_table_lines(cells, titles, out), *lines]


def _table_lines(cells: list[dict[str, str]], titles: list[str], out: Console) -> list[str]:
    from rich.table import Table
    from rich.text import Text

    table = Table(box=None, pad_edge=False)
    for title in titles:
        table.add_column(title, justify="left" if title in WORDS else "right", no_wrap=True)
    for row in cells:
        table.add_row(*(Text(row[title]) for title in titles))
    with out.capture() as shown:
        out.print(table)
    return [line.rstrip() for line in shown.get().splitlines()]


def _cells(row: RunRow, zone: ZoneInfo) -> dict[str, str]:
    """What the table shows of a run, by title, in the order of the columns."""
    one, sizes, times = row.report, row.report.bytes, row.report.seconds
    done = [one.files.new, one.files.changed, one.files.moved, one.files.removed]
    # What a run has in view and then does not do, because it is held or stopped, has not come about.
    told = [f"{figure:,}" if _counts(row) else "–" for figure in done]
    return {
        "started": table_time_text(row.started, zone),
        "job": one.job,
        "outcome": outcome_text(row.outcome) + _carried_text(row),
        **_figures(
            [f"{one.files.seen:,}", *told, f"{one.files.problems:,}"],
            sizes.sent,
            sizes.wire_up + sizes.wire_down,
            times.total,
        ),
        "rate": _rate(row),
    }


def _carried_text(row: RunRow) -> str:
    """Of a run onto a disk: such a copy is only in the other house once the disk is."""
    if not row.onto:
        return ""
    return ", onto a disk" + ("" if row.landed is None else " that is there")


def _counts(row: RunRow) -> bool:
    return row.under_way or row.report.outcome in GOOD


def _totals(rows: list[RunRow]) -> dict[str, str]:
    """What all of them come to. Files are seen again by each run, so of these there is no sum; and what went onto a
    disk was not sent."""
    files = [row.report.files for row in rows if _counts(row)]
    over_the_line = [row for row in rows if not row.onto]
    sizes = [row.report.bytes for row in over_the_line]
    sums = [
        sum(one.new for one in files),
        sum(one.changed for one in files),
        sum(one.moved for one in files),
        sum(one.removed for one in files),
        sum(row.report.files.problems for row in rows),
    ]
    wire = sum(one.wire_up + one.wire_down for one in sizes)
    sending = [row.report for row in over_the_line if row.report.bytes.sent and row.live is None]
    seconds = sum(one.seconds.send + one.seconds.commit for one in sending)
    return {
        "started": "all together",
        "job": "",
        "outcome": "",
        **_figures(
            ["–", *(f"{one:,}" for one in sums)],
            sum(one.sent for one in sizes),
            wire,
            sum(row.report.seconds.total for row in rows),
        ),
        "rate": rate_text(sum(one.bytes.wire_up for one in sending), seconds),
    }


def _figures(files: list[str], sent: int, wire: int, seconds: float) -> dict[str, str]:
    titles = ("files", "new", "changed", "moved", "removed", "problems")
    sizes = {"sent": size_text(sent), "on the wire": size_text(wire), "took": span_text(seconds)}
    return dict(zip(titles, files, strict=True)) | sizes


def _rate(row: RunRow) -> str:
    """Over all the time of sending; of a run under way over the last half minute."""
    sizes, times = row.report.bytes, row.report.seconds
    if row.live is not None:
        return rate_text(row.live.advance.rate, 1) if row.live.advance.rate > 0 else "–"
    # A few messages make none.
    return rate_text(sizes.wire_up, times.send + times.commit) if sizes.sent and not row.onto else "–"


def _problems_text(problems: Sequence[Problem]) -> str:
    """The first of a run's problems, and how many more there are."""
    if not problems:
        return ""
    more = len(problems) - 1
    return problems[0].text + (f" (and {more:,} more; --json has all)" if more else "")


def reasons(rows: list[RunRow], zone: ZoneInfo) -> list[str]:
    """Why runs ended as they did: one line for each reason, however often it came, the newest last. `rows`: newest
    first."""
    alike: dict[tuple[str, str], list[RunRow]] = {}
    for row in rows:
        told = row.report.reason or _problems_text(row.report.problems)
        if told:
            reason = escaped(told.removeprefix(f"{row.report.job}: "))
            alike.setdefault((outcome_text(row.report.outcome), reason), []).append(row)
    lines = []
    for (outcome, reason), same in reversed(alike.items()):
        jobs = list_text(sorted({row.report.job for row in same}))
        first, last = table_time_text(same[-1].started, zone), table_time_text(same[0].started, zone)
        when = f"{outcome} {first}" if len(same) == 1 else f"{outcome} {len(same):,} times, {first} to {last}"
        lines.append(f"{jobs}, {when}: {reason}")
    return lines
