"""Shows a digest: as plain text, as HTML that mail programs show, and in the one line of a subject.

Everything that is worded for both is worded here once; the templates only lay it out. HTML for mail is tables
and inline styles: no scripts, no style sheets, nothing from outside.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from functools import lru_cache, partial

from jinja2 import Environment

from otherroof.base.local_time import day_text, moment_text, short_day_name
from otherroof.base.text.templates import templates_of, units_held, with_commands
from otherroof.base.text.words import fold, list_text
from otherroof.base.units import count_text, mbit_text, percent_text, size_text, span_text
from otherroof.copying.report import outcome_text
from otherroof.ledger.alerts import Alert
from otherroof.watch.digest.values import Copies, Digest, FarReport, JobReport, Night, RunTotals, UnprotectedFolders
from otherroof.watch.rules import is_event

WIDTH = 76
BAR_HEIGHT = 40
VERDICT_WORDS = {
    "safe": "All well",
    "look": "Safe, but something needs a hand",
    "first": "First copy under way",
    "unsafe": "Not safe",
}
# Below a night's bar: the same signs on the page.
_NIGHT_SIGNS = {"good": "", "building": "+", "part": "×", "bad": "×", "none": "–"}
_CODE_STYLE = "font-family:monospace;background:#eceff1;color:#1f2933"
_DAYS = ("Mo", "Tu", "We", "Th", "Fr", "Sa", "Su")


def as_text(digest: Digest) -> str:
    """The digest as plain text, at most 76 columns unless something longer must stay whole."""
    return _templates(None).get_template("digest.txt.j2").render(digest=digest, say=DigestText(digest))


def as_html(digest: Digest) -> str:
    """The digest as an HTML document for mail."""
    return _templates(units_held).get_template("digest.html.j2").render(digest=digest, say=DigestText(digest))


def verdict_words(digest: Digest) -> str:
    """The verdict in a few words."""
    words = VERDICT_WORDS[digest.verdict]
    return f"{words}, and something needs a hand" if digest.verdict == "first" and digest.hands else words


def subject(digest: Digest) -> str:
    """The digest in a line."""
    return f"[{digest.home}] {verdict_words(digest)} (week to {day_text(digest.at, digest.zone)})"


@lru_cache(maxsize=2)
def _templates(finalize: Callable[[object], object] | None) -> Environment:
    code = partial(with_commands, style=_CODE_STYLE)
    return templates_of("otherroof.watch.digest", finalize, size=size_text, span=span_text, wrap=wrap, code=code)


def wrap(text: str, indent: int = 0, hang: int = 0) -> str:
    """`text` in lines of at most 76 columns, indented, later lines by `hang` more; commands and paths stay whole."""
    return fold(text, WIDTH, first=" " * indent, later=" " * (indent + hang))


class DigestText:
    """The words of one digest, in its household's zone."""

    def __init__(self, digest: Digest) -> None:
        self._digest = digest
        self._zone = digest.zone

    def when(self, moment: datetime) -> str:
        """A moment."""
        return moment_text(moment, self._zone)

    def day(self, moment: datetime) -> str:
        """A day."""
        return day_text(moment, self._zone)

    def newest(self, job: JobReport) -> str:
        """The newest good copy, its age, and whether the promise is kept."""
        promise = f"promise {span_text(job.promise_s)}"
        if job.first:
            return f"none yet; {job.first}"
        if job.newest is None or job.age_s is None:
            return f"none yet ({promise})"
        kept = "kept" if job.kept else "NOT KEPT"
        return f"{self.when(job.newest)}, {span_text(job.age_s)} old ({promise}: {kept})"

    def span(self, span: RunTotals) -> str:
        """What a week's runs came to; averages if it covers several weeks."""
        if not span.runs:
            return "no runs"
        each = span.weeks > 1
        outcomes = ", ".join(f"{count} {outcome_text(outcome)}" for outcome, count in span.outcomes.items())
        files, sent = round(span.files / span.weeks), span.sent / span.weeks
        runs = f"{span.runs / span.weeks:.1f} runs" if each else count_text(span.runs, "run")
        said = [f"{runs} ({outcomes} in all)" if each else f"{runs} ({outcomes})"]
        # Files count once a run is whole: of a first copy that goes on night by night there are none yet.
        said.append(
            f"{count_text(files, 'file')} and {size_text(sent)} sent"
            if files or not sent
            else f"{size_text(sent)} sent"
        )
        if span.mean_s is not None:
            said.append(f"{span_text(span.mean_s)} a run")
        if span.mean_mbit is not None:
            said.append(f"{mbit_text(span.mean_mbit)} while sending")
        return "; ".join(said)

    def before(self, job: JobReport) -> str:
        """The four weeks before, a week on average."""
        if job.before is None:
            return "no runs yet"
        return self.span(job.before)

    def growth(self, job: JobReport) -> str:
        """Whether the nights grow heavier; empty if no direction is clear."""
        if not job.growth:
            return ""
        way = "more" if job.growth > 0 else "less"
        return f"{size_text(abs(job.growth))} a night {way} with each week"

    def copies(self, copies: Copies) -> str:
        """How many of three copies, two kinds of media, one elsewhere, as far as it can be known."""
        places = ["here"]
        places += [f"under the roof of {roof}" for roof in copies.roofs]
        places += [f"{text}, as the settings say" for text in copies.told]
        elsewhere = "One elsewhere: yes" if copies.roofs else "One elsewhere: no"
        kinds = "Two kinds of media: not known here"
        if copies.count == 1:
            kinds = "Two kinds of media: no"
        return f"{min(copies.count, 3)} of 3 copies ({'; '.join(places)}). {kinds}. {elsewhere}"

    def answers(self, far: FarReport) -> str:
        """The share of probes answered, and when it was last silent."""
        if not far.probes:
            share = "not probed this week"
        else:
            percent = percent_text(far.answered / far.probes)
            share = f"{far.answered:,} of {count_text(far.probes, 'probe')} answered ({percent})"
        silent = f"; last unanswered {self.when(far.silent_at)}" if far.silent_at else ""
        answered = f"last answered {self.when(far.answered_at)}" if far.answered_at else "has never answered"
        return f"{share}{silent}; {answered}"

    def space(self, far: FarReport) -> str:
        """What is free, of how much."""
        if far.free is None or far.total is None:
            return "not known yet"
        share = f" ({percent_text(far.free / far.total)})" if far.total else ""
        return f"{size_text(far.free)} free of {size_text(far.total)}{share}"

    def full(self, far: FarReport) -> str:
        """When the disk will be full."""
        if far.free is None:
            return "not known yet"
        if far.full is None:
            return "no day in sight: the last weeks show no steady growth, or there are too few of them"
        if far.full.likely <= self._digest.at:
            return "now"
        return f"{far.full.words(self._digest.zone)}, if it goes on as in the last weeks"

    def names(self, folders: UnprotectedFolders) -> str:
        """Folders without a job, beside those that have one."""
        return list_text(folders.names, 12)

    def ended(self) -> Sequence[str]:
        """What was told this week and is over."""
        return [self._ended(alert, alert.ended) for alert in self._digest.over if alert.ended is not None]

    def _ended(self, alert: Alert, ended: datetime) -> str:
        if is_event(alert.rule, alert.mark):
            return f"{alert.headline} (told {self.when(alert.raised)})"
        lasted = span_text(max(0.0, (ended - alert.begun).total_seconds()))
        return f"{alert.headline}; over since {self.when(ended)}, it lasted {lasted}"

    def absence(self) -> str:
        """Why this digest comes also when all is well."""
        due = self._digest.next_due
        words = "This digest comes also when all is well, so that its absence means something."
        if due is None:
            return words
        return (
            f"{words} The next one is due {self.when(due)}. If it does not come within the day, treat that as an "
            f"alarm: look whether {self._digest.home} is on, then `systemctl status otherroof` there."
        )

    def heaviest(self, nights: Sequence[Night]) -> str:
        """The heaviest night in words, for those who cannot see bars."""
        most = max(nights, key=lambda one: one.sent, default=None)
        if most is None or most.sent == 0:
            return "nothing sent"
        return f"{size_text(most.sent)} in the night to {self.night(most)}"

    def night(self, night: Night) -> str:
        """A night's name: the day of its morning."""
        return short_day_name(night.day)

    def bars(self, nights: Sequence[Night]) -> list[tuple[int, str, str]]:
        """For each night the bar's height in pixels, a letter pair for its day, and a sign if it went wrong."""
        most = max((night.sent for night in nights), default=0)
        return [
            (
                max(1, round(BAR_HEIGHT * night.sent / most)) if most and night.sent else 1,
                _DAYS[night.day.weekday()],
                _NIGHT_SIGNS[night.state],
            )
            for night in nights
        ]
