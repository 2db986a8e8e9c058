"""A folder whose first copy takes weeks of nights, by a simulated clock: its only copy, or one beside another."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

from otherroof.copying.report import WINDOW_ENDED, ByteCounts, FileCounts, RunReport, StepSeconds
from otherroof.forecast.advance import Advance, ProgressReading
from otherroof.schedule.job_runner import RunEnding
from otherroof.schedule.plan import RunStart
from otherroof.schedule.records import ServiceRecords
from otherroof.settings.alerting import AlertingSettings
from otherroof.watch.channels import Message
from otherroof.watch.gather import WatchInputs
from otherroof.watch.look import look
from support.live import live_run
from support.noons import Day, day_at
from support.simulated import Period, Simulation, Troubles, household, utc
from support.watching import NotingChannel

GB = 10**9
SIZE, GROWS = 300 * GB, GB // 2
RATE = 1_000_000  # bytes a second: some 21 GB a night
LOOKS_ROUND = timedelta(seconds=60)  # what a run does before it sends
START = utc(2031, 2, 1, 12)
NIGHTLY: dict[str, object] = {"at": "0 1 * * *", "window": "00:00-06:30", "drill_days": 0.0}
FULL = "the far disk is full"


class FirstCopies(Simulation):
    """Weeks of it. `boxes` are jobs with their far boxes; `whole` the jobs whose copy is there from the beginning;
    `full` when nothing more fits onto a far disk: runs fail there after a look round."""

    def __init__(
        self,
        where: Path,
        boxes: Mapping[str, str],
        *,
        whole: Sequence[str] = (),
        troubles: Troubles | None = None,
        full: Mapping[str, Period] | None = None,
    ) -> None:
        self.mailbox = NotingChannel()
        self._size = SIZE
        self._there = dict.fromkeys(whole, SIZE)
        self._full = full or {}
        self._alive: dict[str, ExitStack] = {}
        jobs: dict[str, dict[str, object]] = {job: NIGHTLY | {"far": far} for job, far in boxes.items()}
        told = AlertingSettings.model_validate({"channel": {"family": {"kind": "command", "command": ["/bin/true"]}}})
        settings = household(jobs, zone="Europe/Berlin", far={far: {} for far in boxes.values()})
        super().__init__(settings.model_copy(update={"told": told}), where, START, troubles)
        channels = {"family": self.mailbox, "journal": self.channel}
        self.on_look = lambda _: look(self.settings, self.ledger, self.clock, WatchInputs(), channels)

    def days(self, count: int) -> list[Day]:
        """So many days, one after the other."""
        return [day_at(self, START + timedelta(days=day)) for day in range(1, count + 1)]

    @property
    def mails(self) -> list[Message]:
        """What the household got, in order."""
        return self.mailbox.taken

    def _begin(self, records: ServiceRecords, start: RunStart) -> None:
        super()._begin(records, start)
        run, now = self._under_way[start.job]
        live = live_run(start.job, far=start.far, run=run, since=now, at=now, advance=_sent(0), token=run)
        self._alive[start.job] = ExitStack()
        self._alive[start.job].enter_context(self.ledger.live.held(live))
        # Looked at just after it began, and again once it sends.
        self.at(now + timedelta(seconds=5), self._look_now)
        if not self._fails(start.far, now):
            self.at(now + 3 * LOOKS_ROUND, lambda: self.ledger.live.write(replace(live, advance=_sent(GB // 10))))

    def _look_now(self) -> None:
        self.on_look(self.clock.now())

    def _finish(self, records: ServiceRecords, job: str, ended: RunEnding) -> None:
        super()._finish(records, job, ended)
        self._alive.pop(job).close()

    def _fails(self, far: str, now: datetime) -> bool:
        begin, end = self._full.get(far, (START, START))
        return begin <= now < end or self.troubles.is_silent(far, now)

    def _fate(self, start: RunStart, now: datetime) -> tuple[RunEnding, float]:
        if self.troubles.is_silent(start.far, now):
            return RunEnding("failed", "unreached", "no answer"), LOOKS_ROUND.total_seconds()
        if self._fails(start.far, now):
            return RunEnding("failed", "settled", FULL), 20 * LOOKS_ROUND.total_seconds()
        if self._to_send(start.job) == 0:
            self._size += GROWS
        needed = LOOKS_ROUND.total_seconds() + self._to_send(start.job) / RATE
        if start.until is not None and start.until < now + timedelta(seconds=needed):
            return RunEnding("cut", "cut", WINDOW_ENDED), (start.until - now).total_seconds()
        return RunEnding("done", "settled"), float(int(needed))

    def _to_send(self, job: str) -> int:
        return self._size - self._there.get(job, 0)

    def _report(self, job: str, run: str, ended: RunEnding) -> RunReport:
        report = RunReport(job=job, run=run, outcome=ended.outcome, reason=ended.reason)
        if ended.ending == "unreached":
            return report
        left = self._to_send(job)
        took = self.clock.now() - self.ledger.runs.rows(job=job, newest=1)[0].started
        sent = left if ended.outcome == "done" else min(left, int((took - LOOKS_ROUND).total_seconds() * RATE))
        sent = 0 if ended.outcome == "failed" else sent
        self._there[job] = self._there.get(job, 0) + sent
        report.files = FileCounts(seen=1000, new=sent // 3_000_000)
        report.bytes = ByteCounts(self._size, left, sent, int(sent * 1.03), 1000, left)
        report.seconds = StepSeconds(30, 0, 30, took.total_seconds())
        return report


def _sent(done: int) -> Advance:
    return Advance(ProgressReading("sending", 0, 1000, done, SIZE))
