"""The forecast of a first copy held against a clock that is played through: the service's own rules decide when a run
begins and has to stop, bytes cross second by second as the settings' limits allow."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from otherroof.base.local_time import month_begins, morning_after
from otherroof.forecast.planning.copy_time import AskedLine, Work, asked_line, before_s, copy_s, wire_of
from otherroof.forecast.planning.outlook import outlook
from otherroof.forecast.planning.packets import PacketPath
from otherroof.jobs.planning.gather import facts_of
from otherroof.jobs.planning.request import PlanRequest
from otherroof.ledger import Ledger
from otherroof.ledger.job_times import JobTimes
from otherroof.schedule.due import JobScheduleFacts
from otherroof.schedule.plan import FarScheduleFacts, RunStart, ScheduleFacts, plan_schedule
from otherroof.settings import Settings
from support.simulated import household

JOB, FAR = "photos", "heron"
STEP_S = 60.0
UP = 20.0
WORK = Work(150e9, 20_000)


class PlayedCopy:
    """A first copy, played through: when its last byte crossed, and in how many nights."""

    def __init__(self, settings: Settings, begin: datetime) -> None:
        self._settings, self.now = settings, begin
        line = asked_line(AskedLine(UP), PacketPath())
        wire = wire_of(WORK)
        self._before_s = before_s(WORK, line)
        # A run that nothing holds up takes what `copy_s` says: the rest follows from the hours.
        self._rate = wire.up / (copy_s(WORK, line).value - self._before_s)
        self._counted = wire.both / wire.up
        self._left = wire.up
        self._month, self._used = month_begins(begin, settings.zone), 0.0
        self.nights: set[object] = set()

    def play(self) -> None:
        turn = JobTimes(JOB, self._settings.jobs[JOB].at, self.now)
        while self._left > 0:
            self._turn_month()
            far = FarScheduleFacts(month_bytes=int(self._used))
            facts = ScheduleFacts(self.now, {JOB: JobScheduleFacts(turn)}, {FAR: far}, frozenset())
            plan = plan_schedule(self._settings, facts)
            if not plan.runs:
                self.now = plan.wake
                continue
            begun = self.now
            self._run(plan.runs[0])
            turn = replace(turn, begun=begun, ended=self.now, ending="cut")

    def _run(self, start: RunStart) -> None:
        room = float("inf") if start.room is None else float(start.room)
        self.now += timedelta(seconds=self._before_s)
        while self._left > 0 and room > 0 and (start.until is None or self.now < start.until):
            limit = self._settings.limit_of(JOB, self.now) * 1e6 / 8
            rate = min(self._rate, limit) if limit else self._rate
            sent = min(self._left, rate * STEP_S, room / self._counted)
            self.nights.add(morning_after(self.now, self._settings.zone))
            self._left -= sent
            room -= sent * self._counted
            self._used += sent * self._counted
            self.now += timedelta(seconds=max(1.0, sent / rate))

    def _turn_month(self) -> None:
        month = month_begins(self.now, self._settings.zone)
        if month != self._month:
            self._month, self._used = month, 0.0


SPRING = datetime(2031, 3, 27, 9, tzinfo=UTC)  # clocks go forward three nights later
AUTUMN = datetime(2031, 10, 24, 9, tzinfo=UTC)


@pytest.mark.slow
@pytest.mark.parametrize("begin", [SPRING, AUTUMN, datetime(2031, 6, 1, 9, tzinfo=UTC)])
@pytest.mark.parametrize(
    ("job", "far"),
    [
        ({}, {}),
        ({"window": "22:00-06:30"}, {}),
        ({"window": "01:00-05:00", "at": "0 2 * * *"}, {"limits": {"02:00-04:00": 8}}),
        ({"limits": {"07:00-23:00": 2}}, {"limit_mbit": 10}),
        ({"window": "23:00-05:00"}, {"month_gb": 60}),
        ({"limits": {"18:00-23:00": 1}, "window": "12:00-03:00"}, {"limit_mbit": 6, "month_gb": 100}),
        ({"at": "0 3 * * 1,4", "window": "03:00-07:00"}, {}),
    ],
)
def test_nights_and_date_come_out_as_played(
    tmp_path: Path, begin: datetime, job: dict[str, object], far: dict[str, object]
) -> None:
    # Proofs and drills of a copy that is not there yet take nothing of the month.
    quiet: dict[str, object] = {"prove_mb": 0, "drill_days": 0}
    settings = household({JOB: {**quiet, **job}}, zone="Europe/Berlin", far={FAR: far})
    played = PlayedCopy(settings, begin)
    played.play()
    with Ledger(str(tmp_path / "ledger.db")) as ledger:
        asked = PlanRequest(size=WORK.size, files=WORK.files, up_mbit=UP)
        told = outlook(facts_of(settings, JOB, ledger, begin, asked)).estimates
    took_days = (played.now - begin) / timedelta(days=1)
    end = told["first_copy.day"].likely
    real = played.now.astimezone(settings.zone).date().toordinal()
    assert abs(end.value - real) <= max(1.0, 0.1 * took_days)
    assert end.low - 1 <= real <= end.high + 1
    assert told["first_copy.nights"].likely.value == pytest.approx(len(played.nights), rel=0.1, abs=1)
    assert took_days > 0.5, "it was worth playing"
