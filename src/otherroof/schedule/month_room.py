"""What a month's allowance of a far box still has room for: the same sum for whatever uses the line.

It reads the ledger; what follows from the answer is decided by whoever asks.
"""

from __future__ import annotations

from datetime import datetime

from otherroof.base.local_time import month_begins
from otherroof.ledger import Ledger
from otherroof.settings import Settings


def month_room(settings: Settings, far: str, ledger: Ledger, now: datetime) -> int | None:
    """The bytes, both ways, that the far box's allowance has left in this calendar month: 0 if it is used up, None if
    there is no allowance. Raises HomeTrouble if the ledger cannot be used."""
    allowance = int(settings.far[far].month_bytes)
    if not allowance:
        return None
    return max(0, allowance - ledger.wire_bytes_since(far, month_begins(now, settings.zone)))
