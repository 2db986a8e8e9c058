"""Small charts as SVG markup: nights as bars, a line with its trend, a strip of days. Pure.

Only shapes are drawn; words and figures stand around them in HTML, so that the shapes may stretch to any width.
Colours come from the page's own classes, which follow light and dark.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

HEIGHT = 100.0
MARKED = 9.0  # the top of a column that went wrong; bars end below it
HIGHEST = HEIGHT - MARKED - 3
SLIVER = 2.5  # so high is a bar at least whose night had a run: little beside much is still seen to have been
MOST_TENFOLDS = 6  # of an axis: with more, its marks would touch each other


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar: its value (0 or more), what it says when pointed at, and what came of it (its class in the page)."""

    value: float
    title: str
    kind: str = "good"


@dataclass(frozen=True, slots=True)
class LogScale:
    """An axis on which each mark stands for ten times the one below. What is at `low` or less is a sliver."""

    low: float
    high: float

    @classmethod
    def of(cls, values: Iterable[float]) -> LogScale:
        """The scale on which all `values` have room, and all but the least stand out from the bottom."""
        some = sorted(value for value in values if value > 0) or [1.0]
        decade = 10.0 ** math.floor(math.log10(some[-1]))
        high = next(decade * step for step in (1, 2, 5, 10) if decade * step >= some[-1])
        # By the least but a tenth of them: a few odd nights with next to nothing must not push all others to the top.
        low = 10.0 ** math.floor(math.log10(some[len(some) // 10] / 2))
        return cls(min(max(low, decade / 10**MOST_TENFOLDS), decade / 10), high)

    def height(self, value: float) -> float:
        """How high `value` stands, from SLIVER to HIGHEST."""
        if value <= self.low:
            return SLIVER
        share = math.log10(value / self.low) / math.log10(self.high / self.low)
        return min(HIGHEST, max(SLIVER, HIGHEST * share))

    @property
    def marks(self) -> list[tuple[float, float]]:
        """Value and height of each mark, from the top down."""
        count = math.floor(math.log10(self.high / self.low) + 1e-9)
        span = math.log10(self.high / self.low)
        return [(self.low * 10**step, HIGHEST * step / span) for step in range(count, -1, -1)]


def bars(values: Sequence[Bar], scale: LogScale, label: str) -> Markup:
    """A bar for each value, on `scale`; what went wrong has a field of its own behind it and a mark on top."""
    width = max(1, len(values))
    parts = [
        f'<line class="grid" x1="0" x2="{width}" y1="{HEIGHT - height:.1f}" y2="{HEIGHT - height:.1f}"/>'
        for _, height in scale.marks
    ]
    for place, bar in enumerate(values):
        height = scale.height(bar.value) if bar.kind != "none" else 0.0
        # Not by colour alone: a night that went wrong fills its column to the top, one that did in part has the top.
        wrong = f'<rect class="wrong" x="{place:g}" y="0" width="1" height="{HEIGHT:g}"/>' if bar.kind == "bad" else ""
        mark = (
            f'<rect class="mark" x="{place:g}" y="0" width="1" height="{MARKED:g}"/>'
            if bar.kind in ("bad", "part")
            else ""
        )
        parts.append(
            f'<g class="{bar.kind}"><title>{escape(bar.title)}</title>'
            f'<rect class="touch" x="{place:g}" y="0" width="1" height="{HEIGHT:g}"/>{wrong}'
            f'<rect class="bar" x="{place + 0.12:g}" y="{HEIGHT - height:.1f}" width="0.76" height="{height:.1f}"/>'
            f"{mark}</g>"
        )
    return _svg("".join(parts), width, label)


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
    half = '<line class="grid" x1="0" x2="100" y1="50" y2="50"/>'
    return _svg(half + parts + '<line class="top" x1="0" y1="0" x2="100" y2="0"/>', 100, label)


def strip(days: Sequence[Bar], label: str) -> Markup:
    """A field for each day: filled from below by its share, 0 to 1; a hollow one if nothing was asked."""
    parts = []
    for place, day in enumerate(days):
        height = HEIGHT * min(1.0, day.value) if day.kind != "none" else 0.0
        parts.append(
            f'<g class="{day.kind}"><title>{escape(day.title)}</title>'
            f'<rect class="field" x="{place + 0.05:g}" y="0" width="0.9" height="{HEIGHT:g}"/>'
            f'<rect class="bar" x="{place + 0.05:g}" y="{HEIGHT - height:.1f}" width="0.9" height="{height:.1f}"/></g>'
        )
    return _svg("".join(parts), max(1, len(days)), label)


def _svg(inside: str, width: float, label: str) -> Markup:
    return Markup(
        f'<svg role="img" aria-label="{escape(label)}" viewBox="0 0 {width:g} {HEIGHT:g}" '
        f'preserveAspectRatio="none">{inside}</svg>'
    )
