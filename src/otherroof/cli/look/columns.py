"""Which columns of a table a terminal has room for: those that are needed least give way, and none is cut to nothing.

It must not know what the columns hold.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

GAP = 2  # columns of a terminal between two of the table


def columns_that_fit(
    rows: Sequence[Mapping[str, str]],
    width: int,
    least_needed: Sequence[str],
    need: Callable[[str, str], int] = lambda _, text: len(text),
) -> tuple[list[str], list[str]]:
    """The titles of `rows` for which `width` has room, and those that are left out, the first of `least_needed` first.
    `need`: how much room a text takes in the column of a title."""
    kept = {title: max(need(title, text) for text in (title, *(row[title] for row in rows))) for title in rows[0]}
    left_out: list[str] = []
    for title in least_needed:
        if sum(kept.values()) + GAP * (len(kept) - 1) <= width:
            break
        if title in kept:
            left_out.append(title)
            del kept[title]
    return list(kept), left_out
