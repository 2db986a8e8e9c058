"""One slip: a small change of one module of the product, and how it is made.

Knows nothing of tests.
"""

from __future__ import annotations

import ast
from dataclasses import dataclass

HAND = "by hand"


@dataclass(frozen=True, slots=True)
class Slip:
    """`old` becomes `new` at the character `at` of the module's text; `what` it does, or would do to people."""

    module: str
    at: int
    old: str
    new: str
    what: str
    kind: str = HAND
    why_not: str = ""  # the reason that no test has to notice it: it cannot hurt, or changes nothing
    likely: str = ""  # tests that are likely to notice it, a line each, below tests/unit without `test_` and `.py`

    @property
    def key(self) -> tuple[str, str, str, int]:
        """What makes it this slip, also after the module has grown elsewhere: a text by hand is there once."""
        return self.module, self.old, self.new, -1 if self.kind == HAND else self.at

    def made_in(self, text: str) -> str:
        """The module's text with the slip in it."""
        return text[: self.at] + self.new + text[self.at + len(self.old) :]

    def line_in(self, text: str) -> int:
        """The number of the line at which the text first differs."""
        same = next((n for n, (a, b) in enumerate(zip(self.old, self.new, strict=False)) if a != b), 0)
        return text.count("\n", 0, self.at + same) + 1


class NoModule(Exception):
    """With the slip the module is none at all: any test would notice that, and say nothing of what the slip does."""


def check_readable(slips: list[Slip], texts: dict[str, str]) -> None:
    """Raises NoModule if Python cannot read a module with one of the slips in it."""
    for slip in slips:
        try:
            ast.parse(slip.made_in(texts[slip.module]))
        except SyntaxError as problem:
            raise NoModule(f"{slip.module}: {slip.new!r}: {problem}") from problem


def by_hand(module: str, text: str, rows: list[tuple[str, str, str, str, str]]) -> tuple[list[Slip], list[str]]:
    """The slips of a table's rows: old text, new text, what it would do to people, why no test has to notice it
    ("" if one has to), and which are likely to. And those that cannot be made any more, since their old text is not in
    the module, or more than once."""
    found, gone = list[Slip](), list[str]()
    for old, new, what, why_not, likely in rows:
        if text.count(old) == 1:
            found.append(Slip(module, text.index(old), old, new, what, why_not=why_not, likely=likely))
        else:
            gone.append(f"{module}: {what}: {text.count(old)} times in it: {old!r}")
    return found, gone
