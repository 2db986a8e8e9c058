"""How much may be asked for now, so that what comes in keeps to a rate and waits on the line no longer than is allowed.

The kernel paces what is sent, but nobody here paces what a far box sends: only asking for less does. Small requests,
spread in time, come back as spread on the line. What was asked for once cannot be taken back, so what has not come yet
is bounded as well: by Little's law it is the rate times the time that a request takes, and whatever is more than the
line's own round trip of it waits in a queue. Safe for several threads; it measures nothing.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

FIRST_RATE = 256_000.0  # bytes a second, until something is known of the line
FIRST_WINDOW = 24_576.0  # bytes under way, until more was seen to pass
LEAST_PIECE = 4096  # bytes
# One request is this part of what may be under way, and of a second's rate, so that its answer adds little delay to
# what stands behind it.
PIECES = 16
PIECE_S = 0.02
LEAST_WINDOW = 2.0 * LEAST_PIECE
# Above what is seen to pass: as long as the line is not full what is under way grows by a quarter each round trip and
# more, and once it is no more than a quarter of it waits beyond what courtesy allows.
HEADROOM = 1.25
NO_BOUND = 1e12  # bytes, or bytes a second
BURST_S = 0.02  # of the rate that may be asked for at once after a pause
WAIT_S = 0.005  # how long to look away if nothing may be asked for and nothing is under way
ANSWER = 100  # bytes on the wire of an answer without content
FOLDER_PART = 16_384  # bytes of an answer that lists a part of a folder: some hundred names
# A small file is opened, looked at, read and closed, one round trip each, and what is begun must not run out meanwhile.
BEGUN = 6  # times what may be under way


@dataclass(frozen=True, slots=True)
class LineFigures:
    """What is known of the line towards home: bytes a second that came in of late; its own round trip, and the delay
    that may be added to it on average, both in seconds; 0 if nobody minds."""

    flow: float = 0.0
    round_trip_s: float = 0.0
    aim_s: float = 0.0


class ReadAllowance:
    """Bytes that may be asked for, over all channels together: each has a `ReadShare` of it."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._lock = threading.Lock()
        self._rate = FIRST_RATE
        self._window = FIRST_WINDOW
        self._shares: list[ReadShare] = []
        self._room = 0.0
        self._at = now()

    @property
    def rate(self) -> float:
        """The rate in force, in bytes a second."""
        return self._rate

    @property
    def window(self) -> float:
        """How many bytes may be asked for that have not come yet."""
        return self._window

    @property
    def under_way(self) -> int:
        """How many bytes were asked for that have not come yet."""
        return sum(share.under_way for share in self._shares)

    @property
    def held_by_rate(self) -> bool:
        """Whether more would be asked for now, were it not for the rate."""
        return any(share.held_by_rate for share in self._shares)

    def share(self) -> ReadShare:
        """The share of one more channel."""
        with self._lock:
            share = ReadShare(self)
            self._shares.append(share)
            return share

    def set_rate(self, limit: float, courteous: float, line: LineFigures) -> None:
        """Ten times a second: the limit, and what courtesy has found, in bytes a second (each 0: none)."""
        whole_s = line.round_trip_s + line.aim_s
        with self._lock:
            if not line.aim_s:
                self._window, found = NO_BOUND, 0.0
            elif courteous:
                self._window, found = max(LEAST_WINDOW, courteous * whole_s), courteous
            else:
                # Nothing queues yet. It never shrinks: a far disk may be slow for a while, or nothing to be read.
                self._window = max(self._window, line.flow * whole_s * HEADROOM)
                found = self._window / line.round_trip_s if line.round_trip_s else FIRST_RATE
            self._rate = min((bound for bound in (limit, found) if bound > 0), default=NO_BOUND)

    # -- for the shares --

    def take(self, share: ReadShare, size: int) -> bool:
        """See ReadShare."""
        with self._lock:
            now = self._now()
            burst = max(self._rate * BURST_S, float(LEAST_PIECE))
            self._room = min(burst, self._room + (now - self._at) * self._rate)
            self._at = now
            has_room = self._has_room(share)
            share.held_by_rate = has_room and self._room <= 0
            if not has_room or self._room <= 0:
                return False
            self._add(share, size)
            return True

    def spend(self, share: ReadShare, size: int) -> None:
        """See ReadShare."""
        with self._lock:
            self._add(share, size)

    def came(self, share: ReadShare, size: int) -> None:
        """See ReadShare."""
        with self._lock:
            share.under_way -= size

    def begun_each(self) -> float:
        """How many bytes each channel may have begun with."""
        return self._window * BEGUN / len(self._shares)

    def _has_room(self, share: ReadShare) -> bool:
        # One request too much rather than one too few: of a small window none would else be left between the channels.
        # Each of them has its part: one whose connection is slow would else hold all there is, and the others none.
        if not share.under_way:
            return True  # a file goes on, however little may be under way
        each = self._window / max(1, sum(one.wants for one in self._shares))
        return self.under_way < self._window and share.under_way < each

    def _add(self, share: ReadShare, size: int) -> None:
        self._room -= size  # below 0: what comes next waits for it
        share.under_way += size


class ReadShare:
    """What one channel may ask for, and what it has under way.

    `wants`: something waits to be asked for; `held_by_rate`: it only has to wait a moment, and not for an answer.
    """

    def __init__(self, whole: ReadAllowance) -> None:
        self._whole = whole
        self.under_way = 0
        self.wants = self.held_by_rate = False
        self._begun = 0

    def piece(self, most: int) -> int:
        """How long one request may be, at most `most` bytes."""
        part = min(self._whole.window / PIECES, self._whole.rate * PIECE_S)
        return int(min(most, max(LEAST_PIECE, part)))

    def take(self, size: int) -> bool:
        """Whether `size` bytes may be asked for now; they are then under way, until `came`."""
        return self._whole.take(self, size)

    def spend(self, size: int) -> None:
        """So many bytes are asked for that cannot wait, such as the answer to closing a file."""
        self._whole.spend(self, size)

    def came(self, size: int) -> None:
        """What was asked for with `size` has been answered, with whatever."""
        self._whole.came(self, size)

    def begin(self, weight: int) -> None:
        """A script begins that will ask for about so many bytes."""
        self._begun += weight + ANSWER

    def end(self, weight: int) -> None:
        """That script has ended."""
        self._begun -= weight + ANSWER

    @property
    def may_begin(self) -> bool:
        """Whether so little is begun that one more script would help: files that are open too early only add to the
        answers that come all at once, and another channel could have taken them."""
        return self._begun < self._whole.begun_each()
