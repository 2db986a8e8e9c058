"""`otherroof plan`: how long a first copy, a night and a restore take, when disks fill, before anything is bought."""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from otherroof.base.clock import SystemClock, stamp
from otherroof.base.errors import EXIT_WELL, WrongUse
from otherroof.base.units import parse_count, parse_size
from otherroof.cli.common import (
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    jobs_of,
    ledger_of,
    own_zone_name,
    print_json,
    settings_in_use,
)

if TYPE_CHECKING:
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from otherroof.forecast.planning.facts import Outlook, PlanFacts
    from otherroof.forecast.planning.outlook import ChangedEstimate
    from otherroof.jobs.planning.request import PlanRequest
    from otherroof.ledger import Ledger
    from otherroof.settings import Settings
    from otherroof.settings.versions import SpacingLine

G = TypeVar("G")
T = TypeVar("T")


def verb(
    job: Annotated[str, typer.Argument(metavar="JOB", help="The job; every one if none is named.")] = "",
    size: Annotated[str, typer.Option("--size", metavar="SIZE", help="How large the folder is, 1.8TB say.")] = "",
    files: Annotated[str, typer.Option("--files", metavar="N", help="How many files it holds, 400k say.")] = "",
    daily: Annotated[str, typer.Option("--daily", metavar="SIZE", help="What a day brings or changes.")] = "",
    growth: Annotated[
        str, typer.Option("--growth", metavar="SIZE", help="Of that, by how much the folder grows a day.")
    ] = "",
    up: Annotated[
        float, typer.Option("--up", metavar="MBIT", min=0, show_default=False, help="What the line here sends.")
    ] = 0,
    far_up: Annotated[
        float,
        typer.Option(
            "--far-up", metavar="MBIT", min=0, show_default=False, help="What the line there sends, for a restore."
        ),
    ] = 0,
    round_trip: Annotated[
        float,
        typer.Option("--round-trip", metavar="MS", min=0, show_default=False, help="The round trip to there and back."),
    ] = 0,
    loss: Annotated[
        float,
        typer.Option(
            "--loss", metavar="PERCENT", min=0, max=50, show_default=False, help="Packets that are lost, of a hundred."
        ),
    ] = 0,
    window: Annotated[
        str, typer.Option("--window", metavar="STRETCH", help="When copies may run, 22:00-06:30 say.")
    ] = "",
    limit: Annotated[
        list[str] | None,
        typer.Option("--limit", metavar="STRETCH=MBIT", help="A limit by hour, 18:00-23:00=5 say; may come often."),
    ] = None,
    month: Annotated[
        str, typer.Option("--month", metavar="SIZE", help="A month's allowance, both ways, 500GB say.")
    ] = "",
    disk: Annotated[str, typer.Option("--disk", metavar="SIZE", help="How large the far disk is.")] = "",
    spacing: Annotated[
        list[str] | None,
        typer.Option(
            "--spacing",
            metavar="LINE",
            help='Another rule to hold beside yours, "1 year = one a week"; may come often.',
        ),
    ] = None,
    few: Annotated[
        list[str] | None,
        typer.Option("--few", metavar="PATH", help="What you would want first, or its SIZE before there is a job."),
    ] = None,
    carry_hours: Annotated[
        float, typer.Option("--carry-hours", metavar="H", min=0, help="How long a carried disk is on its way there.")
    ] = 24,
    fetch_hours: Annotated[
        float, typer.Option("--fetch-hours", metavar="H", min=0, help="How long fetching the far disk takes.")
    ] = 4,
    line: Annotated[
        bool, typer.Option("--line", help="Measure the line first: some MB there and back, said beforehand.")
    ] = False,
    line_mb: Annotated[
        float,
        typer.Option(
            "--line-mb", metavar="N", min=0.1, max=1000, help="So many MB each way; a line above 20 Mbit/s wants more."
        ),
    ] = 10,
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """Forecast first copy, nights, disks and restores, with ranges.

    Before anything is bought: `otherroof plan --size 1.8TB --files 400k --up 20`. Later by settings and ledger; what is
    said here counts before what is known. Nothing is changed but that the ledger keeps the forecast.
    """
    from otherroof.jobs.planning.request import PlanRequest

    whole = _size("--size", size)
    # Before there is a job there are no paths either: what is wanted first is said by its size.
    before = bool(whole) and not job
    asked = PlanRequest(
        size=whole,
        files=_read("--files", files, parse_count) if files else 0.0,
        daily=_size("--daily", daily),
        growth=_size("--growth", growth) if growth else None,
        up_mbit=up,
        far_up_mbit=far_up,
        round_trip_ms=round_trip,
        loss=loss / 100,
        window=_stretch(window),
        limits=_limits(limit or []),
        month=_size("--month", month),
        disk=_size("--disk", disk),
        spacing=_spacing(spacing or []),
        few=() if before else tuple(few or []),
        few_size=sum(_read("--few", text, parse_size) for text in few or []) if before else 0.0,
        carry_hours=carry_hours,
        fetch_hours=fetch_hours,
    )
    if asked.size and not (job or line):
        plans = _before_buying(asked)
    else:
        settings = _settings_with_jobs(config, job)
        if line:
            _measure(settings, job, int(line_mb * 1e6))
        plans = _of_jobs(settings, job, asked)
    if as_json:
        print_json({"plans": [plan.as_json() for plan in plans]})
    else:
        for place, plan in enumerate(plans):
            plan.tell(first=not place)
    raise typer.Exit(EXIT_WELL)


class _Plan:
    """One job's forecast, and the one before it."""

    def __init__(self, facts: PlanFacts, before: tuple[datetime, dict[str, Any]] | None) -> None:
        from otherroof.forecast.planning.outlook import changed_since, outlook

        self._facts = facts
        self.outlook: Outlook = outlook(facts)
        self._before = before
        self.changed: list[ChangedEstimate] = changed_since(self.outlook, before[1]) if before else []

    def as_json(self) -> dict[str, Any]:
        since = stamp(self._before[0]) if self._before else None
        return {**self.outlook.as_json(), "since": since, "changed": [one.as_json() for one in self.changed]}

    def tell(self, *, first: bool) -> None:
        from otherroof.cli.think_ahead.show_outlook import changes, picture

        if not first:
            typer.echo("")
        for line in picture(self.outlook, self._facts.amounts):
            typer.echo(line)
        if self._before is not None:
            for line in changes(self.changed, self._before[0].astimezone(self._facts.hours.zone)):
                typer.echo(line)


def _measure(settings: Settings, job: str, size: int) -> None:
    """Measure the line to each far box that is asked about. What crosses is said first."""
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.planning.measure_line import LineProgress, announced, measure_line, reading_text
    from otherroof.schedule.month_room import month_room

    clock = SystemClock()
    for name in jobs_of(settings, job) if job else _one_job_each(settings):
        far = settings.jobs[name].far
        with ledger_of(settings) as ledger:
            room = month_room(settings, far, ledger, clock.now())
            if room is not None and room < 2 * size:
                advice = "a smaller --line-mb, or the next month"
                raise WrongUse("what is left of this month's allowance is for the copies", where=far, advice=advice)
            typer.echo(announced(far, size, settings.limit_of(name, clock.now())), err=True)
            reading = measure_line(settings, name, ledger, JobContext(LineProgress(), clock=clock), size)
        typer.echo(reading_text(reading), err=True)


def _one_job_each(settings: Settings) -> list[str]:
    """A job for each far box."""
    by_far = {chosen.far: name for name, chosen in sorted(settings.jobs.items(), reverse=True)}
    return sorted(by_far.values())


def _before_buying(asked: PlanRequest) -> list[_Plan]:
    from otherroof.jobs.planning.gather import NO_LINE, facts_as_said

    if not asked.up_mbit:
        raise WrongUse("nothing is known of the line", where="plan", advice=NO_LINE.partition(",")[0] + ", --up 20 say")
    return [_Plan(facts_as_said(asked, SystemClock().now(), _own_zone()), None)]


def _settings_with_jobs(config: str, job: str) -> Settings:
    """The settings in use, which have this job, or one at least. Raises WrongUse if they do not."""
    if not job and not os.path.isdir(config):
        advice = "`otherroof plan --size 1.8TB --files 400k --up 20` needs none"
        raise WrongUse("there are no settings yet", where=config, advice=advice)
    settings, _ = settings_in_use(config)
    if job:
        jobs_of(settings, job)
    elif not settings.jobs:
        raise WrongUse("there is no job yet", where=settings.where, advice="--size 1.8TB --up 20 needs none")
    return settings


def _of_jobs(settings: Settings, job: str, asked: PlanRequest) -> list[_Plan]:
    with ledger_of(settings) as ledger:
        return [
            _of_job(settings, name, ledger, asked)
            for name in (jobs_of(settings, job) if job else sorted(settings.jobs))
        ]


def _of_job(settings: Settings, name: str, ledger: Ledger, asked: PlanRequest) -> _Plan:
    from otherroof.jobs.planning.gather import facts_of
    from otherroof.jobs.planning.request import PlanRequest

    now = SystemClock().now()
    plan = _Plan(facts_of(settings, name, ledger, now, asked), ledger.forecasts.last(name, now))
    # What is only asked for is no forecast that the next one should be held against.
    if asked == PlanRequest():
        ledger.forecasts.note(name, now, plan.outlook.as_json())
    return plan


def _size(option: str, text: str) -> float:
    return _read(option, text, parse_size) if text else 0.0


def _stretch(text: str) -> str:
    from otherroof.settings.windows import DayStretch

    if text:
        _read("--window", text, DayStretch.parse)
    return text


def _limits(texts: Sequence[str]) -> Mapping[str, float]:
    from otherroof.settings.windows import checked_limits

    pairs = (_pair("--limit", text, "18:00-23:00=5") for text in texts)
    return _read("--limit", {stretch: _read("--limit", mbit, _mbit) for stretch, mbit in pairs}, checked_limits)


def _mbit(text: str) -> float:
    wrong = f"{text!r} is not a rate; a number of Mbit/s such as 5 is wanted"
    try:
        rate = float(text)
    except ValueError:
        raise ValueError(wrong) from None
    if not 0 <= rate < math.inf:
        raise ValueError(wrong)
    return rate


def _spacing(texts: Sequence[str]) -> tuple[SpacingLine, ...]:
    from otherroof.settings.versions import spacing_lines

    return _read("--spacing", dict(_pair("--spacing", text, "'1 year = one a week'") for text in texts), spacing_lines)


def _pair(option: str, text: str, right: str) -> tuple[str, str]:
    left, equals, value = text.partition("=")
    if not equals:
        raise WrongUse(f"{text!r} has no =", where=option, advice=f"write it as {right}")
    return left.strip(), value.strip()


def _read(option: str, given: G, reader: Callable[[G], T]) -> T:
    """`given` as `reader` reads it. Raises WrongUse that names the option."""
    try:
        return reader(given)
    except ValueError as problem:
        raise WrongUse(str(problem), where=option) from problem


def _own_zone() -> ZoneInfo:
    """This machine's zone: there are no settings yet that would name the household's."""
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    try:
        return ZoneInfo(own_zone_name() or "UTC")
    except (ZoneInfoNotFoundError, ValueError):
        return ZoneInfo("UTC")
