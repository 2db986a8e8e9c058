"""`otherroof run`: copy now what changed, of one job or of all."""

from __future__ import annotations

import itertools
import os
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
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
    as_typed,
    jobs_of,
    ledger_of,
    print_json,
    say,
    settings_by_hand,
)
from otherroof.cli.show_progress import show_progress
from otherroof.copying.report import RunReport

if TYPE_CHECKING:
    from otherroof.base.errors import WrongSettings
    from otherroof.jobs.run import RunOptions, RunResult
    from otherroof.jobs.stop_sign import StopSign
    from otherroof.ledger import Ledger
    from otherroof.settings import Settings

LONGEST_LIST = 20  # problems shown as text; the ledger has more
STOPPING = "stopping after what is under way; again to stop now"
STDERR = 2


def verb(
    jobs: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="JOB", help="The jobs to run; all without one. Of a folder's several copies photos@wren is one."
        ),
    ] = None,
    config: ConfigOption = SETTINGS_FOLDER,
    dry: Annotated[bool, typer.Option("--dry", help="Tell what would be done, and send nothing.")] = False,
    reread: Annotated[
        bool, typer.Option("--reread", help="Read every file again, also those that look unchanged.")
    ] = False,
    onto: Annotated[
        str,
        typer.Option(
            "--onto", metavar="DIR", help="Write onto a disk of this machine, which you then carry to the far box."
        ),
    ] = "",
    here: Annotated[bool, typer.Option("--here", help="Run in this terminal, though a service is at work.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Copy what changed since the last run to the far box.

    If the service is at work here, it is the service that runs it, and this shows how far it is; Ctrl-C ends the
    display alone, and `otherroof stop JOB` the run. Without a service, and with --here, the run is this terminal's:
    Ctrl-C asks it to stop at a safe point. A run by hand goes beyond the job's window and the month's allowance, and
    says so.

    With --onto the copy goes at the disk's speed into DIR, in this terminal, laid out as at the far box; stopped, the
    same command goes on. CAUTION: whoever has that disk can read it, unless the disk itself is encrypted. What to do
    with it is told at the end; it counts as a copy once `otherroof landed JOB` found it in the other house.

    Leaves as the run ended, whoever runs it: with 0, with 1 if something needs a look, 3 if the far box could not be
    reached, 4 if the guard held it; with 130 if it was stopped, or if the display was left.
    """
    from otherroof.jobs.locks import service_is_at_work
    from otherroof.jobs.run import RunOptions
    from otherroof.jobs.stop_sign import StopSign
    from otherroof.settings.reader import JOBS_FOLDER

    settings, faulty = settings_by_hand(config)
    names = list(dict.fromkeys(jobs or sorted({*settings.jobs, *faulty})))
    if not names:
        advice = "write a file for each folder to protect, such as photos.toml there; then `otherroof check`"
        raise WrongUse("there is no job to run", where=os.path.join(settings.where, JOBS_FOLDER), advice=advice)
    if all(name in faulty for name in names):
        raise faulty[names[0]]
    meant = [[name] if name in faulty else jobs_of(settings, name) for name in names]
    names = list(dict.fromkeys(itertools.chain(*meant)))
    with ledger_of(settings) as ledger:
        by_hand = _RunsByHand(settings, ledger, faulty, RunOptions(dry, reread), quiet=as_json)
        if onto:
            by_hand.run_onto(names, onto)
        elif not here and not dry and service_is_at_work(settings.state):
            by_hand.follow_all(names)
        else:
            stop = StopSign(SystemClock())
            with _stopping_on_signals(stop):
                by_hand.run_all(names, stop)
    ran = by_hand.ran
    if as_json:
        print_json({"runs": [result.report.as_json() for result in ran]})
    raise typer.Exit(EXIT_INTERRUPTED if _interrupted(ran, len(names)) else _worst(ran))


class _RunsByHand:
    """Runs by hand, one after the other: in this process, or followed while the service runs them. `ran` are those that
    have ended; of a job in `faulty`, whose file has a mistake, none begins."""

    def __init__(
        self, settings: Settings, ledger: Ledger, faulty: dict[str, WrongSettings], options: RunOptions, *, quiet: bool
    ) -> None:
        self.ran: list[RunResult] = []
        self._settings = settings
        self._ledger = ledger
        self._faulty = faulty
        self._options = options
        self._quiet = quiet

    def run_all(self, names: list[str], stop: StopSign) -> None:
        """In this process, until `stop` is up."""
        for name in names:
            if not stop.asked():
                self._note(name, partial(self._run, stop))

    def run_onto(self, names: list[str], folder: str) -> None:
        """In this process, onto a disk."""
        from otherroof.cli.copy.onto import disk_for, look_at_all, tell_next
        from otherroof.jobs.stop_sign import StopSign
        from otherroof.jobs.under_way.announce import RunAsked

        for name in names:
            if name in self._faulty:
                raise self._faulty[name]
        onto = disk_for(self._settings, names, folder, _say)
        self._options = replace(self._options, onto=onto, asked=RunAsked("disk"))
        stop = StopSign(SystemClock())
        try:
            with _stopping_on_signals(stop):
                if len(names) > 1:
                    look_at_all(self._settings, names, onto, self._ledger, stop, quiet=self._quiet)
                self.run_all(names, stop)
        finally:
            onto.forget_unclaimed()
        if not self._options.dry:
            tell_next(self._settings, self.ran, onto, _say)

    def follow_all(self, names: list[str]) -> None:
        """By the service. All are wished first, so that those to different far boxes run side by side. If the person
        leaves, those that have not ended are missing in `ran`."""
        from otherroof.cli.copy.follow import Follower

        followers = {
            name: Follower(self._settings, name, self._ledger, SystemClock(), _say, quiet=self._quiet)
            for name in names
            if name not in self._faulty
        }
        refused: dict[str, OtherroofError] = {}

        def follow(name: str) -> RunResult:
            if name in refused:
                raise refused[name]
            return followers[name].follow()

        try:
            for name, follower in followers.items():
                self._say_what_it_goes_beyond(name)
                try:
                    follower.ask(reread=self._options.reread)
                except OtherroofError as error:
                    refused[name] = error
            for name in names:
                self._note(name, follow)
        except KeyboardInterrupt:
            for name in names[len(self.ran) :]:
                if name in followers:
                    _say(followers[name].leave())

    def _note(self, name: str, run: Callable[[str], RunResult]) -> None:
        """Carry out `run`, unless the job's file has a mistake, and tell how it ended."""
        from otherroof.jobs.run import RunResult

        try:
            result = run(name) if name not in self._faulty else RunResult(RunReport(name, ""), self._faulty[name])
        except OtherroofError as error:
            result = RunResult(RunReport(name, ""), error)
        if result.error is not None and not result.report.reason:
            result.report.reason = str(result.error)
        self.ran.append(result)
        if not self._quiet:
            _tell(result, dry=self._options.dry)
            if self._options.onto is not None and result.report.bytes.sent:
                _tell_written(result.report)

    def _run(self, stop: StopSign, name: str) -> RunResult:
        from otherroof.copying.progress import Progress
        from otherroof.jobs.context import JobContext
        from otherroof.jobs.run import run_job
        from otherroof.jobs.under_way.announce import run_reading

        progress = Progress()
        if not self._options.dry and self._options.onto is None:
            self._say_what_it_goes_beyond(name)
        with show_progress(lambda: run_reading(progress), name, quiet=self._quiet) as tick:
            context = JobContext(progress, self._ledger, stop=stop, tick=tick, told=_say, patient=True)
            return run_job(self._settings, name, context, self._options)

    def _say_what_it_goes_beyond(self, name: str) -> None:
        from otherroof.cli.copy.beyond import beyond

        for line in beyond(self._settings, name, self._ledger, SystemClock().now()):
            _say(f"{name}: {line}")


def _say(line: str) -> None:
    """A line beside what is told of the runs, with its commands as this person has to type them."""
    say(as_typed(line), err=True)


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
        say(text, err=True)  # the moving display has put something in place of it, and writes above itself


def _interrupted(ran: list[RunResult], wanted: int) -> bool:
    """Whether runs were stopped: by a signal here, by `otherroof stop` elsewhere, or with the service that ran them."""
    return len(ran) < wanted or any(
        isinstance(result.error, RunCut)
        or (result.report.outcome == "cut" and result.error is not None and result.error.exit_code == EXIT_INTERRUPTED)
        for result in ran
    )


def _worst(ran: list[RunResult]) -> int:
    """The exit code for all runs together: that of the first error, else whether something needs a look."""
    for result in ran:
        if result.error is not None:
            return result.error.exit_code
    return EXIT_LOOK if any(result.report.problems for result in ran) else EXIT_WELL


def _tell(result: RunResult, *, dry: bool) -> None:
    from otherroof.copying.report import outcome_text

    report, files = result.report, result.report.files
    if result.error is not None:
        message = str(result.error).removeprefix(f"{report.job}: ")
        would = "would be " if dry and isinstance(result.error, Held) else ""
        _say(f"{report.job}: {would}{outcome_text(report.outcome)}: {message}")
    elif dry:
        say(f"{report.job}: would be {outcome_text(report.outcome)}; nothing was sent")
    else:
        say(f"{report.job}: {outcome_text(report.outcome)}, run {report.run} (UTC)")
    if files.seen or result.error is None:
        say(
            f"  {count_text(files.seen, 'file')} seen ({size_text(report.bytes.seen)}): {files.new:,} new, "
            f"{files.changed:,} changed, {files.moved:,} moved, "
            f"{files.removed:,} removed; new content {size_text(report.bytes.new)}"
        )
    if not dry and report.bytes.wire_up:
        say(f"  {_wire_text(report)}")
    for problem in report.problems[:LONGEST_LIST]:
        say(f"  {'not copied' if problem.path else 'note'}: {problem.text}")
    if len(report.problems) > LONGEST_LIST:
        say(f"  and {len(report.problems) - LONGEST_LIST} more")
    _tell_left_out(report)


def _wire_text(report: RunReport) -> str:
    """What crossed the line. A rate is only told if content crossed: a few messages make no rate."""
    sizes, times = report.bytes, report.seconds
    rate = f" ({rate_text(sizes.wire_up, times.send + times.commit)})" if sizes.sent else ""
    return (
        f"{size_text(sizes.sent)} of content sent; {size_text(sizes.wire_up)} up and {size_text(sizes.wire_down)} down "
        f"on the wire in {span_text(times.total)}{rate}"
    )


def _tell_written(report: RunReport) -> None:
    """What went onto the disk, and how fast."""
    sizes, times = report.bytes, report.seconds
    rate = rate_text(sizes.sent, times.send + times.commit)
    say(f"  {size_text(sizes.sent)} of content written onto the disk in {span_text(times.total)} ({rate})")


def _tell_left_out(report: RunReport) -> None:
    """Tell what is never copied (sockets, other disks), so that nobody finds out only when it is needed."""
    if report.files.left_out:
        say(f"  left out: sockets, devices and fifos ({report.files.left_out:,}), which hold no content")
    for folder in report.other_disks[:LONGEST_LIST]:
        say(f"  left out: {folder}: another disk; make it a job of its own, or set other_disks = true")
    if len(report.other_disks) > LONGEST_LIST:
        say(f"  and {len(report.other_disks) - LONGEST_LIST} more disks")
