"""`otherroof status`: one screen: each job's newest good copy, each far box's last answer, what needs a hand."""

from __future__ import annotations

from datetime import datetime
from typing import Any

import typer
from rich.table import Table

from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, JsonOption, console, print_json, settings_in
from otherroof.clock import SystemClock, stamp
from otherroof.errors import EXIT_LOOK, EXIT_WELL
from otherroof.ledger import Ledger
from otherroof.service.one_run import ledger_path
from otherroof.settings import Settings
from otherroof.units import size_text, span_text


def verb(config: ConfigOption = SETTINGS_FOLDER, as_json: JsonOption = False) -> None:
    """Show on one screen how every copy stands."""
    settings = settings_in(config)
    now = SystemClock().now()
    with Ledger(ledger_path(settings)) as ledger:
        jobs = [_job(settings, ledger, name, now) for name in sorted(settings.jobs)]
        boxes = [_box(settings, ledger, name, now) for name in sorted(settings.far)]
    if as_json:
        print_json({"jobs": jobs, "far": boxes})
    else:
        _show(settings, jobs, boxes)
    needs_a_look = any(one["needs"] for one in (*jobs, *boxes))
    raise typer.Exit(EXIT_LOOK if needs_a_look else EXIT_WELL)


def _job(settings: Settings, ledger: Ledger, name: str, now: datetime) -> dict[str, Any]:
    newest = ledger.runs(job=name, newest=1)
    good = ledger.newest_good(name)
    hold = ledger.hold_of(name)
    age = (now - good.started).total_seconds() if good is not None else None
    promise = settings.jobs[name].promise_hours * 3600
    needs = ""
    if hold is not None and hold.released is None:
        needs = f"held: {hold.why}; look, then: otherroof release {name}"
    elif age is None:
        needs = f"no good copy yet: otherroof run {name}"
    elif age > promise:
        needs = f"older than promised ({span_text(promise)}): otherroof probe {settings.jobs[name].far}"
    elif newest and newest[0].report.outcome == "done with problems":
        needs = f"{newest[0].report.files.problems} files could not be copied: otherroof ledger --job {name} --json"
    last = newest[0] if newest else None
    return {
        "job": name,
        "far": settings.jobs[name].far,
        "newest_good": good.report.run if good is not None else None,
        "taken": stamp(good.started) if good is not None else None,
        "age_s": round(age) if age is not None else None,
        "files": good.report.files.seen if good is not None else None,
        "bytes": good.report.bytes.seen if good is not None else None,
        "last": None if last is None else "under way" if last.under_way else last.report.outcome,
        "last_at": stamp(last.started) if last is not None else None,
        "reason": last.report.reason if last is not None else "",
        "needs": needs,
    }


def _box(settings: Settings, ledger: Ledger, name: str, now: datetime) -> dict[str, Any]:
    answered = ledger.last_answer(name)
    silent = (now - answered).total_seconds() if answered is not None else None
    limit = settings.far[name].silent_days * 86_400
    needs = ""
    if silent is None:
        needs = f"has never answered: otherroof probe {name}"
    elif silent > limit:
        needs = f"has not answered for {span_text(silent)}: otherroof probe {name}"
    return {
        "far": name,
        "address": settings.far[name].address,
        "answered": stamp(answered) if answered is not None else None,
        "silent_s": round(silent) if silent is not None else None,
        "needs": needs,
    }


def _show(settings: Settings, jobs: list[dict[str, Any]], boxes: list[dict[str, Any]]) -> None:
    table = Table(box=None, pad_edge=False)
    for title in ("job", "to", "newest good copy", "age"):
        table.add_column(title, no_wrap=True)
    table.add_column("files", justify="right", no_wrap=True)
    table.add_column("size", justify="right", no_wrap=True)
    table.add_column("last run", no_wrap=True)
    for one in jobs:
        table.add_row(
            one["job"],
            one["far"],
            one["newest_good"] or "none",
            span_text(one["age_s"]) if one["age_s"] is not None else "–",
            str(one["files"]) if one["files"] is not None else "–",
            size_text(one["bytes"]) if one["bytes"] is not None else "–",
            one["last"] or "none yet",
        )
    out = console()
    out.print(table)
    out.print()
    table = Table(box=None, pad_edge=False)
    for title in ("far box", "address", "last answered"):
        table.add_column(title, no_wrap=True)
    for one in boxes:
        ago = f"{span_text(one['silent_s'])} ago" if one["silent_s"] is not None else "never"
        table.add_row(one["far"], one["address"], ago)
    out.print(table)
    needs = [one for one in (*jobs, *boxes) if one["needs"]]
    out.print()
    if not needs:
        out.print("nothing needs a hand")
    for one in needs:
        typer.echo(f"{one.get('job') or one['far']}: {one['needs']}")
