"""Puts what became of an alert into words, one message for each channel that carries alerts. Pure."""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from otherroof.ledger.alerts import Alert
from otherroof.ledger.post import Post
from otherroof.settings.watch import Channel
from otherroof.units import span_text
from otherroof.watch.standing import Step, unknown_subject
from otherroof.watch.words import when


@dataclass(frozen=True, slots=True)
class Setting:
    """Where and for whom a message is written: home's name, its zone, when alerts repeat, what the settings know."""

    home: str
    zone: ZoneInfo
    repeat: timedelta
    channels: Mapping[str, Channel]
    subjects: Collection[str]


def posts_for(step: Step, at: datetime, setting: Setting) -> tuple[Post, ...]:
    """The messages about one step; none where nothing is to be told."""
    if step.kind == "kept":
        return ()
    subject, text = _all_clear(step.after, at, setting) if step.kind == "over" else _alert(step, at, setting)
    facts = json.dumps({"home": setting.home, "kind": _kind(step), **step.after.as_json()}, ensure_ascii=False)
    names = [name for name, one in setting.channels.items() if "alerts" in one.carries and name != step.not_by]
    return tuple(Post(name, _kind(step), step.after.key, at, subject, text, facts=facts) for name in names)


def _kind(step: Step) -> str:
    return "all clear" if step.kind == "over" else "alert"


def _alert(step: Step, at: datetime, setting: Setting) -> tuple[str, str]:
    alert = step.after
    still = "still: " if step.kind == "again" and step.before and step.before.mark == alert.mark else ""
    lines = [
        f"{_sentence(still + alert.headline)}",
        "",
        f"What to do: {alert.help}",
        "",
        f"This alert is called {alert.key}; first told {when(alert.raised, setting.zone)}. While it lasts it is told "
        f"again every {span_text(setting.repeat.total_seconds())}, and once when it is over.",
        f"You know already and it can wait? On {setting.home}: otherroof quiet {alert.key} --days 14",
    ]
    return f"[{setting.home}] {still}{alert.headline}", "\n".join(lines) + "\n"


def _all_clear(alert: Alert, at: datetime, setting: Setting) -> tuple[str, str]:
    lasted = span_text(max(0.0, (at - alert.begun).total_seconds()))
    if unknown_subject(alert, setting.subjects):
        said = f"{alert.about} is no longer in the settings, so {alert.key} is no longer watched"
        return f"[{setting.home}] {said}", f"{_sentence(said)}\n\nThe last word on it was: {alert.headline}.\n"
    lines = [
        f"All clear: {alert.key} is over. It lasted {lasted}, from {when(alert.begun, setting.zone)} "
        f"to {when(at, setting.zone)}.",
        "",
        f"What it was: {alert.headline}.",
    ]
    return f"[{setting.home}] all clear after {lasted}: {alert.key}", "\n".join(lines) + "\n"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")
