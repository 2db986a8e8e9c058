"""`otherroof run`: copy now what changed, of one job or of all."""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import partial
from types import FrameType
from typing import TYPE_CHECKING, Annotated

import typer

from otherroof.base.clock import SystemClock
from otherroof.base.errors import EXIT_INTERRUPTED, EXIT_LOOK, EXIT_WELL, Held, OtherroofError, RunCut, WrongUse
from otherroof.base.units import count_text, rate_text, size_text, span_text
from otherroof.cli.common import (
    SETTINGS_FOLDER,
    ConfigOption,
    JsonOption,
    job_of,
    ledger_of,
    print_json,
    settings_by_hand,
)
from otherroof.cli.show_progress import run_progress, show_progress
from otherroof.copying.report import RunReport

if TYPE_CHECKING:
    from otherroof.jobs.run import RunOptions, RunResult
    from otherroof.jobs.stop_sign import StopSign
    from otherroof.ledger import Ledger
    from otherroof.settings import Settings

LONGEST_LIST = 20  # problems shown as text; the ledger has more
STOPPING = "stopping after what is under way; again to stop now"
STDERR = 2


def verb(
    jobs: Annotated[list[str] | None, typer.Argument(metavar="JOB", help="The jobs to run; all without one.")] = None,
    config: ConfigOption = SETTINGS_FOLDER,
    dry: Annotated[bool, typer.Option("--dry", help="Tell what would be done, and send nothing.")] = False,
    reread: Annotated[bool, typer.Option("--reread", help="Read every file again, changed or not.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Copy what changed since the last run to the far box."""
    from otherroof.jobs.run import RunOptions, RunResult
    from otherroof.jobs.stop_sign import StopSign
    from otherroof.settings.reader import JOBS_FOLDER

    settings, faulty = settings_by_hand(config)
    names = list(dict.fromkeys(jobs or sorted({*settings.jobs, *faulty})))
    if not names:
        advice = "write a file for each folder to protect, such as photos.toml there; then `otherroof check`"
        raise WrongUse("there is no job to run", where=os.path.join(settings.where, JOBS_FOLDER), advice=advice)
    if all(name in faulty for name in names):
        raise faulty[names[0]]
    for name in names:
        if name not in faulty:
            job_of(settings, name)
    clock = SystemClock()
    stop = StopSign(clock)
    ran: list[RunResult] = []
    with ledger_of(settings) as ledger, _stopping_on_signals(stop):
        for name in names:
            if not stop.asked():
                options = RunOptions(dry, reread)
                refused = faulty.get(name)
                ran.append(
                    RunResult(RunReport(name, "", reason=str(refused)), refused)
                    if refused
                    else _run_one(settings, name, ledger, stop, options, quiet=as_json)
                )
                if not as_json:
                    _tell(ran[-1], dry=dry)
    if as_json:
        print_json({"runs": [result.report.as_json() for result in ran]})
    raise typer.Exit(EXIT_INTERRUPTED if _interrupted(ran, len(names)) else _worst(ran))


def _run_one(
    settings: Settings, name: str, ledger: Ledger, stop: StopSign, choice: RunOptions, *, quiet: bool
) -> RunResult:
    from otherroof.copying.progress import Progress
    from otherroof.jobs.context import JobContext
    from otherroof.jobs.run import RunResult, run_job

    progress = Progress()
    try:
        with show_progress(lambda: run_progress(progress), name, quiet=quiet) as tick:
            tell = partial(typer.echo, err=True)
            context = JobContext(progress, ledger, stop=stop, tick=tick, told=tell, patient=True)
            if not choice.dry and _month_is_used_up(settings, name, ledger):
                tell(f"{name}: this month's allowance of far box {settings.jobs[name].far} is used up; "
                     "a run by hand goes beyond it")  # fmt: skip
            return run_job(settings, name, context, choice)
    except OtherroofError as error:
        return RunResult(RunReport(name, "", reason=str(error)), error)


def _month_is_used_up(settings: Settings, name: str, ledger: Ledger) -> bool:
    from otherroof.schedule.month_room import month_room

    return month_room(settings, settings.jobs[name].far, ledger, SystemClock().now()) == 0


@contextmanager
def _stopping_on_signals(stop: StopSign) -> Iterator[None]:
    """The first Ctrl-C or SIGTERM asks the run to stop cleanly; the next one ends it at once."""

    def ask(number: int, _frame: FrameType | None) -> None:
        if stop.asked():
            raise KeyboardInterrupt
        stop.ask(f"stopped by {signal.Signals(number).name}")
        _answer_at_once(STOPPING)

    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _answer_at_once(text: str) -> None:
    """Say it, in the middle of whatever the program does just now."""
    if sys.stderr is sys.__stderr__:
        # Past Python's buffers: they refuse a write in the middle of another.
        with suppress(OSError):  # nobody reads it any more
            os.write(STDERR, f"\n{text}\n".encode())
    else:
        typer.echo(text, err=True)  # the moving display has put something in place of it, and writes above itself


def _interrupted(ran: list[RunResult], wanted: int) -> bool:
    """Whether a signal stopped the runs; here nothing else can."""
    return len(ran) < wanted or any(isinstance(result.error, RunCut) for result in ran)


def _worst(ran: list[RunResult]) -> int:
    """The exit code for all runs together: that of the first error, else whether something needs a look."""
    for result in ran:
        if result.error is not None:
            return result.error.exit_code
    return EXIT_LOOK if any(result.report.problems for result in ran) else EXIT_WELL


def _tell(result: RunResult, *, dry: bool) -> None:
    report, files = result.report, result.report.files
    if result.error is not None:
        message = str(result.error).removeprefix(f"{report.job}: ")
        would = "would be " if dry and isinstance(result.error, Held) else ""
        typer.echo(f"{report.job}: {would}{report.outcome}: {message}", err=True)
    elif dry:
        typer.echo(f"{report.job}: would be {report.outcome}; nothing was sent")
    else:
        typer.echo(f"{report.job}: {report.outcome}, run {report.run}")
    if files.seen or result.error is None:
        typer.echo(
            f"  {count_text(files.seen, 'file')} seen ({size_text(report.bytes.seen)}): {files.new:,} new, "
            f"{files.changed:,} changed, {files.moved:,} moved, "
            f"{files.removed:,} removed; new content {size_text(report.bytes.new)}"
        )
    if not dry and report.bytes.wire_up:
        typer.echo(f"  {_wire_text(report)}")
    for problem in report.problems[:LONGEST_LIST]:
        typer.echo(f"  not copied: {problem.path}: {problem.why}" if problem.path else f"  note: {problem.why}")
    if len(report.problems) > LONGEST_LIST:
        typer.echo(f"  and {len(report.problems) - LONGEST_LIST} more")
    _tell_left_out(report)


def _wire_text(report: RunReport) -> str:
    """What crossed the line. A rate is only told if content crossed: a few messages make no rate."""
    sizes, times = report.bytes, report.seconds
    rate = f" ({rate_text(sizes.wire_up, times.send + times.commit)})" if sizes.sent else ""
    return (
        f"{size_text(sizes.sent)} of content sent; {size_text(sizes.wire_up)} up and {size_text(sizes.wire_down)} down "
        f"on the wire in {span_text(times.total)}{rate}"
    )


def _tell_left_out(report: RunReport) -> None:
    """Tell what is never copied (sockets, other disks), so that nobody finds out only when it is needed."""
    if report.files.left_out:
        typer.echo(f"  left out: sockets, devices and fifos ({report.files.left_out:,}), which hold no content")
    for folder in report.other_disks[:LONGEST_LIST]:
        typer.echo(f"  left out: {folder}: another disk; make it a job of its own, or set other_disks = true")
    if len(report.other_disks) > LONGEST_LIST:
        typer.echo(f"  and {len(report.other_disks) - LONGEST_LIST} more disks")
