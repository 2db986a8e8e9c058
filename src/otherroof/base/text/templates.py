"""Reads a room's templates, in the one way for all of them: pages, mails, sheets, and the files of a kit.

Apart from `words`, because jinja2 takes its time: only what makes a document imports this. It knows no document.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import zip_longest
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from otherroof.base.units import unbroken

_HELD = Markup('<span style="display:inline-block;max-width:100%">')
_CODE_ENDS, _HELD_ENDS = Markup("</code>"), Markup("</span>")
_MARKS = (".", ",", ";", ":", "?", ")")


def templates_of(
    package: str, finalize: Callable[[Any], Any] | None = None, **filters: Callable[..., Any]
) -> Environment:
    """The templates that lie in `templates/` of a package, with its own `filters`; `finalize` sees every value last.

    Values are escaped in `.html.j2` alone: all others become plain text, or files in which that would be wrong.
    """
    made = Environment(
        loader=PackageLoader(package),
        autoescape=lambda name: name is not None and name.endswith(".html.j2"),
        # A name that a template misspells is an error here, not an empty word in a mail or in root's script over there.
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        finalize=finalize,
    )
    made.filters.update(filters)
    return made


def units_held(value: object) -> object:
    """A value as a browser or mail reader should get it: it breaks lines by itself, and not between number and unit."""
    if not isinstance(value, str):
        return value
    return Markup(unbroken(value)) if isinstance(value, Markup) else unbroken(value)


def with_commands(text: str, style: str = "") -> Markup:
    """`text` for HTML, with what stands between backticks as a command; `style` for mail, which has no style sheet. A
    command stands on one line if it fits there, and what ends its sentence stays with it."""
    begin = Markup('<code style="{}">').format(style) if style else Markup("<code>")
    parts = text.split("`")
    shown = [escape(parts[0])]
    for command, after in zip_longest(parts[1::2], parts[2::2], fillvalue=""):
        mark = after[:1] if after.startswith(_MARKS) else ""
        shown += [_HELD, begin, escape(command), _CODE_ENDS, escape(mark), _HELD_ENDS, escape(after[len(mark) :])]
    return Markup("").join(shown)
