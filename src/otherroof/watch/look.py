"""One look: gather the facts, let the rules judge, write down what changed, hand over what is due."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta

from otherroof.base.clock import Clock
from otherroof.base.errors import HomeTrouble
from otherroof.ledger import Ledger
from otherroof.ledger.alerts import AlertChange
from otherroof.settings import Settings
from otherroof.watch.alert_steps import alert_steps
from otherroof.watch.channels import Channel
from otherroof.watch.facts import Facts
from otherroof.watch.gather import WatchInputs, gather, subjects
from otherroof.watch.messages import MessageContext, included_alerts, posts_for
from otherroof.watch.metrics import metrics, render, write_metrics
from otherroof.watch.rules import OF_CHANNELS, OF_FARS, OF_JOBS, findings
from otherroof.watch.sending import Delivery, send_due

log = logging.getLogger(__name__)


def look(
    settings: Settings,
    ledger: Ledger,
    clock: Clock,
    extra: WatchInputs | None = None,
    channels: Mapping[str, Channel] | None = None,
) -> list[Delivery]:
    """Raise, repeat and end alerts as the facts ask for, and send what is due. Returns the deliveries tried.

    `extra` is what the ledger cannot know; `channels` stands in for those of the settings. Raises HomeTrouble
    if the ledger cannot be used; a channel or a metrics file that fails is logged, not raised.
    """
    # First, so that a job seen for the first time is watched from now on, and not late at once.
    ledger.looks.note_watched(subjects(settings), clock.now())
    facts = gather(settings, ledger, clock, extra or WatchInputs())
    ledger.alerts.record(changes(settings, ledger, facts))
    # After the alerts: killed in between, the next look sees the same jump of the clock once more, and loses none.
    ledger.looks.note(facts.look)
    # Last, because channels take their time; what was found is in the ledger by now whatever becomes of them.
    made = send_due(settings, ledger, clock, channels)
    if settings.told.metrics is not None:
        try:
            write_metrics(settings.told.metrics.file, render(metrics(facts, ledger.alerts.standing())))
        except HomeTrouble as problem:
            log.warning("%s", problem)
    return made


def changes(settings: Settings, ledger: Ledger, facts: Facts) -> Sequence[AlertChange]:
    """What the facts change among the alerts, with the messages about it."""
    alerts = settings.told.alerts
    repeat = timedelta(days=alerts.repeat_days)
    context = MessageContext(
        settings.home.name, facts.now, settings.zone, repeat, settings.told.channels, _possible(settings)
    )
    found = findings(facts)
    # Nothing is known of a job whose file has a mistake: its alerts stay as they are.
    told = [
        alert for alert in ledger.alerts.standing() if alert.rule not in OF_JOBS or not settings.is_unread(alert.about)
    ]
    steps = alert_steps(found, told, facts.now, repeat)
    return [
        AlertChange(step.after, step.before, posts_for(step, included_alerts(step, steps, found), context))
        for step in steps
    ]


def _possible(settings: Settings) -> set[str]:
    jobs, fars = _keys(OF_JOBS, settings.jobs), _keys(OF_FARS, settings.far)
    return jobs | fars | _keys(OF_CHANNELS, settings.told.channels)


def _keys(rules: Iterable[str], names: Iterable[str]) -> set[str]:
    return {f"{rule}:{name}" for name in names for rule in rules}
