"""Lays a recovery sheet out: as plain text, and as one HTML page for the printer, black on white, complete in itself.

What is worded for both is worded here once; the templates only set it.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from jinja2 import Environment
from markupsafe import Markup

from otherroof.base.text.templates import templates_of, with_commands
from otherroof.base.text.words import fold
from otherroof.pairing.sheet.content import INSTALL, TAKE, SheetContent
from otherroof.pairing.sheet.letters import as_lines
from otherroof.pairing.sheet.qr import qr_svg, qr_texts

WIDTH = 92
# Said before the keys are shown, and on the sheet.
WARNING = (
    "Whoever has these letters or codes can log in to the far box as this home: read every file of the copy, replace "
    "it, or delete it with all its earlier versions; pass a spoiled copy off as a proved one; and stand in for this "
    "home in the tunnel. There is no password on them."
)
KEEP = (
    "Keep them like a passport: in a closed envelope and not in the server's house, for what takes the server must not "
    "take them along; no photo, no cloud. If they may have been seen, pair the far box anew, print a new sheet, "
    "destroy this one."
)


@dataclass(frozen=True, slots=True)
class SheetStep:
    """Words, and commands that are typed as they stand."""

    words: str
    commands: tuple[str, ...] = ()


def steps(content: SheetContent, *, with_keys: bool) -> list[SheetStep]:
    """What to do on a new machine, in order."""
    source = f" ({content.tool})" if content.tool else ""
    found = [
        SheetStep(
            f"On Debian 12 or 13, or a system made from it, in a folder with the source of Otherroof {content.version} "
            f"or later{source}:",
            INSTALL,
        )
    ]
    found += [SheetStep(words) for words in content.preparations]
    if with_keys:
        words = (
            "This asks for the letters of this sheet line by line, upper or lower case, and names the group with a "
            "slip. If a telephone has read the codes into a file, add `--text FILE`:"
        )
        found.append(SheetStep(words, (TAKE,)))
    else:
        words = (
            "Put the settings folder with its keys back as /etc/otherroof. They are not on this sheet: they are kept "
            "apart, on a recovery sheet with keys or a stick."
        )
        found.append(SheetStep(words))
    found.append(SheetStep("Try the way; the far box may take minutes to find this machine:", tuple(content.probes)))
    found.append(
        SheetStep(
            "Get the files back; what stopped early goes on with `--if-there keep` behind it:", tuple(content.restores)
        )
    )
    return found


def as_text(content: SheetContent, groups: Sequence[str] | None = None) -> str:
    """The sheet as text of at most 92 columns; with the keys if their `groups` are given."""
    return _render("sheet.txt.j2", content, groups, [])


def as_html(content: SheetContent, groups: Sequence[str] | None = None) -> str:
    """The sheet as an HTML document; with the keys, as letters and as codes, if their `groups` are given."""
    return _render("sheet.html.j2", content, groups, [Markup(qr_svg(text)) for text in qr_texts(groups or [])])


def _render(name: str, content: SheetContent, groups: Sequence[str] | None, codes: Sequence[Markup]) -> str:
    template = _templates().get_template(name)
    lines = as_lines(groups) if groups else []
    done = steps(content, with_keys=bool(groups))
    return template.render(
        sheet=content, lines=lines, codes=codes, steps=done, warning=WARNING, keep=KEEP, count=len(groups or [])
    )


@lru_cache(maxsize=1)
def _templates() -> Environment:
    return templates_of(
        "otherroof.pairing.sheet", code=with_commands, digits=_digits, dedented=textwrap.dedent, filled=_filled
    )


def _digits(line: str) -> Markup:
    """A line of groups with its digits underlined, so that a 5 is no S, a 2 no Z and a 6 no G."""
    label, _, letters = line.partition(" ")
    marked = "".join(f"<u>{letter}</u>" if letter.isdigit() else letter for letter in letters)
    return Markup("<b>{}</b> {}").format(label.rjust(4), Markup(marked))


def _filled(text: str, indent: str = "", first: str = "") -> str:
    return fold(" ".join(text.split()), WIDTH, first=first or indent, later=indent)
