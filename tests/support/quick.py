"""What `sh tests/run.sh --quick` asks for beside leaving out what is slow: fewer examples of what is drawn."""

from __future__ import annotations

import os

from hypothesis import settings

QUICK = os.environ.get("OTHERROOF_QUICK") == "1"
QUICK_EXAMPLES = 25


def examples(count: int) -> settings:
    """So many examples; in a quick run no more than QUICK_EXAMPLES."""
    return settings(max_examples=min(count, QUICK_EXAMPLES) if QUICK else count)
