"""How every copy, far box and alert stands at this moment, as plain rows. Read from ledger and settings alone, so
that it works whether or not the service runs.

It knows nothing of how the rows are shown.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

from otherroof.base.clock import stamp
from otherroof.base.units import span_text
from otherroof.ledger import Ledger
from otherroof.ledger.alerts import Alert
from otherroof.settings import Settings
from otherroof.watch.gather import AHEAD
from otherroof.watch.words import count_text


@dataclass(frozen=True, slots=True)
class JobRow:
    """One job. `needs` says what a person has to do and is empty if there is nothing; `alert` names the alert that
    says the same if it stands. `waits` is what the next run waits for."""

    job: str
    far: str
    newest_good: str | None
    taken: str | None
    age_s: int | None
    files: int | None
    bytes: int | None
    last: str | None
    last_at: str | None
    reason: str
    needs: str
    alert: str
    waits: str

    @property
    def named(self) -> str:
        """What the row is about."""
        return self.job


@dataclass(frozen=True, slots=True)
class FarRow:
    """One far box. `silent_since` is when it last answered, if it did not answer its last probe or not for its
    days; None if it answers, and if it never has. `notes` are what the last run met there besides its files."""

    far: str
    address: str
    answered: str | None
    silent_s: int | None
    answers: bool
    silent_since: str | None
    probed: str | None
    headline: str
    advice: str
    needs: str
    alert: str
    notes: tuple[str, ...]

    @property
    def named(self) -> str:
        """What the row is about."""
        return self.far


@dataclass(frozen=True, slots=True)
class Overview:
    """Everything. `looked`: when the watch looked last, which raises and ends the alerts; `mistakes`: what is wrong
    with the settings as they are written now; `unread`: the jobs that are not copied for that."""

    jobs: tuple[JobRow, ...]
    far: tuple[FarRow, ...]
    alerts: tuple[Alert, ...]
    looked: datetime | None
    now: datetime
    mistakes: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()

    @property
    def needs_a_look(self) -> bool:
        """Whether a person has something to do that they have not put off."""
        loud = any(alert.quiet_until is None or alert.quiet_until <= self.now for alert in self.alerts)
        return loud or bool(self.mistakes) or any(row.needs for row in self.rows) or any(row.notes for row in self.far)

    @property
    def rows(self) -> list[JobRow | FarRow]:
        """Jobs and far boxes."""
        return [*self.jobs, *self.far]

    def as_json(self) -> dict[str, Any]:
        """The overview as `status --json` prints it."""
        return {
            "jobs": [asdict(row) for row in self.jobs],
            "far": [asdict(row) for row in self.far],
            "alerts": [alert.as_json() for alert in self.alerts],
            "looked": stamp(self.looked) if self.looked else None,
            "mistakes": list(self.mistakes),
            "unread": list(self.unread),
        }


def overview(settings: Settings, ledger: Ledger, now: datetime, mistakes: tuple[str, ...] = ()) -> Overview:
    """How all stands. Raises HomeTrouble if the ledger cannot be used."""
    turns, look = ledger.turns(), ledger.last_look()
    waits = {name: turns[name].waiting if name in turns else "" for name in settings.jobs}
    return Overview(
        jobs=tuple(_job(settings, ledger, name, now, waits[name]) for name in sorted(settings.jobs)),
        far=tuple(_far(settings, ledger, name, now) for name in sorted(settings.far)),
        alerts=tuple(ledger.standing_alerts()),
        looked=look.at if look else None,
        now=now,
        mistakes=mistakes,
        unread=settings.unread,
    )


def _job(settings: Settings, ledger: Ledger, name: str, now: datetime, waits: str) -> JobRow:
    job = settings.jobs[name]
    last, good = next(iter(ledger.runs(job=name, newest=1)), None), ledger.newest_good(name, now + AHEAD, far=job.far)
    hold = ledger.hold_of(name)
    age = (now - good.started).total_seconds() if good is not None else None
    promise = job.promise_hours * 3600
    needs = alert = ""
    if hold is not None and hold.released is None:
        needs, alert = f"held: {hold.why}; look, then: otherroof release {name}", f"held:{name}"
    elif age is None and last is not None and last.under_way:
        needs, alert = "", ""  # the first copy is on its way, which may take weeks
    elif age is None:
        needs, alert = f"no good copy yet: otherroof run {name}", f"late:{name}"
    elif age > promise:
        needs, alert = f"older than promised ({span_text(promise)}): otherroof probe {job.far}", f"late:{name}"
    elif last is not None and last.report.files.problems and last.report.outcome == "done with problems":
        lacks = count_text(last.report.files.problems, "entry", "entries")
        needs = f"{lacks} could not be copied: otherroof ledger --job {name} --json"
    return JobRow(
        job=name,
        far=job.far,
        newest_good=good.report.run if good is not None else None,
        taken=stamp(good.started) if good is not None else None,
        age_s=round(age) if age is not None else None,
        files=good.report.files.seen if good is not None else None,
        bytes=good.report.bytes.seen if good is not None else None,
        last=None if last is None else "under way" if last.under_way else last.report.outcome,
        last_at=stamp(last.started) if last is not None else None,
        reason=last.report.reason if last is not None else "",
        needs=needs,
        alert=alert,
        waits=waits,
    )


def _far(settings: Settings, ledger: Ledger, name: str, now: datetime) -> FarRow:
    answered = ledger.last_answer(name, now + AHEAD)
    probe = ledger.last_probe(name, now + AHEAD)
    silent = (now - answered).total_seconds() if answered is not None else None
    too_long = silent is not None and silent > settings.far[name].silent_days * 86_400
    unheard = probe is not None and not probe.answered and (answered is None or probe.at > answered)
    needs = ""
    if silent is None:
        needs = f"has never answered: otherroof probe {name}"
    elif too_long:
        needs = f"has not answered for {span_text(silent)}: otherroof probe {name}"
    return FarRow(
        far=name,
        address=settings.far[name].address,
        answered=stamp(answered) if answered is not None else None,
        silent_s=round(silent) if silent is not None else None,
        answers=answered is not None and not unheard and not too_long,
        silent_since=stamp(answered) if answered is not None and (unheard or too_long) else None,
        probed=stamp(probe.at) if probe is not None else None,
        headline=probe.headline if probe is not None else "",
        advice=probe.advice if probe is not None else "",
        needs=needs,
        alert=f"silent:{name}" if needs else "",
        notes=tuple(ledger.far_problems(name, now + AHEAD)),
    )
