"""Finds what departs from the one way in which figures, counts and lines are written. Text in, departures out.

For screens, mails and pages as people see them; what the source itself may not do, `tests/unit/test_house.py` has.
"""

from __future__ import annotations

import re
from html.parser import HTMLParser

# Things that are counted on screens. A noun that is missing here goes unnoticed in the singular only.
NOUNS = (
    *("alert", "change", "copy", "day", "disk", "entry", "far box", "field", "file", "folder", "hour", "job", "line"),
    *("link", "listing", "message", "minute", "mistake", "night", "path", "probe", "problem", "run", "second"),
    *("state", "thing", "time", "try", "version", "week", "year"),
)
# After a 1 these are no plurals.
_VERBS = "is|was|has|needs|goes|stays|waits|makes|takes|holds|brings|says|less|does"
_BEFORE = r"(?<![\w.,:/–-])"
_SIZE = re.compile(rf"{_BEFORE}(\d[\d,.]*) ?(k?M?G?T?P?B)\b")
_RATE = re.compile(rf"{_BEFORE}(\d[\d,.]*) ?Mbit/s")
_UNITS = r"(?:[kMGTP]?B|Mbit/s|m?s|min|h|d|%|(?:hour|day|night|week)s?)(?!\w)"

_RULES = {
    "one of them is no plural": re.compile(rf"{_BEFORE}1 (?!(?:{_VERBS})\b)[a-z]{{2,}}s\b(?!s)"),
    "more than one is a plural": re.compile(rf"{_BEFORE}(?!1 )(?:0|[1-9][\d,]*) (?:{'|'.join(NOUNS)})\b(?!-)"),
    "thousands have commas": re.compile(rf"{_BEFORE}(?!(?:19|20|21)\d\d(?!\d))\d{{4,}}(?![\w:/.-])"),
    "a percent sign has a space before it": re.compile(r"\d%"),
    "no plural in brackets": re.compile(r"[a-z]\(s\)"),
    "a day of a month is a bare number": re.compile(r"\b\d{1,2}(?:st|nd|rd|th)\b"),
    "hours go to 24": re.compile(r"\d ?[ap]\.?m\b\.?"),
    "a number and its unit stand on one line": re.compile(rf"\d\n\s*{_UNITS}"),
    "a time stands on one line": re.compile(r"\d (?:d|h|min)\n\s*\d+ (?:h|min|s)\b"),
}
RUN_NAME = re.compile(r"\d{4}-\d\d-\d\dT\d{6}Z")


def departures(text: str, columns: int = 0) -> list[str]:
    """What in `text` is written in another way, each with what stands there; `columns`: no line may be longer."""
    found = [f"{rule}: {_around(text, match)}" for rule, shape in _RULES.items() for match in shape.finditer(text)]
    found += [f"a size has three figures: {_around(text, one)}" for one in _SIZE.finditer(text) if not _is_size(one)]
    found += [
        f"a rate has two decimals: {_around(text, one)}"
        for one in _RATE.finditer(text)
        if not re.fullmatch(r"[\d,]+\.\d\d", one[1]) or one[0] != f"{one[1]} Mbit/s"
    ]
    if RUN_NAME.search(text) and "UTC" not in text:
        found.append("names of runs are in UTC, and nothing says so")
    if columns:
        found += [f"longer than {columns} columns: {line}" for line in text.splitlines() if len(line) > columns]
    return found


def broken_words(narrow: str, wide: str) -> list[str]:
    """Words of `narrow` that are not those of the same text in `wide` lines: they were broken within."""
    ours, theirs = narrow.split(), wide.split()
    return [f"{a} instead of {b}" for a, b in zip(ours, theirs, strict=False) if a != b] or (
        [] if len(ours) == len(theirs) else [f"{len(ours)} words instead of {len(theirs)}"]
    )


def _is_size(match: re.Match[str]) -> bool:
    number, unit = match[1], match[2]
    if match[0] != f"{number} {unit}":
        return False
    return bool(re.fullmatch(r"\d{1,3}" if unit == "B" else r"\d\.\d\d|\d\d\.\d|\d{3}", number))


def _around(text: str, match: re.Match[str]) -> str:
    return repr(text[max(0, match.start() - 20) : match.end() + 20])


class _Reader(HTMLParser):
    """Reads a page as somebody would who sees no shapes: a block a line, cells of a table in one."""

    BLOCKS = frozenset(
        ("p", "div", "section", "figure", "h1", "h2", "h3", "tr", "li", "dt", "summary", "header", "footer", "br")
    )
    UNSEEN = frozenset(("style", "script", "svg", "title"))

    def __init__(self) -> None:
        super().__init__()
        self.lines = [""]
        self._unseen = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._unseen += tag in self.UNSEEN
        if tag in self.BLOCKS:
            self.lines.append("")
        elif tag in ("td", "th", "dd", "span"):
            self.lines[-1] += "  "

    def handle_endtag(self, tag: str) -> None:
        self._unseen -= tag in self.UNSEEN
        if tag in self.BLOCKS:
            self.lines.append("")

    def handle_data(self, data: str) -> None:
        if not self._unseen:
            self.lines[-1] += " ".join(data.replace("\N{NO-BREAK SPACE}", " ").split(" ")).replace("\n", " ")


def text_of(page: str) -> str:
    """What a page says, a block a line."""
    reader = _Reader()
    reader.feed(page)
    return "".join(f"{' '.join(line.split())}\n" for line in reader.lines if line.strip())
