"""Writes roff for man pages: headings, paragraphs and lists of terms, as man(7) has them.

It must not know what the page is about.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

# groff_char(7): these letters would be set as typographic ones (a hyphen, curly quotes, raised signs), and no shell
# understands those.
_SPOILT = str.maketrans({"\\": r"\e", "-": r"\-", "'": r"\(aq", "`": r"\(ga", "^": r"\(ha", "~": r"\(ti"})


def plain(text: str) -> str:
    """`text` on one line that roff prints as it stands: a hyphen stays the one on the keyboard, for people copy from
    man pages into shells, and a dot at the beginning begins no request."""
    line = " ".join(text.split()).translate(_SPOILT)
    return rf"\&{line}" if line.startswith(".") else line


def bold(text: str) -> str:
    """`text` in bold, within a line."""
    return rf"\fB{plain(text)}\fR"


def title(name: str, section: int, version: str, manual: str) -> list[str]:
    """The page's head and foot. It has no date of its own: the version says how old it is."""
    return [f'.TH {plain(name.upper())} {section} "" "{_quoted(version)}" "{_quoted(manual)}"']


def heading(text: str) -> list[str]:
    """The heading of a section."""
    return [f'.SH "{_quoted(text.upper())}"']


def subheading(text: str) -> list[str]:
    """A heading within a section."""
    return [f'.SS "{_quoted(text)}"']


def paragraphs(texts: Sequence[str]) -> list[str]:
    """Paragraphs right below a heading, filled by whoever prints them."""
    # The first needs no request: a heading begins a paragraph by itself.
    return [line for text in texts for line in (".PP", plain(text))][1:]


def terms(rows: Iterable[tuple[str, str]]) -> list[str]:
    """A list of terms in bold, each with what it means indented below it."""
    return [line for term, meaning in rows for line in (".TP", bold(term), plain(meaning) or r"\&")]


def _quoted(text: str) -> str:
    # Within a quoted argument roff takes two quotes for one.
    return plain(text).replace('"', '""')
