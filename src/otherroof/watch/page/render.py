"""Shows the digest and its history as one static page that needs nothing else: nothing is fetched.

A page that nobody writes any more must not go on saying that all is well. It grows pale by a style alone, a day after
it was opened. How old it was by then no style can know, so one short script tells the style that; it is the same on
every page, and by its digest the page lets no other run.
"""

from __future__ import annotations

import base64
import hashlib
from datetime import datetime, timedelta
from functools import lru_cache

from jinja2 import Environment
from markupsafe import Markup

from otherroof.base.clock import stamp
from otherroof.base.local_time import day_text, short_day_name, short_day_text
from otherroof.base.text.templates import templates_of, units_held, with_commands
from otherroof.base.text.words import list_text
from otherroof.base.units import count_text, percent_text, size_text, span_text
from otherroof.watch.digest.render import DigestText, verdict_words
from otherroof.watch.digest.values import Digest, FarReport
from otherroof.watch.page.history import FarHistory, History, ProbeDay
from otherroof.watch.page.nights import NightChart, night_chart
from otherroof.watch.page.svg import Bar, line, strip

_DAY_S = 86_400.0
FRESH_FOR = timedelta(days=1)
MOST_READINGS = 14  # of a far disk, in figures
# `--left`: seconds until the page is too old, from now; below 0 if it is already.
AGE_SCRIPT = (
    "const age=()=>document.documentElement.style.setProperty('--left',"
    "(Date.parse(document.body.dataset.freshUntil)-Date.now())/1000+'s');"
    "age();addEventListener('pageshow',age);document.addEventListener('visibilitychange',age)"
)


def as_page(digest: Digest, history: History) -> str:
    """The page as an HTML document."""
    return (
        _templates()
        .get_template("page.html.j2")
        .render(
            digest=digest,
            say=DigestText(digest),
            draw=PageCharts(digest, history),
            verdict=verdict_words(digest),
            fresh_until=stamp(digest.at + FRESH_FOR),
            fresh_s=round(FRESH_FOR.total_seconds()),
            script=Markup(AGE_SCRIPT),
            script_digest=base64.b64encode(hashlib.sha256(AGE_SCRIPT.encode()).digest()).decode(),
        )
    )


@lru_cache(maxsize=1)
def _templates() -> Environment:
    return templates_of(
        "otherroof.watch.page", _unbroken, size=size_text, count=count_text, span=span_text, code=with_commands
    )


def _unbroken(value: object) -> object:
    """What is written into the page, with units held to their numbers; the script as it is."""
    return value if value == AGE_SCRIPT else units_held(value)


class PageCharts:
    """The charts of one page, with the words that stand around them."""

    def __init__(self, digest: Digest, history: History) -> None:
        self._digest = digest
        self._history = history

    def all_nights(self) -> NightChart:
        """Bytes a night of all jobs."""
        return night_chart(self._history.nights, "all jobs")

    def job_nights(self, name: str) -> NightChart:
        """Bytes a night of one job."""
        return night_chart(self._history.jobs[name], f"job {name}")

    def last_day(self) -> str:
        """The day that probes end with: this one."""
        return short_day_text(self._digest.at, self._digest.zone)

    def has_space(self, far: FarReport) -> bool:
        """Whether there is a history of space to draw."""
        return len(self._history.fars[far.name].space) > 1

    def space(self, far: FarReport) -> Markup:
        """Bytes used over the last year, and where the trend leads."""
        marks = self._of(far).space
        points = [(mark.at.timestamp() / _DAY_S, float(mark.total - mark.free)) for mark in marks]
        total, used = float(far.total or 0), points[-1][1]
        ahead = []
        if far.full is not None:
            until, last = self._space_until(far), marks[-1].at
            share = (until - last) / (far.full.likely - last) if far.full.likely > last else 0.0
            ahead = [points[-1], (until.timestamp() / _DAY_S, used + share * (total - used))]
        return line(points, total, ahead, f"space used on the disk of {far.name}")

    def space_from(self, far: FarReport) -> str:
        """The day that the space's history begins with."""
        return day_text(self._of(far).space[0].at, self._digest.zone)

    def space_to(self, far: FarReport) -> str:
        """The day that the drawing ends with."""
        return day_text(self._space_until(far), self._digest.zone)

    def _space_until(self, far: FarReport) -> datetime:
        """The last reading; if the disk will be full, that day, but no farther ahead than the readings go back."""
        first, last = self._of(far).space[0].at, self._of(far).space[-1].at
        return min(far.full.likely, last + (last - first)) if far.full is not None else last

    def readings(self, far: FarReport) -> list[tuple[str, str, str]]:
        """Readings of the disk spread over its history, the newest first: day, bytes used, their share."""
        marks = list(reversed(self._of(far).space))
        step = -(-len(marks) // MOST_READINGS)
        zone = self._digest.zone
        return [
            (day_text(mark.at, zone), size_text(mark.total - mark.free), percent_text(1 - mark.free / mark.total))
            for mark in marks[::step]
            if mark.total
        ]

    def unanswered(self, far: FarReport) -> str:
        """The days on which not all probes were answered, in words, the newest first."""
        days = [day for day in reversed(self._of(far).probes) if day.answered < day.asked]
        if not any(day.asked for day in self._of(far).probes):
            return "nothing was asked in these days"
        if not days:
            return "all were answered"
        return f"not all answered: {list_text([self._probe_title(day) for day in days])}"

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
        return short_day_name(self._of(far).probes[0].day)

    def _of(self, far: FarReport) -> FarHistory:
        return self._history.fars[far.name]

    def _probe_title(self, probes: ProbeDay) -> str:
        said = f"{probes.answered:,} of {count_text(probes.asked, 'probe')}" if probes.asked else "not asked"
        return f"{short_day_name(probes.day)}: {said}"
