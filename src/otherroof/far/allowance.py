"""How much of a file may be asked for now, so that what comes in keeps to a rate as what goes out does.

The kernel paces what is sent, but nobody here paces what a far box sends: only asking for less does. Small requests,
spread in time, come back as spread on the line. Begins slowly and doubles as long as nothing says that the line is
full, as TCP does, because what was asked for once cannot be taken back. Safe for several threads; it measures nothing.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

FIRST_RATE = 256_000.0  # bytes a second, until more was seen to pass
NO_RATE = 1e12
PIECE_S = 0.02  # of the rate in one request, so that its answer adds little delay to what stands behind it
LEAST_PIECE = 4096  # bytes
BURST_S = 0.05  # of the rate that may be asked for at once after a pause
WAIT_S = 0.005  # how long to look away if nothing may be asked for and nothing is under way


class ReadAllowance:
    """Bytes that may be asked for, over all channels together. `rate` is in bytes a second."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._lock = threading.Lock()
        self._rate = FIRST_RATE
        self._room = 0.0
        self._at = now()
        self._was_short = False

    @property
    def rate(self) -> float:
        """The rate in force."""
        return self._rate

    def piece(self, most: int) -> int:
        """How long one request may be, at most `most` bytes."""
        return int(min(most, max(LEAST_PIECE, self._rate * PIECE_S)))

    def take(self, size: int) -> bool:
        """Whether `size` bytes may be asked for now; they are then taken."""
        with self._lock:
            now = self._now()
            burst = max(self._rate * BURST_S, float(LEAST_PIECE))
            self._room = min(burst, self._room + (now - self._at) * self._rate)
            self._at = now
            if self._room <= 0:
                self._was_short = True
                return False
            self._room -= size  # below 0: what comes next waits for it
            return True

    def set_rate(self, limit: float, courteous: float) -> None:
        """Ten times a second: the limit, and what courtesy has found (each 0: none). Without courtesy's word the rate
        doubles, if all of it was used."""
        bounds = [one for one in (limit, courteous) if one > 0]
        with self._lock:
            grown = self._rate * 2 if self._was_short else self._rate
            if courteous > 0:
                grown = NO_RATE
            self._rate = min([grown, *bounds, NO_RATE])
            self._was_short = False
