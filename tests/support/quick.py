"""How much of what could be played without end is played: in a quick run fewer examples of what is drawn, and of long
rows of like cases only some; in the whole run rows of a length that a change can wait for; all with `OTHERROOF_ALL=1`.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable
from typing import Any

import pytest
from hypothesis import settings

QUICK = os.environ.get("OTHERROOF_QUICK") == "1"
QUICK_EXAMPLES = 25
ALL = os.environ.get("OTHERROOF_ALL") == "1"


def examples(count: int) -> settings:
    """So many examples; in a quick run no more than QUICK_EXAMPLES."""
    return settings(max_examples=min(count, QUICK_EXAMPLES) if QUICK else count)


def slow_but_for(kept: Collection[Any], values: Iterable[Any], most: int = 0) -> list[Any]:
    """The values of a row of like cases, as `parametrize` takes them: a quick run plays the `kept` ones, the whole run
    at most `most` (0: all), evenly spread."""
    return [value if value in kept else pytest.param(value, marks=pytest.mark.slow) for value in spread(values, most)]


def spread(values: Iterable[Any], most: int) -> list[Any]:
    """At most `most` of a row of like cases (0: all), evenly spread from the first; all with `OTHERROOF_ALL=1`."""
    row = list(values)
    if ALL or not most or len(row) <= most:
        return row
    return [row[number * len(row) // most] for number in range(most)]
