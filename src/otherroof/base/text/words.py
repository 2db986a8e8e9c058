"""Lists, lines and outside text as a household reads them. Text only, the same for alerts, digest, page and verbs.

Moments and days are worded in `base.local_time`, counts and other figures in `base.units`.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

from otherroof.base.units import unbroken

_NO_BREAK = "\N{NO-BREAK SPACE}"
_COMMAND = re.compile(r"`[^`]+`")


def fold(text: str, width: int, *, first: str = "", later: str = "") -> str:
    """`text` in lines of at most `width` columns, broken between words: never within one, nor between a number and its
    unit, nor within a command in backticks, since it is copied from there. `first` and `later` stand before the first
    line and those after it. What is longer than a line stays whole, and the terminal breaks it without a new line."""
    held = _COMMAND.sub(lambda found: found[0].replace(" ", _NO_BREAK), text)
    lines = textwrap.fill(
        unbroken(held),
        width,
        initial_indent=first,
        subsequent_indent=later,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return lines.replace(_NO_BREAK, " ")


def list_text(names: Sequence[str], most: int = 6) -> str:
    """`a`, `a and b`, `a, b and c`; of a long list the first ones and how many follow."""
    if len(names) > most:
        return f"{', '.join(names[:most])} and {len(names) - most} more"
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"


def sentence(text: str) -> str:
    """`text` as a sentence: a capital first, and a full stop if it ends in no mark of its own."""
    return text[:1].upper() + text[1:] + ("" if not text or text.endswith((".", "?")) else ".")


def printable(text: str) -> str:
    """`text` on one line that any channel can carry, whatever a file name or another machine put into it."""
    # Control characters could move a terminal's cursor, or begin a new header in a mail; halves of surrogates are no
    # text.
    shown = "".join(letter if letter.isprintable() else " " for letter in text)
    return " ".join(shown.encode("utf-8", "replace").decode("utf-8").split())
