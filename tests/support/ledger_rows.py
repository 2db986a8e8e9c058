"""What the ledger keeps and Otherroof itself only writes, read for tests by its tables."""

from __future__ import annotations

from typing import Any

from otherroof.ledger import Ledger


def rungs_of(ledger: Ledger, probe: int) -> list[dict[str, Any]]:
    """The rungs of a probe in the ladder's order."""
    query = "SELECT rung, state, took_s, seen, advice FROM probe_rung WHERE probe=? ORDER BY place"
    keys = ("rung", "state", "took_s", "seen", "advice")
    return [dict(zip(keys, row, strict=True)) for row in ledger.file.db.execute(query, (probe,))]
