"""Reads a room's templates, in the one way for all of them: pages, mails, sheets, and the files of a kit.

Apart from `words`, because jinja2 takes its time: only what makes a document imports this. It knows no document.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from otherroof.base.units import unbroken


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
    """`text` for HTML, with what stands between backticks as a command; `style` for mail, which has no style sheet."""
    begin = Markup('<code style="{}">').format(style) if style else Markup("<code>")
    parts = text.split("`")
    shown = [begin + part + Markup("</code>") if place % 2 else escape(part) for place, part in enumerate(parts)]
    return Markup("").join(shown)
