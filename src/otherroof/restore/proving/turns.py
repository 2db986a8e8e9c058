"""Which older versions are opened tonight. Pure: days in, runs out; it knows no listing.

Each has its turn in time. One whose kept files a single night could not all read is opened again the nights after,
until they were: else they would wait for its next turn, and might wait for ever.
"""

from __future__ import annotations

import math
import secrets
from collections.abc import Callable, Sequence

from otherroof.restore.proving.choice import longest_first

Day = Callable[[str], int]


def in_turn(older: Sequence[str], opened: Day, read: Day, nights: float) -> list[str]:
    """Of these runs those whose turn it is: the ones not opened for longest, so many that all have their turn within
    `nights`; and as many again of which not all was read since they were opened.

    `opened` and `read` answer the days on which a listing was proved last, and all that its version keeps (0: never).
    """
    turn = [older[number] for number in longest_first([opened(run) for run in older], secrets.SystemRandom())]
    each = math.ceil(len(older) / max(1.0, nights))
    again = [run for run in turn[each:] if opened(run) > read(run)]
    return turn[:each] + again[:each]


def all_read_name(listing: bytes) -> bytes:
    """As what it is remembered that all that a version keeps was read, by the name of its listing."""
    return listing + b"\0all"
