"""Has the service carry out a run that a person wants, and shows how far it is until it ends.

It asks nothing of the service itself, which may hang: it leaves a wish where the service looks, and reads what the run
tells of itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import inf

from otherroof.base.clock import Clock
from otherroof.base.errors import OtherroofError
from otherroof.base.local_time import moment_text
from otherroof.cli.show_progress import show_advance
from otherroof.copying.report import RunReport
from otherroof.forecast.advance import Advance
from otherroof.jobs.locks import service_is_at_work
from otherroof.jobs.run import RunResult
from otherroof.ledger import Ledger
from otherroof.ledger.live.live_run import LiveRun
from otherroof.schedule.goes_by import SOON_S, service_view
from otherroof.settings import Settings

LOOK_S = 0.5
TAKEN_UP_S = 60.0  # until then the service has begun it, or said what it waits for
SEEN_S = 3.0
GONE_S = 3.0
LAST_WORD_S = 3.0  # a run leaves its last word before it is seen to have ended; if there is none, it was killed


class NotTakenUp(OtherroofError):
    """The service has not begun what was wished of it."""

    usual_advice = "`systemctl status otherroof` shows what it does; `otherroof run --here` runs it without the service"


class RunLost(OtherroofError):
    """The process of a run that was followed is gone."""


class FollowedError(OtherroofError):
    """What ended a run that was followed, as its process told it."""

    def __init__(self, said: str, exit_code: int) -> None:
        super().__init__(said)
        self.exit_code = exit_code


class Follower:
    """Follows the run of one job. `told` hears of each line for the person; `quiet`: nothing moves."""

    def __init__(
        self, settings: Settings, job: str, ledger: Ledger, clock: Clock, told: Callable[[str], None], *, quiet: bool
    ) -> None:
        self._settings = settings
        self._job = job
        self._ledger = ledger
        self._clock = clock
        self._told = told
        self._quiet = quiet
        self._live: LiveRun | None = None
        self._wish = ""
        self._reread = False
        self._patience_s = TAKEN_UP_S

    def ask(self, *, reread: bool) -> None:
        """Have the service run it, unless a run is under way already. Raises NotTakenUp, HomeTrouble."""
        live = self._ledger.live.of(self._job)
        self._reread = reread
        if live is None or live.stopping:  # one that is to stop serves nobody who wants a run
            wish = self._ledger.wishes.ask_run(self._job, self._clock.now(), reread=reread)
            if reread and not wish.reread:
                advice = f"let that one end, or first: otherroof stop {self._job}"
                raise NotTakenUp("a run that may not do so is asked for already", where=self._job, advice=advice)
            self._wish = wish.token
            self._told(f"{self._job}: the service runs it; Ctrl-C ends only this display")
            view = service_view(self._settings, self._clock)
            if view.differs:
                self._told(view.line)
                self._patience_s += SOON_S
            return
        self._live = live
        since = moment_text(live.since, self._settings.zone)
        # Whoever wants every file read again is not served by a run that does not.
        if reread:
            advice = f"let it end, or first: otherroof stop {self._job}"
            raise NotTakenUp(f"a run that may not do so is under way since {since}", where=self._job, advice=advice)
        self._told(f"{self._job}: a run is under way since {since}; Ctrl-C ends only this display")

    def follow(self) -> RunResult:
        """Show how far it is until it ends. Raises KeyboardInterrupt if the person leaves, NotTakenUp, RunLost."""
        live = self._live or self._begun(self._wish)
        if live is None:
            return self._end(self._wish)
        self._show(live)
        return self._end(live.token)

    def leave(self) -> str:
        """What to tell a person who follows no longer."""
        if self._ledger.wishes.run_wish(self._job) is not None:
            return f"{self._job} is run by the service as soon as it may; `otherroof stop {self._job}` takes that back"
        return (
            f"{self._job} goes on without this terminal; `otherroof status` shows how far it is, "
            f"`otherroof stop {self._job}` ends it"
        )

    def _begun(self, token: str) -> LiveRun | None:
        """The run that fulfils the wish, once it is under way; None if it has ended already."""
        begun = self._clock.monotonic()
        until, waits, gone_since = begun + self._patience_s, "", inf
        while True:
            live = self._ledger.live.of(self._job)
            if live is not None and (live.wish == token or self._serves_too(live)):
                return live
            stands = self._ledger.wishes.run_wish(self._job) is not None
            at_work, now = service_is_at_work(self._settings.state), self._clock.monotonic()
            in_vain = now > until or not at_work
            # A run leaves its first word before it is seen to live: only if that lasts is its process gone.
            gone_since = min(gone_since, now) if self._ledger.live.is_known(self._job, token) else inf
            if not stands and (in_vain or self._is_over(token) or now - gone_since > GONE_S):
                return None
            # What it waited for before this was wished stands there until the service has looked.
            known = stands and at_work and now > begun + SEEN_S
            told, waits = waits, self._waits_for() if known else ""
            if waits:
                # It may do so for days, behind another's first copy.
                until = now + self._patience_s
                if waits != told:
                    self._told(f"{self._job} {waits}")
            elif stands and in_vain and self._ledger.wishes.take_back(self._job):
                why = f"has not begun it within {self._patience_s:g} s" if at_work else "has ended before it began it"
                raise NotTakenUp(f"the service {why}", where=self._job)
            self._clock.sleep(LOOK_S)

    def _serves_too(self, live: LiveRun) -> bool:
        """Whether another's run will do, which began in the moment of this wish; then the wish is taken back."""
        return not self._reread and live.token != "" and not live.stopping and self._ledger.wishes.take_back(self._job)

    def _is_over(self, token: str) -> bool:
        live = self._ledger.live
        return live.ended(self._job, token) is not None or self._ledger.wishes.answer(self._job, token) is not None

    def _waits_for(self) -> str:
        turn = self._ledger.job_times.by_job().get(self._job)
        return turn.waiting if turn is not None else ""

    def _show(self, live: LiveRun) -> None:
        newest = [live]

        def advance() -> Advance:
            one = newest[0].advance
            return (
                replace(one, reading=replace(one.reading, stage="stopping"), left=None) if newest[0].stopping else one
            )

        with show_advance(advance, self._job, quiet=self._quiet) as tick:
            while True:
                found = self._ledger.live.of(self._job)
                if found is None or found.token != live.token:
                    break
                newest[0] = found
                tick()
                self._clock.sleep(LOOK_S)

    def _end(self, token: str) -> RunResult:
        """`token`: of the run, or of the wish that it fulfilled."""
        until = self._clock.monotonic() + LAST_WORD_S
        while self._clock.monotonic() < until:
            ended, answer = self._ledger.live.ended(self._job, token), self._ledger.wishes.answer(self._job, token)
            if ended is not None:
                if ended.report.run:
                    ended.report.problems = self._ledger.runs.problems_of(self._job, ended.report.run)
                error = FollowedError(ended.said, ended.exit_code) if ended.said else None
                return RunResult(ended.report, error, ended.by_hand)
            if answer is not None:
                error = FollowedError(answer.said, answer.exit_code)
                return RunResult(RunReport(self._job, "", reason=answer.said), error)
            self._clock.sleep(LOOK_S)
        advice = "what was sent is kept: `otherroof run` goes on from there, and so does the service by itself"
        raise RunLost("the process that ran it is gone", where=self._job, advice=advice)
