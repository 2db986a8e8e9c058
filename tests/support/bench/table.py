"""Plain aligned tables for a terminal or a log."""

from __future__ import annotations

from collections.abc import Sequence


def table_text(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """`rows` under `heads`, the first column to the left and the others to the right; the last to the left as well."""
    widths = [max(len(row[place]) for row in (heads, *rows)) for place in range(len(heads))]
    last = len(heads) - 1

    def line(row: Sequence[str]) -> str:
        cells = (
            word.ljust(width) if place in {0, last} else word.rjust(width)
            for place, (word, width) in enumerate(zip(row, widths, strict=True))
        )
        return "  ".join(cells).rstrip()

    return "\n".join([line(heads), line(["-" * width for width in widths]), *map(line, rows)])
