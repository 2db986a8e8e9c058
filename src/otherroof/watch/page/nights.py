"""The nights of one chart, with the words and figures that stand around it. Pure: nights in, a chart out.

Everything that a shape shows is said in words or figures too: on a phone nothing can be pointed at.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from otherroof.base.local_time import short_day_name
from otherroof.base.text.words import list_text
from otherroof.base.units import count_text, size_text
from otherroof.watch.digest.nights import since_first
from otherroof.watch.digest.values import Night
from otherroof.watch.page.svg import HEIGHT, Bar, LogScale, bars

MOST_NAMED = 8
LEAST_NIGHTS = 28


@dataclass(frozen=True, slots=True)
class NightChart:
    """A chart of nights: its shape, the marks of its axis (words, and how far below the top in percent), the days it
    begins and ends with, its figures in a sentence, the nights that went wrong in another (empty if none did), and a
    row of words for each night, the newest first."""

    shape: Markup
    marks: Sequence[tuple[str, float]]
    first_day: str
    last_day: str
    figures: str
    wrong: str
    rows: Sequence[tuple[str, str, str]]


def night_chart(nights: Sequence[Night], about: str) -> NightChart:
    """The chart of `nights`, oldest first. `about`: whose they are."""
    lived = since_first(nights)
    # A young job has no empty weeks drawn before it, beyond a few.
    nights = nights[-max(LEAST_NIGHTS, len(lived)) :]
    scale = LogScale.of(night.sent for night in nights)
    shown = [Bar(float(night.sent), f"{short_day_name(night.day)}: {_said(night)}", night.state) for night in nights]
    return NightChart(
        shape=bars(shown, scale, f"bytes sent a night, {about}"),
        marks=[(size_text(value), HEIGHT - height) for value, height in scale.marks],
        first_day=short_day_name(nights[0].day),
        last_day=short_day_name(nights[-1].day),
        figures=_figures(lived),
        wrong=_wrong(lived),
        rows=[(short_day_name(night.day), size_text(night.sent), what_came(night)) for night in reversed(lived)],
    )


def what_came(night: Night) -> str:
    """What came of a night, in a few words."""
    return {
        "good": "good copy",
        "building": "part of a first copy",
        "part": f"no good copy of {list_text(night.lacking)}",
        "bad": "no good copy",
        "none": "no run",
    }[night.state]


def _said(night: Night) -> str:
    return "no run" if night.state == "none" else f"{size_text(night.sent)}, {what_came(night)}"


def _figures(nights: Sequence[Night]) -> str:
    """The last night, a usual one and the heaviest, in bytes."""
    ran = [night for night in nights if night.state != "none"]
    if not ran:
        return "no run yet"
    most = max(ran, key=lambda night: night.sent)
    usual = statistics.median(night.sent for night in ran)
    last = f"last night: {_said(nights[-1])}"
    return f"{last}; usual: {size_text(usual)} (median); most: {size_text(most.sent)} on {short_day_name(most.day)}"


def _wrong(nights: Sequence[Night]) -> str:
    """How many nights went wrong and which, the newest first; empty if none did."""
    wrong = [night for night in reversed(nights) if night.state in ("bad", "part")]
    if not wrong:
        return ""
    named = [
        short_day_name(night.day) + (f" ({list_text(night.lacking)})" if night.state == "part" else "")
        for night in wrong
    ]
    of = f"{len(wrong):,} of {count_text(len(nights), 'night')}"
    return f"no good copy in {of}: {list_text(named, MOST_NAMED)}"
