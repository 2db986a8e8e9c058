"""What becomes of findings: raised once, told again while they last, ended with an all-clear.

Pure: findings, the alerts that stand and the time in; what changes, out. Nothing here knows a channel.

What follows from another trouble (`because`) has a lead: the alert about that trouble itself or, before that is
raised, the first of its kind that was told. It is written down like any other, told with its lead and never by
itself, and its end is not told either, unless it had been told by itself before. If it no longer follows from
the other and still lasts, it is told by itself at once.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal

from otherroof.ledger.alerts import Alert
from otherroof.watch.facts import Finding
from otherroof.watch.rules import is_event

StepKind = Literal["raised", "again", "over", "kept"]


@dataclass(frozen=True, slots=True)
class AlertStep:
    """What happens to one alert. A `kept` one is written down and not told; one that is `under` another is told in
    the message about that one."""

    kind: StepKind
    after: Alert
    before: Alert | None = None
    not_by: str = ""
    under: str = ""


def alert_steps(
    found: Sequence[Finding], standing: Sequence[Alert], now: datetime, repeat: timedelta
) -> list[AlertStep]:
    """The steps from the alerts that stand to those that the findings ask for."""
    by_key = {finding.key: finding for finding in found}
    known = {alert.key: alert for alert in standing}
    leads = {key: _lead(finding, by_key, known) for key, finding in by_key.items()}
    alone = [_alone(finding, known.get(key), now, repeat) for key, finding in by_key.items() if leads[key] is None]
    # Led ones can only go along with what is really told now; else they wait in silence.
    told_now = {step.after.key for step in alone if step is not None and step.kind != "kept"}
    led = [
        _led(by_key[key], known.get(key), now, lead if lead in told_now else "")
        for key, lead in leads.items()
        if lead is not None
    ]
    over = [_over(alert, now) for key, alert in known.items() if key not in by_key]
    return [step for step in (*alone, *led, *over) if step is not None]


def _lead(finding: Finding, found: Mapping[str, Finding], known: Mapping[str, Alert]) -> str | None:
    """The key of the alert that a finding is told with; None if it is told by itself, empty if it goes on to
    be told with another that is over."""
    if not finding.because:
        return None
    # The trouble itself is an alert by now: it leads.
    if finding.because in found:
        return finding.because
    told_before = [
        alert
        for key, alert in known.items()
        if key in found and found[key].because == finding.because and not alert.because
    ]
    # Not raised yet, so the one among its consequences that was told first speaks for all.
    first = min(told_before, key=lambda alert: (alert.raised, alert.id), default=None)
    if first is not None:
        return first.key if first.key != finding.key else None
    # It was led so far and its lead is over: it goes on in silence. A new one without any lead is told by itself.
    return "" if finding.key in known and known[finding.key].because else None


def _alone(finding: Finding, alert: Alert | None, now: datetime, repeat: timedelta) -> AlertStep | None:
    if alert is None:
        return AlertStep("raised", _new(finding, now), None, finding.not_by)
    after = replace(_reworded(alert, finding), because="")
    # `because` is set as long as it was only led; now that it stands alone, nobody has heard of it yet.
    if finding.mark != alert.mark or alert.because or _is_due(alert, now, repeat):
        return AlertStep("again", replace(after, told=now, times=alert.times + 1), alert, finding.not_by)
    return AlertStep("kept", after, alert) if after != alert else None


def _led(finding: Finding, alert: Alert | None, now: datetime, under: str) -> AlertStep | None:
    if alert is None:
        new = replace(_new(finding, now), because=finding.because)
        return AlertStep("raised", new, under=under) if under else AlertStep("kept", replace(new, times=0))
    after = _reworded(alert, finding)
    quiet = alert.quiet_until is not None and now < alert.quiet_until
    if under and not quiet:
        return AlertStep("again", replace(after, told=now, times=alert.times + 1), alert, under=under)
    return AlertStep("kept", after, alert) if after != alert else None


def _over(alert: Alert, now: datetime) -> AlertStep:
    # No all-clear for what was never told by itself, and none for what only became old.
    untold = bool(alert.because) or is_event(alert.rule, alert.mark)
    return AlertStep("kept" if untold else "over", replace(alert, ended=now), alert)


def _new(finding: Finding, now: datetime) -> Alert:
    return Alert(
        key=finding.key,
        rule=finding.rule,
        about=finding.about,
        headline=finding.headline,
        help=finding.help,
        mark=finding.mark,
        # A beginning that lies in the future was written by a wrong clock.
        begun=min(finding.begun, now),
        raised=now,
        told=now,
    )


def _reworded(alert: Alert, finding: Finding) -> Alert:
    return replace(alert, headline=finding.headline, help=finding.help, mark=finding.mark)


def _is_due(alert: Alert, now: datetime, repeat: timedelta) -> bool:
    if is_event(alert.rule, alert.mark) or (alert.quiet_until is not None and now < alert.quiet_until):
        return False
    # The quiet time has just ended and nothing was told since: it still lasts, so it is told without waiting for its
    # turn.
    if alert.quiet_until is not None and alert.told < alert.quiet_until:
        return True
    # A time of telling that lies ahead was written by a clock that was wrong.
    return now - alert.told >= repeat or now < alert.told


def is_no_longer_in_settings(alert: Alert, possible: Collection[str]) -> bool:
    """Whether the alert ended only because its job or far box is no longer in the settings."""
    return bool(alert.about) and alert.key not in possible
