"""What becomes of findings: raised once, told again while they last, ended with an all-clear.

Pure: findings, the alerts that stand and the time in; what changes, out. Nothing here knows a channel.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Literal

from otherroof.ledger.alerts import Alert
from otherroof.watch.rules import Finding

StepKind = Literal["raised", "again", "over", "kept"]


@dataclass(frozen=True, slots=True)
class Step:
    """What happens to one alert. A `kept` one changed its words only and is not told."""

    kind: StepKind
    after: Alert
    before: Alert | None = None
    not_by: str = ""


def decide(found: Sequence[Finding], standing: Sequence[Alert], now: datetime, repeat: timedelta) -> list[Step]:
    """The steps from the alerts that stand to those that the findings ask for."""
    by_key = {one.key: one for one in found}
    known = {one.key: one for one in standing}
    steps = [_raised(one, now) for key, one in by_key.items() if key not in known]
    for key, alert in known.items():
        finding = by_key.get(key)
        step = _over(alert, now) if finding is None else _standing(alert, finding, now, repeat)
        if step is not None:
            steps.append(step)
    return steps


def _raised(finding: Finding, now: datetime) -> Step:
    alert = Alert(
        key=finding.key,
        rule=finding.rule,
        about=finding.about,
        headline=finding.headline,
        help=finding.help,
        mark=finding.mark,
        begun=min(finding.begun, now),
        raised=now,
        told=now,
    )
    return Step("raised", alert, None, finding.not_by)


def _over(alert: Alert, now: datetime) -> Step:
    return Step("over", replace(alert, ended=now), alert)


def _standing(alert: Alert, finding: Finding, now: datetime, repeat: timedelta) -> Step | None:
    after = replace(alert, headline=finding.headline, help=finding.help, mark=finding.mark)
    if finding.mark != alert.mark or _is_due(alert, now, repeat):
        return Step("again", replace(after, told=now, times=alert.times + 1), alert, finding.not_by)
    return Step("kept", after, alert) if after != alert else None


def _is_due(alert: Alert, now: datetime, repeat: timedelta) -> bool:
    if alert.quiet_until is not None and now < alert.quiet_until:
        return False
    if alert.quiet_until is not None and alert.told < alert.quiet_until:
        return True
    # A time of telling that lies ahead was written by a clock that was wrong.
    return now - alert.told >= repeat or now < alert.told


def unknown_subject(alert: Alert, known: Collection[str]) -> bool:
    """Whether what the alert is about has left the settings: it ended, but not because all is well."""
    return bool(alert.about) and alert.about not in known
