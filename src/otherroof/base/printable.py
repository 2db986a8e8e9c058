"""Text that came from outside, made safe to print: what a terminal would act upon is written as an escape.

Names of files, another machine's words and what a library quotes of them may hold control characters, which move a
terminal's cursor or begin a new line in a log. Pure; what becomes an error, a finding or a table passes here.
"""

from __future__ import annotations

LONGEST = 2_000  # characters of a message; a library's or a far box's words may be megabytes


def escaped(text: str) -> str:
    """`text` with everything escaped that is not printable."""
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() else _escape(letter) for letter in text)


def one_line(text: str) -> str:
    """`text` on one line, escaped; cut if it is longer than anybody would read. White space becomes one space."""
    if len(text) > LONGEST:
        text = f"{text[:LONGEST]}… ({len(text):,} characters)"
    return escaped(" ".join(text.split()))


def _escape(letter: str) -> str:
    return letter.encode("unicode_escape").decode()
