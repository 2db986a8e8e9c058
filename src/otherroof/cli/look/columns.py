"""Which columns of a table a terminal has room for: those that are needed least give way, and none is cut to nothing.

It must not know what the columns hold.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

GAP = 2  # columns of a terminal between two of the table


def columns_that_fit(widths: Mapping[str, int], width: int, least_needed: Sequence[str]) -> tuple[list[str], list[str]]:
    """The titles for which `width` has room, given the `widths` that they need, and those that are left out, the first
    of `least_needed` first."""
    kept = dict(widths)
    left_out: list[str] = []
    for title in least_needed:
        if sum(kept.values()) + GAP * (len(kept) - 1) <= width:
            break
        if title in kept:
            left_out.append(title)
            del kept[title]
    return list(kept), left_out
