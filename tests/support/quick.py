"""What `sh tests/run.sh --quick` asks for beside leaving out what is slow: fewer examples of what is drawn,
and of long rows of like cases only some.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable
from typing import Any

import pytest
from hypothesis import settings

QUICK = os.environ.get("OTHERROOF_QUICK") == "1"
QUICK_EXAMPLES = 25


def examples(count: int) -> settings:
    """So many examples; in a quick run no more than QUICK_EXAMPLES."""
    return settings(max_examples=min(count, QUICK_EXAMPLES) if QUICK else count)


def slow_but_for(kept: Collection[Any], values: Iterable[Any]) -> list[Any]:
    """The values of a row of like cases, as `parametrize` takes them: a quick run plays the `kept` ones."""
    return [value if value in kept else pytest.param(value, marks=pytest.mark.slow) for value in values]
