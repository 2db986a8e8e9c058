"""`otherroof stop`: end a run that is under way cleanly, whoever runs it."""

from __future__ import annotations

import sys
from datetime import datetime
from typing import TYPE_CHECKING, Annotated

import typer

from otherroof.base.clock import Clock, SystemClock
from otherroof.base.errors import EXIT_INTERRUPTED, EXIT_LOOK, EXIT_WELL, WrongUse
from otherroof.base.local_time import moment_text
from otherroof.base.text.words import list_text
from otherroof.base.units import size_text
from otherroof.cli.common import SETTINGS_FOLDER, ConfigOption, JsonOption, ledger_of, print_json, settings_in_use
from otherroof.copying.report import outcome_text

if TYPE_CHECKING:
    from otherroof.ledger import Ledger
    from otherroof.ledger.live.live_run import EndedRun, LiveRun
    from otherroof.settings import Settings

LOOK_S = 0.5
HEARD_S = 10.0  # it looks twice a second
BEGINS_S, BEGINS_LOOK_S = 5.0, 0.1  # from what the service writes down to what its run says
ENDED_S = 120.0  # what is under way may be a large file's last piece on a slow line, or a command that tidies up


def verb(
    jobs: Annotated[list[str] | None, typer.Argument(metavar="JOB", help="The jobs whose runs are to stop.")] = None,
    config: ConfigOption = SETTINGS_FOLDER,
    as_json: JsonOption = False,
) -> None:
    """End a run that is under way at a safe point.

    It is all the same whether the service runs it or somebody in another terminal. What is under way is finished, what
    was sent is kept, and the next run goes on from there: the service's at the job's next time, not before. A run that
    was asked for and has not begun is taken back. Leaves with 0 if no run of these jobs is under way any more, with 1
    if one did not end within two minutes.
    """
    settings, _ = settings_in_use(config)
    with ledger_of(settings) as ledger:
        names = _required(settings, ledger, jobs or [])
        stopper = _Stopper(settings, ledger, SystemClock(), quiet=as_json)
        asked = {name: stopper.ask(name) for name in names}  # all first, so that they stop at the same time
        found = [stopper.wait(name, live) for name, live in asked.items()]
    if as_json:
        print_json({"stopped": found})
    raise typer.Exit(EXIT_LOOK if any(one["under_way"] for one in found) else EXIT_WELL)


def _required(settings: Settings, ledger: Ledger, given: list[str]) -> list[str]:
    """The jobs that were named, of several copies each. Raises WrongUse if one is none, or none was named."""
    known = [*settings.jobs, *settings.unread]
    if not given:
        going = sorted({job for name in known for job in _meant(settings, ledger, name) if ledger.live.of(job)})
        under_way = f"under way: {list_text(going, 20)}" if going else "no run is under way"
        raise WrongUse("the job is missing", advice=f"otherroof stop JOB; {under_way}")
    for name in given:
        if name not in known and _meant(settings, ledger, name) == [name] and ledger.live.of(name) is None:
            raise WrongUse(
                f"there is no job {name!r}", where=settings.where, advice=f"jobs here: {list_text(sorted(known), 20)}"
            )
    return list(dict.fromkeys(job for name in given for job in _meant(settings, ledger, name)))


def _meant(settings: Settings, ledger: Ledger, name: str) -> list[str]:
    """The jobs that `name` means. A run that began, or was asked for, before a far box came or went has the other name
    of its copy."""
    from otherroof.settings.copies.names import copies_of, former_name

    jobs = [name] if name in settings.jobs else copies_of(name, settings.jobs)
    others = (former_name(job, settings.jobs[job].far) for job in jobs)
    under_way = [job for job in others if ledger.live.of(job) or ledger.wishes.run_wish(job)]
    return [*jobs, *under_way] or [name]


class _Stopper:
    def __init__(self, settings: Settings, ledger: Ledger, clock: Clock, *, quiet: bool) -> None:
        self._settings = settings
        self._ledger = ledger
        self._clock = clock
        self._quiet = quiet
        self._taken_back: set[str] = set()

    def ask(self, job: str) -> LiveRun | None:
        """Wish that the run under way stops; None if there is none."""
        from otherroof.ledger.live.wishes import WishAnswer

        wish = self._ledger.wishes.run_wish(job)
        if wish is not None and self._ledger.wishes.take_back(job):
            self._taken_back.add(job)
            # Whoever waits for it is told.
            said = f"{job}: taken back by `otherroof stop` before it began"
            self._ledger.wishes.note_answer(job, WishAnswer(wish.token, said, EXIT_INTERRUPTED))
        live = self._live(job)
        if live is not None and live.token:
            self._ledger.wishes.ask_stop(job, live.token)
        return live

    def _live(self, job: str) -> LiveRun | None:
        """The run under way; one that the service is just beginning is waited for a little."""
        until = self._clock.monotonic() + BEGINS_S
        while True:
            beginning = self._is_begun(job)  # asked first: it may begin meanwhile
            live = self._ledger.live.of(job)
            if live is not None or not beginning or self._clock.monotonic() >= until:
                return live
            self._clock.sleep(BEGINS_LOOK_S)

    def _is_begun(self, job: str) -> bool:
        """Whether the service has written down that it begins a run, and not yet that this one has ended or waits."""
        from otherroof.jobs.locks import service_is_at_work

        turn = self._ledger.job_times.by_job().get(job)
        begun = turn is not None and turn.begun is not None and turn.ended is None and not turn.waiting
        return begun and service_is_at_work(self._settings.state)

    def wait(self, job: str, live: LiveRun | None) -> dict[str, object]:
        """Wait until it has ended, and say what came of it; gives what `--json` prints."""
        if live is None:
            taken = job in self._taken_back
            what = "the run that was asked for is taken back" if taken else "nothing to stop: no run of it is under way"
            self._say(f"{job}: {what}{self._next(job)}")
            return {"job": job, "under_way": False, "taken_back": taken, "run": None, "outcome": None}
        if not live.token:
            why = "its run cannot be told to stop before the state folder takes files again; make room there"
            self._say(f"{job}: {why}", err=True)
            return {"job": job, "under_way": True, "taken_back": False, "run": None, "outcome": None}
        why = self._wait_for_end(job, live.token)
        last = self._ledger.live.ended(job, live.token) if not why else None
        if not why:
            self._tell_end(job, last)
        else:
            self._say(f"{job}: its run (process {live.pid}) {why}; it ends as soon as it hears of this", err=True)
        outcome = last.report.outcome if last is not None else None
        return {"job": job, "under_way": bool(why), "taken_back": False, "run": live.run, "outcome": outcome}

    def _wait_for_end(self, job: str, token: str) -> str:
        """Until the run with this token has ended; else what it has not done in time."""
        begun, heard = self._clock.monotonic(), False
        while True:
            now = self._ledger.live.of(job)
            if now is None or now.token != token:
                return ""
            if now.stopping and not heard:
                heard = True
                self._say(f"{job}: stopping; what is under way is finished first")
            if self._clock.monotonic() >= begun + (ENDED_S if heard else HEARD_S):
                return f"has not ended within {ENDED_S:g} s" if heard else f"has not answered within {HEARD_S:g} s"
            self._clock.sleep(LOOK_S)

    def _tell_end(self, job: str, last: EndedRun | None) -> None:
        if last is None:
            self._say(f"{job}: its process is gone; what was sent is kept{self._next(job)}")
        elif last.report.outcome != "cut":
            self._say(f"{job}: {outcome_text(last.report.outcome)}, before it could be stopped{self._next(job)}")
        else:
            sent = f"{size_text(last.report.bytes.sent)} sent" if last.report.bytes.sent else "nothing sent yet"
            run = f", run {last.report.run}" if last.report.run else ""
            self._say(f"{job}: stopped early{run}: {sent}, all of it kept for the next run{self._next(job)}")

    def _next(self, job: str) -> str:
        """When the service runs it next."""
        from otherroof.jobs.locks import service_is_at_work
        from otherroof.settings.crontab import Crontab

        chosen = self._settings.jobs.get(job)
        if chosen is None or not chosen.at or not service_is_at_work(self._settings.state):
            return ""
        zone = self._settings.zone
        at: datetime = Crontab.parse(chosen.at).next_after(self._clock.now(), zone)
        return f"; the service runs it next at {moment_text(at, zone)}"

    def _say(self, line: str, *, err: bool = False) -> None:
        if not self._quiet:
            (sys.stderr if err else sys.stdout).write(line + "\n")
            sys.stdout.flush()
