"""`otherroof status`: one screen: each job's newest good copy, each far box's answers, what needs a hand."""

from __future__ import annotations

import re
import time
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer

from otherroof.base.clock import SystemClock, from_stamp
from otherroof.base.errors import EXIT_LOOK, EXIT_WELL, WrongUse, typed
from otherroof.base.local_time import day_text, moment_text, short_day_text, table_time_text
from otherroof.base.text.words import fold, list_text
from otherroof.base.units import size_text, span_text
from otherroof.cli.common import (
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    console,
    ledger_of,
    print_json,
    print_lines,
    settings_in_use,
)
from otherroof.cli.look.columns import columns_that_fit
from otherroof.copying.report import outcome_text

if TYPE_CHECKING:
    from rich.console import Console

    from otherroof.ledger.alerts import Alert
    from otherroof.schedule.goes_by import ServiceView
    from otherroof.watch.overview import FarRow, JobRow, Overview


LOOK_EVERY_S = 5
STALE = timedelta(minutes=1)  # a run tells how far it is every other second
WAITING = "waiting for its turn"
NO_SERVICE = "no service is at work here; `systemctl start otherroof` starts it"
# The columns: which hold figures, which may be broken in two, and which give way on a narrow terminal, in this order.
FIGURES = ("files", "size")
NAMES = ("job", "to", "far box")
FOLDED = (*NAMES, "last run")
LEAST_NEEDED = ("files", "size", "newest good copy", "to", "last run", "address", "full about", "free")
LEAST_NAME_CELLS = 12  # a longer name may be broken
_NO_JOB = {"job": "none", "age": "–", "last run": "–", "next run": "–"}
# What the table says of a far box where something answers, and nothing can be sent all the same.
_SHUT = {"host_key": "other key", "login": "not let in"}


def verb(
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
    watch: Annotated[bool, typer.Option("--watch", help="Keep it on the screen, until Ctrl-C.")] = False,
) -> None:
    """Show on one screen how every copy stands."""
    if watch and as_json:
        raise WrongUse("--watch and --json do not go together", advice="leave one of them out")
    if as_json:
        raise typer.Exit(_look_in_json(config))
    if not watch:
        lines, code = _look(config, console())
        print_lines(lines)
        raise typer.Exit(code)
    code = EXIT_WELL
    try:
        while True:
            out = console()  # anew each time: the terminal may have another size by now
            # Looked at before the screen is cleared, so that it is never empty for long.
            lines, code = _look(config, out, spare=1)
            out.clear()
            print_lines([*lines, f"looks again every {LOOK_EVERY_S} s; Ctrl-C ends"])
            time.sleep(LOOK_EVERY_S)
    except KeyboardInterrupt:
        # That is how it ends, so it leaves as without it: by how the copies stand.
        raise typer.Exit(code) from None


def _look(config: str, out: Console, spare: int = 0) -> tuple[list[str], int]:
    """How all stands now, as the lines to show, and the exit code."""
    found, zone, view = _found(config)
    service = [view.line] if view.differs else []
    if found.jobs and not view.at_work:
        service = [NO_SERVICE]
    service = [typed(line, found.settings_in) for line in service]
    return screen(found, zone, service, out, spare), EXIT_LOOK if found.needs_a_look else EXIT_WELL


def _look_in_json(config: str) -> int:
    """Print how all stands now; gives the exit code."""
    found, _, view = _found(config)
    print_json(found.as_json() | {"service": view.as_json()})
    return EXIT_LOOK if found.needs_a_look else EXIT_WELL


def _found(config: str) -> tuple[Overview, ZoneInfo, ServiceView]:
    from otherroof.schedule.goes_by import service_view
    from otherroof.watch.overview import overview

    settings, mistakes = settings_in_use(config)
    with ledger_of(settings) as ledger:
        found = overview(settings, ledger, SystemClock(), mistakes)
    return found, settings.zone, service_view(settings, SystemClock(), mistakes=bool(mistakes))


def screen(found: Overview, zone: ZoneInfo, service: list[str], out: Console, spare: int = 0) -> list[str]:
    """What is shown, line by line: all of it, or on a terminal too small for that what matters most. `spare` lines are
    left for others."""

    def folded(lines: list[str]) -> list[str]:
        return [
            part for line in lines for part in (_folded(line, out.width).split("\n") if out.is_terminal else [line])
        ]

    job_rows = [_job_row(row, found, zone) for row in found.jobs] or [_NO_JOB]
    tables, narrow = [], []
    far_rows = [_far_row(row, zone) for row in found.far] or [{"far box": "none"}]
    for rows in (job_rows, far_rows):
        titles, left_out = columns_that_fit(rows, out.width, LEAST_NEEDED, _room_for)
        tables.append(_table_lines(rows, titles, out))
        narrow += left_out
    several = [f"{one.name}: {one.said(found.now, zone)}" for one in found.folders if len(one.copies) > 1]
    waits = several + _live_lines(found.jobs, found.now, zone) + _wait_lines(found.jobs)
    room = out.height - 1 - spare  # one line is for what the shell writes next
    well = [f"{row.job}: proved: {row.proved}" for row in found.jobs if row.proved] + _drill_lines(found.jobs)
    well += [f"too narrow for: {', '.join(narrow)} (--json has them all)"] if narrow else []
    far = [line for box in found.far for line in _far_lines(box, found, zone)]
    needs = [*_alert_lines(found, zone), *_need_lines(found)] or ["nothing needs a hand"]
    full = _full_lines(found, zone)
    below = ["", *folded(needs), *folded(service)]
    everything = [*tables[0], *folded(waits + well), "", *tables[1], *folded(full + far), *below]
    if not out.is_terminal or len(everything) <= room:
        return everything
    service = [line for line in service if line != typed(NO_SERVICE, found.settings_in)]
    shorter = [*tables[0], *folded(waits), "", *tables[1], *folded(far), "", *folded(needs), *folded(service)]
    if len(shorter) <= room:
        return shorter
    beside = [_one_line(line, out.width) for line in waits + far]
    brief = [_one_line(line, out.width) for line in [*_gravest(found), *_need_lines(found), *service]]
    more = typed("what to do about each: otherroof digest", found.settings_in)
    # What needs a hand goes before what goes on by itself.
    left = room - len(tables[0]) - len(tables[1]) - 3
    brief = _at_most(brief, max(1, left))
    beside = _at_most(beside, max(0, left - len(brief)))
    return [*tables[0], *beside, "", *tables[1], "", *brief, more]


def _at_most(lines: list[str], most: int) -> list[str]:
    """`lines`, or so many of them as there is room for, and how many more there are."""
    if len(lines) <= most:
        return lines
    return [*lines[: most - 1], f"and {len(lines) - most + 1} more: make the terminal higher"] if most > 0 else []


def _gravest(found: Overview) -> list[str]:
    """One line for each job and far box that an alert stands about: the gravest of them."""
    by_subject: dict[str, str] = {}
    for alert in found.alerts:
        if not alert.because:
            by_subject.setdefault(alert.about or alert.key, f"{alert.key}: {alert.headline}")
    return list(by_subject.values())


def _one_line(line: str, width: int) -> str:
    return line if len(line) <= width else line[: width - 1].rstrip() + "…"


def _folded(line: str, width: int) -> str:
    """`line` as a terminal shows it best: broken between words, and below its own beginning."""
    beginning = " " * (len(line) - len(line.lstrip()))
    return fold(line, width, later=beginning)


def _table_lines(rows: list[dict[str, str]], titles: list[str], out: Console) -> list[str]:
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    for title in titles:
        table.add_column(
            title,
            justify="right" if title in FIGURES else "left",
            no_wrap=title not in FOLDED,
            overflow="fold" if title in NAMES else "ellipsis",
        )
    for row in rows:
        table.add_row(*(row[title] for title in titles))
    with out.capture() as shown:
        out.print(table)
    return shown.get().splitlines()


def _room_for(title: str, text: str) -> int:
    """How much room a text takes at least in the column of that title."""
    if title in NAMES:
        return min(len(text), LEAST_NAME_CELLS)
    return max(map(len, text.split()), default=0) if title in FOLDED else len(text)


def _job_row(row: JobRow, found: Overview, zone: ZoneInfo) -> dict[str, str]:
    return {
        "job": row.job,
        **({"to": row.far} if len(found.far) > 1 else {}),
        "newest good copy": table_time_text(from_stamp(row.taken), zone) if row.taken else "none",
        "age": _age(row.age_s) if row.age_s is not None else "–",
        "files": f"{row.files:,}" if row.files is not None else "–",
        "size": size_text(row.bytes) if row.bytes is not None else "–",
        "last run": outcome_text(row.last) if row.last else "none yet",
        "next run": _next(row, found.now, zone),
    }


def _next(row: JobRow, now: datetime, zone: ZoneInfo) -> str:
    """When the next run is due: its hour within a week, else its day."""
    if row.last == "under way" or row.next_at is None:
        return "now" if row.last == "under way" else "–"
    at = from_stamp(row.next_at)
    day = short_day_text(at, zone)
    return f"{day.split()[0]} {at.astimezone(zone):%H:%M}" if at - now < timedelta(days=6) else day


def _age(seconds: int) -> str:
    """An age in its largest unit that still tells something; the moment itself stands beside it."""
    hours = seconds // 3600
    if seconds < 60:
        return "< 1 min"
    return span_text(seconds // 60 * 60) if hours < 1 else f"{hours} h" if hours < 48 else f"{hours // 24} d"


def _live_lines(jobs: tuple[JobRow, ...], now: datetime, zone: ZoneInfo) -> list[str]:
    """How far each run is that is under way, and who waits for its turn behind whom."""
    from otherroof.cli.show_progress import advance_text

    lines = []
    for row in jobs:
        live = row.live
        if live is None:
            continue
        if not live.token:
            lines.append(f"{row.job}: under way; how far it is cannot be told: it could not write it down")
            continue
        said = advance_text(live.advance)
        if live.advance.reading.stage == WAITING:
            ahead = [other.job for other in jobs if other.live and other.live.far == live.far and other.job != row.job]
            said += f" with {live.far}" + (f", behind the run of {list_text(ahead)}" if ahead else "")
        by = {"hand": "by hand, ", "disk": "by hand onto a disk that is carried, "}.get(live.by, "")
        stopping = f"; asked to stop: {live.stopping}" if live.stopping else ""
        since = moment_text(live.since, zone).rpartition(", ")[2] if live.at - live.since < timedelta(hours=20) else ""
        # It hangs, or its disk is full: what it said last is no news.
        old = f", as it was {moment_text(live.at, zone)}" if abs(now - live.at) > STALE else ""
        lines.append(f"{row.job}: {said} ({by}since {since or moment_text(live.since, zone)}{old}){stopping}")
    return lines


def _wait_lines(jobs: tuple[JobRow, ...]) -> list[str]:
    """What jobs wait for, in one line if it is the same for several."""
    waits = dict.fromkeys(row.waits for row in jobs if row.waits)
    return [f"{list_text([row.job for row in jobs if row.waits == text], 20)}: {text}" for text in waits]


def _drill_lines(jobs: tuple[JobRow, ...]) -> list[str]:
    """The last drill of each job; what was never drilled, in one line, as soon as there is a copy to drill."""
    lines = [f"{row.job}: {row.drill}" for row in jobs if row.drilled is not None]
    never = [row.job for row in jobs if row.drilled is None and row.newest_good is not None]
    return lines + ([f"no practice restore yet: {list_text(never, 20)}"] if never else [])


def _far_row(row: FarRow, zone: ZoneInfo) -> dict[str, str]:
    ago = "never" if row.silent_s is None else "just now" if row.silent_s < 60 else f"{span_text(row.silent_s)} ago"
    return {
        "far box": row.far,
        "address": row.address,
        "answers": "yes" if row.answers else _SHUT.get(row.alert.partition(":")[0], "no"),
        "last answered": ago,
        "free": size_text(row.free) if row.free is not None else "–",
        "full about": day_text(row.full.likely, zone) if row.full is not None else "–",
    }


def _full_lines(found: Overview, zone: ZoneInfo) -> list[str]:
    """How sure the day is on which a far disk is full, unless an alert has it."""
    told = {alert.key for alert in found.alerts}
    spans = {row.far: row.full.span(zone) for row in found.far if row.full and f"space:{row.far}" not in told}
    return [f"the disk of {far} will be full {span}" for far, span in spans.items() if span]


def _far_lines(box: FarRow, found: Overview, zone: ZoneInfo) -> list[str]:
    """What is wrong with each far box: since when (unless an alert says so), and what the last probe found."""
    if box.answers and box.headline in ("", "all well"):
        return []
    # The alert about it says where the checks stop, and since when.
    if box.alert in {alert.key for alert in found.alerts}:
        return []
    lines = []
    if box.silent_since is not None:
        lines.append(f"{box.far} has not answered since {_when(box.silent_since, zone)}")
    if box.probed is not None and box.headline and not box.alert.startswith(tuple(_SHUT)):
        advice = f"; {box.advice}" if box.advice else ""
        lines.append(f"last checks of {box.far}, {_when(box.probed, zone)}: {box.headline}{advice}")
    never = box.answered is None and not box.alert.startswith(tuple(_SHUT))
    return lines or ([f"{box.far} has never answered"] if never else [])


def _alert_lines(found: Overview, zone: ZoneInfo) -> list[str]:
    """The alerts now, each with what to do first; what follows from another is one line below that one."""
    if not found.alerts:
        return []
    below = {alert.key: found.follows.get(alert.key, alert.because) for alert in found.alerts}
    keys = set(below)
    looked = f", as last looked at {moment_text(found.looked, zone)}" if found.looked else ""
    lines = [f"alerts now{looked}:"]
    for alert in found.alerts:
        if below[alert.key] in keys or alert.because:
            continue
        late = [other.about for other in found.alerts if below[other.key] == alert.key]
        lines.append(_alert_line(alert, found.now, zone))
        lines += [f"  older than promised because of it: {list_text(late, 20)}"] if late else []
        lines.append(f"  {_first_step(alert.help)}")
    others = [alert.about for alert in found.alerts if alert.because and below[alert.key] not in keys]
    return lines + ([f"late because the far box does not answer: {list_text(others, 20)}"] if others else [])


def _first_step(advice: str) -> str:
    """Advice up to its first command, so that all fits on one screen; the whole went out with the alert."""
    sentences = re.split(r"(?<=[.?]) ", advice)
    first = next((place for place, sentence in enumerate(sentences) if "`" in sentence), len(sentences))
    return " ".join(sentences[: first + 1])


def _alert_line(alert: Alert, now: datetime, zone: ZoneInfo) -> str:
    quiet = alert.quiet_until
    later = f" (quiet until {moment_text(quiet, zone)})" if quiet is not None and quiet > now else ""
    return f"{alert.key}{later}: {alert.headline}"


def _need_lines(found: Overview) -> list[str]:
    """What needs a hand and is not said by an alert already."""
    from otherroof.watch.rules import UNHEARD, UNHEARD_HELP, gravity

    in_alerts = {alert.key for alert in found.alerts}
    lines = [line for one in found.untold for line in (f"{one.key}: {one.headline}", f"  {_first_step(one.help)}")]
    rows = sorted(found.rows, key=lambda row: gravity(row.alert))
    lines += [f"{row.named}: {row.needs}" for row in rows if row.needs and row.alert not in in_alerts]
    if found.mistakes and "settings" not in in_alerts:
        # The service may go on with what it read before there was a mistake; whoever looks by hand goes by the files.
        until = "until that is mended it is copied by the service alone, and only if that knew it before"
        lines += [f"{name}: its file has a mistake; {until}" for name in found.unread]
        more = f" (and {len(found.mistakes) - 1} more)" if len(found.mistakes) > 1 else ""
        lines.append(typed(f"settings: {found.mistakes[0]}{more}; otherroof check", found.settings_in))
    lines += [f"{row.far}: {note}" for row in found.far for note in row.notes]
    return lines if found.heard else [*lines, UNHEARD, f"  {typed(UNHEARD_HELP, found.settings_in)}"]


def _when(stamped: str, zone: ZoneInfo) -> str:
    return moment_text(from_stamp(stamped), zone)
