"""Small charts as SVG markup: bars, a line with its trend, a strip of days. Pure.

Only shapes are drawn; words and figures stand around them in HTML, so that the shapes may stretch to any width.
Colours come from the page's own classes, which follow light and dark.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

HEIGHT = 100.0


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar: its value (0 or more), what it says when pointed at, and its class: `good`, `bad` or `none`."""

    value: float
    title: str
    kind: str = "good"


def bars(values: Sequence[Bar], label: str) -> Markup:
    """A bar for each value, the largest as high as the chart; if there was a run, at least a sliver shows."""
    most = max((bar.value for bar in values), default=0.0) or 1.0
    parts = []
    for place, bar in enumerate(values):
        # A night with little beside one with much is still seen to have been.
        height = max(1.5, HEIGHT * bar.value / most) if bar.kind != "none" else 0.0
        parts.append(
            f'<g class="{bar.kind}"><title>{escape(bar.title)}</title>'
            f'<rect class="touch" x="{place}" y="0" width="1" height="{HEIGHT:g}"/>'
            f'<rect x="{place + 0.1:g}" y="{HEIGHT - height:.1f}" width="0.8" height="{height:.1f}"/>'
            + (_cross(place) if bar.kind == "bad" else "")
            + "</g>"
        )
    return _svg("".join(parts), max(1, len(values)), label)


def _cross(place: int) -> str:
    # Not by colour alone: a night that went wrong has a mark at the top.
    return f'<rect class="mark" x="{place + 0.1:g}" y="0" width="0.8" height="4"/>'


def line(
    points: Sequence[tuple[float, float]], most: float, ahead: Sequence[tuple[float, float]], label: str
) -> Markup:
    """A line through `points` (x, y) below a ceiling at `most`, and a dashed one through `ahead`, if it goes."""
    every = [*points, *ahead]
    if not every or most <= 0:
        return _svg("", 1, label)
    low, high = min(x for x, _ in every), max(x for x, _ in every)
    width = max(high - low, 1e-9)

    def path(some: Sequence[tuple[float, float]]) -> str:
        return " ".join(f"{100 * (x - low) / width:.2f},{HEIGHT - HEIGHT * min(y, most) / most:.2f}" for x, y in some)

    first = 100 * (points[0][0] - low) / width if points else 0.0
    last = 100 * (points[-1][0] - low) / width if points else 0.0
    area = f"{first:.2f},{HEIGHT:g} {path(points)} {last:.2f},{HEIGHT:g}"
    parts = f'<polygon class="area" points="{area}"/><polyline class="line" points="{path(points)}"/>'
    if ahead:
        parts += f'<polyline class="ahead" points="{path(ahead)}"/>'
    return _svg(parts + '<line class="top" x1="0" y1="0" x2="100" y2="0"/>', 100, label)


def strip(days: Sequence[Bar], label: str) -> Markup:
    """A field for each day: filled from below by its share, 0 to 1; a hollow one if nothing was asked."""
    parts = []
    for place, day in enumerate(days):
        height = HEIGHT * min(1.0, day.value) if day.kind != "none" else 0.0
        parts.append(
            f'<g class="{day.kind}"><title>{escape(day.title)}</title>'
            f'<rect class="field" x="{place + 0.05:g}" y="0" width="0.9" height="{HEIGHT:g}"/>'
            f'<rect x="{place + 0.05:g}" y="{HEIGHT - height:.1f}" width="0.9" height="{height:.1f}"/></g>'
        )
    return _svg("".join(parts), max(1, len(days)), label)


def _svg(inside: str, width: float, label: str) -> Markup:
    return Markup(
        f'<svg role="img" aria-label="{escape(label)}" viewBox="0 0 {width:g} {HEIGHT:g}" '
        f'preserveAspectRatio="none">{inside}</svg>'
    )
