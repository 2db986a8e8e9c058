"""Shows the digest and its history as one static page that needs nothing else: no scripts, nothing from outside."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, time
from functools import lru_cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from otherroof.base.units import size_text, span_text
from otherroof.watch.digest.render import DigestText, verdict_words
from otherroof.watch.digest.values import Digest, FarReport, Night
from otherroof.watch.page.history import FarHistory, History, ProbeDay
from otherroof.watch.page.svg import Bar, bars, line, strip
from otherroof.watch.words import count_text, day_text, short_day_text

_DAY_S = 86_400.0


def as_page(digest: Digest, history: History) -> str:
    """The page as an HTML document."""
    return (
        _environment()
        .get_template("page.html.j2")
        .render(
            digest=digest,
            say=DigestText(digest),
            draw=PageCharts(digest, history),
            verdict=verdict_words(digest),
        )
    )


@lru_cache(maxsize=1)
def _environment() -> Environment:
    made = Environment(
        loader=PackageLoader("otherroof.watch.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["size"] = size_text
    made.filters["span"] = span_text
    made.filters["code"] = code
    return made


def code(text: str) -> Markup:
    """`text` for the page, with what stands between backticks as a command."""
    parts = text.split("`")
    shown = [Markup("<code>{}</code>").format(part) if place % 2 else escape(part) for place, part in enumerate(parts)]
    return Markup("").join(shown)


class PageCharts:
    """The charts of one page, with the words that stand around them."""

    def __init__(self, digest: Digest, history: History) -> None:
        self._digest = digest
        self._history = history

    def all_nights(self) -> Markup:
        """Bytes a night of all jobs."""
        return self._nights(self._history.nights, "bytes sent a night, all jobs")

    def job_nights(self, name: str) -> Markup:
        """Bytes a night of one job."""
        return self._nights(self._history.jobs[name], f"bytes sent a night, job {name}")

    def most(self, name: str = "") -> str:
        """The heaviest night's bytes: what the highest bar stands for."""
        nights = self._history.jobs[name] if name else self._history.nights
        return size_text(max((night.sent for night in nights), default=0))

    def first_night(self) -> str:
        """The day that the nights begin with."""
        return self._day(self._history.nights[0].day)

    def last_night(self) -> str:
        """The day that the nights end with."""
        return self._day(self._history.nights[-1].day)

    def has_space(self, far: FarReport) -> bool:
        """Whether there is a history of space to draw."""
        return len(self._history.fars[far.name].space) > 1

    def space(self, far: FarReport) -> Markup:
        """Bytes used over the last year, and where the trend leads."""
        marks = self._of(far).space
        points = [(mark.at.timestamp() / _DAY_S, float(mark.total - mark.free)) for mark in marks]
        total = float(far.total or 0)
        ahead = []
        if far.full is not None:
            until = min(far.full.likely.timestamp() / _DAY_S, points[-1][0] + (points[-1][0] - points[0][0] or 1))
            share = (until - points[-1][0]) / max(far.full.likely.timestamp() / _DAY_S - points[-1][0], 1e-9)
            ahead = [points[-1], (until, points[-1][1] + min(1.0, share) * (total - points[-1][1]))]
        return line(points, total, ahead, f"space used on the disk of {far.name}")

    def space_from(self, far: FarReport) -> str:
        """The day that the space's history begins with."""
        return day_text(self._of(far).space[0].at, self._digest.zone)

    def space_to(self, far: FarReport) -> str:
        """The day that the drawing ends with."""
        marks = self._of(far).space
        if far.full is None:
            return day_text(marks[-1].at, self._digest.zone)
        ahead = min((far.full.likely - marks[-1].at), (marks[-1].at - marks[0].at))
        return day_text(marks[-1].at + ahead, self._digest.zone)

    def probes(self, far: FarReport) -> Markup:
        """The share of probes answered, day by day."""
        days = [
            Bar(
                day.answered / day.asked if day.asked else 0.0,
                self._probe_title(day),
                "none" if not day.asked else "good" if day.answered == day.asked else "bad",
            )
            for day in self._of(far).probes
        ]
        return strip(days, f"share of probes that {far.name} answered, day by day")

    def probes_from(self, far: FarReport) -> str:
        """The day that the probes' history begins with."""
        return self._day(self._of(far).probes[0].day)

    def _of(self, far: FarReport) -> FarHistory:
        return self._history.fars[far.name]

    def _nights(self, nights: Sequence[Night], label: str) -> Markup:
        return bars([Bar(float(night.sent), self._night_title(night), _kind(night)) for night in nights], label)

    def _night_title(self, night: Night) -> str:
        said = {None: "no run", True: size_text(night.sent), False: f"{size_text(night.sent)}, no good copy"}
        return f"{self._day(night.day)}: {said[night.good]}"

    def _probe_title(self, probes: ProbeDay) -> str:
        said = f"{probes.answered} of {count_text(probes.asked, 'probe')} answered" if probes.asked else "not asked"
        return f"{self._day(probes.day)}: {said}"

    def _day(self, day: date) -> str:
        return short_day_text(datetime.combine(day, time(12), self._digest.zone).astimezone(UTC), self._digest.zone)


def _kind(night: Night) -> str:
    return "none" if night.good is None else "good" if night.good else "bad"
