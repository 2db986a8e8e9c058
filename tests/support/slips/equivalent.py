"""Generic slips that change no behaviour that a test could or should hold, each with the reason.

By module, a piece of the line, and the change; whoever changes such a line will find its row gone with it.
"""

from __future__ import annotations

from support.slips.slip import Slip

# (module, the line without spaces around it, old, new): why
EQUIVALENT: dict[tuple[str, str, str, str], str] = {}


def is_equivalent(slip: Slip, text: str) -> bool:
    """Whether the table has this slip."""
    line = text[text.rfind("\n", 0, slip.at) + 1 :].split("\n", 1)[0].strip()
    return (slip.module, line, slip.old, slip.new) in EQUIVALENT
