"""Puts what became of alerts into words: a text for each that is told, and one message of those that go out together.

Pure. Which go out together is written in the ledger; the words for all of them are made when they are sent.
"""

from __future__ import annotations

import json
import textwrap
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from otherroof.base.local_time import moment_text
from otherroof.base.text.words import list_text, sentence
from otherroof.base.units import count_text, span_text
from otherroof.ledger.alerts import Alert
from otherroof.ledger.messages import QueuedMessage
from otherroof.settings.alerting import ChannelSettings
from otherroof.watch.alert_steps import AlertStep, is_no_longer_in_settings
from otherroof.watch.channels import Message
from otherroof.watch.facts import Finding
from otherroof.watch.rules import OF_FARS, gravity, is_event

ALERT, ALL_CLEAR = "alert", "all clear"
# What an all-clear says is so again, by the rule whose alert is over.
OVER = {
    "host_key": "far box {} shows the pinned host key again",
    "login": "far box {} lets this home in again",
    "silent": "far box {} answers again",
    "late": "the copy of {} is not late any more",
    "held": "job {} is no longer held",
    "damage": "no damage is known any more in the far copy of {}",
    "space": "the disk of far box {} has room again",
    "check_failed": "what comes back of {} passes its check again",
    "too_slow": "{} would come back soon enough again",
    "undrilled": "drills of {} come through again",
    "settings": "the settings have no mistake any more",
    "unsent": "channel {} works again",
    "clock": "no run in the ledger is from the future any more",
    "sheet": "the recovery sheet tells what is so again",
}
# How much of the gravest headline a subject keeps beside the count of the others.
MOST_HEADLINE = 140


@dataclass(frozen=True, slots=True)
class MessageContext:
    """When, where and for whom a message is written: the moment, home's name, its zone, when alerts repeat, the
    channels, and the keys of all alerts that there can be about what the settings know."""

    home: str
    at: datetime
    zone: ZoneInfo
    repeat: timedelta
    channels: Mapping[str, ChannelSettings]
    possible: Collection[str]


@dataclass(frozen=True, slots=True)
class IncludedAlerts:
    """What else goes into the message about one alert: alerts that follow from it, and, if it is over, what
    still lasts of them."""

    steps: Sequence[AlertStep] = ()
    still: Sequence[str] = ()


def included_alerts(step: AlertStep, steps: Sequence[AlertStep], found: Sequence[Finding]) -> IncludedAlerts:
    """What of all `steps` and findings belongs into the message about `step`."""
    key = step.after.key
    still = [finding.about for finding in found if finding.because == key] if step.kind == "over" else []
    return IncludedAlerts([other for other in steps if other.under == key], still)


def posts_for(step: AlertStep, more: IncludedAlerts, context: MessageContext) -> tuple[QueuedMessage, ...]:
    """The messages about one step, one for each channel; none if nothing is to be told of it by itself."""
    if step.kind == "kept" or step.under:
        return ()
    kind = ALL_CLEAR if step.kind == "over" else ALERT
    subject, text = _all_clear(step.after, more, context) if step.kind == "over" else _alert(step, more, context)
    alerts = [{"kind": kind, **told_step.after.as_json()} for told_step in (step, *more.steps)]
    facts = json.dumps({"home": context.home, "kind": kind, "alerts": alerts}, ensure_ascii=False)
    # An alert about a channel is not sent by that channel: it would wait there for what it tells of.
    names = [name for name, channel in context.channels.items() if "alerts" in channel.carries and name != step.not_by]
    return tuple(QueuedMessage(name, kind, step.after.key, context.at, subject, text, facts=facts) for name in names)


def message_of(home: str, posts: Sequence[QueuedMessage]) -> Message:
    """A bundle of waiting messages as a channel is given it: the subject names the gravest and how many more."""
    if len(posts) > 1:
        posts = sorted(posts, key=lambda queued: (queued.kind != ALERT, gravity(queued.about), queued.id))
    first = posts[0]
    subject, text, facts = first.subject, first.text, first.facts
    if len(posts) > 1:
        subject = f"{textwrap.shorten(subject, MOST_HEADLINE, placeholder=' …')}, and {len(posts) - 1} more"
        numbered = [f"{place}. {post.text}" for place, post in enumerate(posts, 1)]
        text = "\n\n".join([f"{count_text(len(posts), 'thing')}, the gravest first.\n", *numbered])
        facts = json.dumps({"home": home, "kind": first.kind, "alerts": _alerts_in(posts)}, ensure_ascii=False)
    return Message(
        # From what the ledger keeps, so that it is the same however often the bundle is tried.
        id=f"{home}.{first.bundle}.{first.made:%Y%m%dT%H%M%SZ}",
        kind=first.kind,
        about=first.about,
        at=first.made,
        subject=subject,
        text=text,
        html=first.html,
        facts=facts,
        count=len(posts),
    )


def _alerts_in(posts: Sequence[QueuedMessage]) -> list[dict[str, Any]]:
    return [alert for post in posts for alert in json.loads(post.facts)["alerts"]]


def _alert(step: AlertStep, more: IncludedAlerts, context: MessageContext) -> tuple[str, str]:
    alert = step.after
    again = step.kind == "again" and step.before is not None
    still = "still: " if again and step.before and step.before.times and step.before.mark == alert.mark else ""
    by_it = (
        f"; {count_text(len(more.steps), 'copy is', 'copies are')} older than promised because of it"
        if more.steps
        else ""
    )
    lines = [
        sentence(still + alert.headline),
        "",
        f"What to do: {alert.help}",
        "",
        *_consequences(more.steps),
        *([f"(“{alert.about}” is what you call the box in the other house.)", ""] if alert.rule in OF_FARS else []),
        *_how_it_goes_on(alert, context),
    ]
    return f"[{context.home}] {still}{alert.headline}{by_it}", "\n".join(lines) + "\n"


def _how_it_goes_on(alert: Alert, context: MessageContext) -> list[str]:
    if is_event(alert.rule, alert.mark):
        return [f"This alert is called {alert.key}. It tells of something that happened, and is told once."]
    return [
        f"This alert is called {alert.key}; first told {moment_text(alert.raised, context.zone)}. "
        f"While it lasts it is told again every {span_text(context.repeat.total_seconds())}, and once when it is over.",
        f"You know already and it can wait? On {context.home}: `sudo otherroof quiet {alert.key} --days 14`",
    ]


def _consequences(steps: Sequence[AlertStep]) -> list[str]:
    if not steps:
        return []
    held = steps[0].after.because.startswith("held:")
    rows = [f"- {step.after.headline}" + ("" if held else f": `otherroof run {step.after.about}`") for step in steps]
    now = "" if held else ", and the command tries a copy now"
    return [
        f"What follows from it; it mends itself once that is over{now}:",
        *rows,
        "",
    ]


def _all_clear(alert: Alert, more: IncludedAlerts, context: MessageContext) -> tuple[str, str]:
    lasted = span_text(max(0.0, (context.at - alert.begun).total_seconds()))
    if is_no_longer_in_settings(alert, context.possible):
        said = f"{alert.about} is no longer in the settings, so {alert.key} is no longer watched"
        return f"[{context.home}] {said}", f"{said}.\n\nThe last word on it was: {alert.headline}.\n"
    again = OVER[alert.rule].format(alert.about) if alert.rule in OVER else f"the alert {alert.key} is over"
    lines = [
        f"All clear: {again}. The alert {alert.key} lasted {lasted}, from {moment_text(alert.begun, context.zone)} "
        f"to {moment_text(context.at, context.zone)}.",
        "",
        f"What it was: {alert.headline}.",
    ]
    if more.still:
        lines += ["", f"Still older than promised: {list_text(more.still)}. Their runs go on by themselves now; a copy "
                  "that is not fresh within a day is told of by itself."]  # fmt: skip
    return f"[{context.home}] all clear: {again} (after {lasted})", "\n".join(lines) + "\n"
