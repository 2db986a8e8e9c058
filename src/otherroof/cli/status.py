"""`otherroof status`: one screen: each job's newest good copy, each far box's answers, what needs a hand."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import typer
from rich.table import Table

from otherroof.cli.common import (
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    console,
    ledger_of,
    print_json,
    usable_settings,
)
from otherroof.clock import SystemClock, from_stamp
from otherroof.errors import EXIT_LOOK, EXIT_WELL
from otherroof.ledger.alerts import Alert
from otherroof.service.overview import FarRow, JobRow, Overview, overview
from otherroof.units import size_text, span_text
from otherroof.watch.words import listed, when


def verb(config: ConfigOption = SETTINGS_FOLDER, as_json: JsonOption = False) -> None:
    """Show on one screen how every copy stands."""
    settings, mistakes = usable_settings(config)
    with ledger_of(settings) as ledger:
        found = overview(settings, ledger, SystemClock().now(), mistakes)
    if as_json:
        print_json(found.as_json())
    else:
        _show(found, settings.zone)
    raise typer.Exit(EXIT_LOOK if found.needs_a_look else EXIT_WELL)


def _show(found: Overview, zone: ZoneInfo) -> None:
    out = console()
    out.print(_job_table(found.jobs))
    for job in found.jobs:
        if job.waits:
            typer.echo(f"{job.job} {job.waits}")
    out.print()
    out.print(_far_table(found.far))
    for box in found.far:
        if not box.answers or box.headline not in ("", "all well"):
            typer.echo(_far_line(box, zone))
    out.print()
    lines = [*_alert_lines(found, zone), *_need_lines(found)]
    for line in lines or ["nothing needs a hand"]:
        typer.echo(line)


def _job_table(jobs: tuple[JobRow, ...]) -> Table:
    table = Table(box=None, pad_edge=False)
    for title in ("job", "to", "newest good copy", "age"):
        table.add_column(title, no_wrap=True)
    table.add_column("files", justify="right", no_wrap=True)
    table.add_column("size", justify="right", no_wrap=True)
    table.add_column("last run", no_wrap=True)
    for one in jobs:
        table.add_row(
            one.job,
            one.far,
            one.newest_good or "none",
            span_text(one.age_s) if one.age_s is not None else "–",
            str(one.files) if one.files is not None else "–",
            size_text(one.bytes) if one.bytes is not None else "–",
            one.last or "none yet",
        )
    return table


def _far_table(boxes: tuple[FarRow, ...]) -> Table:
    table = Table(box=None, pad_edge=False)
    for title in ("far box", "address", "answers", "last answered"):
        table.add_column(title, no_wrap=True)
    for one in boxes:
        ago = f"{span_text(one.silent_s)} ago" if one.silent_s is not None else "never"
        table.add_row(one.far, one.address, "yes" if one.answers else "no", ago)
    return table


def _far_line(box: FarRow, zone: ZoneInfo) -> str:
    told = []
    if box.silent_since is not None:
        told.append(f"has not answered since {_when(box.silent_since, zone)}")
    if box.probed is not None and box.headline:
        told.append(
            f"last probe, {_when(box.probed, zone)}: {box.headline}" + (f"; {box.advice}" if box.advice else "")
        )
    return f"{box.far} {'; '.join(told) or 'has never answered'}"


def _alert_lines(found: Overview, zone: ZoneInfo) -> list[str]:
    """The alerts that stand, each with its advice; late copies in one line below the silence that they follow from."""
    if not found.alerts:
        return []
    fars = {one.job: one.far for one in found.jobs}
    below = {one.key: f"silent:{fars.get(one.about)}" if one.rule == "late" else "" for one in found.alerts}
    keys = set(below)
    looked = f", as the watch saw it {when(found.looked, zone)}" if found.looked else ""
    lines = [f"alerts that stand{looked}:"]
    for one in found.alerts:
        if below[one.key] in keys or one.because:
            continue
        late = [other.about for other in found.alerts if below[other.key] == one.key]
        lines.append(_alert_line(one, found.now, zone))
        lines += [f"  older than promised by it: {listed(late, 20)}"] if late else []
        lines.append(f"  {one.help}")
    others = [one.about for one in found.alerts if one.because and below[one.key] not in keys]
    return lines + ([f"late by the same silence: {listed(others, 20)}"] if others else [])


def _alert_line(alert: Alert, now: datetime, zone: ZoneInfo) -> str:
    quiet = alert.quiet_until
    later = f" (quiet until {when(quiet, zone)})" if quiet is not None and quiet > now else ""
    return f"{alert.key}{later}: {alert.headline}"


def _need_lines(found: Overview) -> list[str]:
    """What needs a hand and is not said by an alert already."""
    told = {one.key for one in found.alerts}
    lines = [f"{one.named}: {one.needs}" for one in found.rows if one.needs and one.alert not in told]
    lines += [f"{name}: is not copied, because its file has a mistake" for name in found.unread]
    if found.mistakes and "settings" not in told:
        more = f" (and {len(found.mistakes) - 1} more)" if len(found.mistakes) > 1 else ""
        lines.append(f"settings: {found.mistakes[0]}{more}; otherroof check")
    return lines + [f"{one.far}: {note}" for one in found.far for note in one.notes]


def _when(stamped: str, zone: ZoneInfo) -> str:
    return when(from_stamp(stamped), zone)
