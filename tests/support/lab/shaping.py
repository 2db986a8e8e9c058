"""What a slow line does to packets, as arithmetic: when one leaves, or that it does not.

Pure: the time and the dice are given in. A packet waits for its turn at the line's rate, behind at most `queue_ms` of
others, is then lost by chance, or else arrives `delay_ms` later. Loss comes after the turn, as on a radio or copper
line: what is lost has used up line time.
"""

from __future__ import annotations

import random
from collections import deque
from dataclasses import asdict, dataclass, field

# IPv4 and UDP headers, which the line carries and the relay does not see (RFC 791, RFC 768).
HEADERS = 28


@dataclass(frozen=True)
class Line:
    """One direction of a line. `rate_mbit` 0 is unlimited; `loss` is a share of one; `largest` drops bigger packets.

    Sizes are of IP packets, 28 bytes more than the datagrams in them.
    """

    rate_mbit: float = 0.0
    delay_ms: float = 0.0
    queue_ms: float = 100.0
    loss: float = 0.0
    largest: int = 65535


@dataclass
class Counts:
    """What became of the packets of one direction; bytes are those of IP packets that were sent on."""

    taken: int = 0
    sent: int = 0
    sent_bytes: int = 0
    lost: int = 0
    overflowed: int = 0
    too_large: int = 0
    cut: int = 0
    refused: int = 0
    late: int = 0
    latest_ms: float = 0.0


@dataclass
class Direction:
    """The packets under way in one direction. Times are seconds of any steady clock."""

    line: Line
    dice: random.Random
    counts: Counts = field(default_factory=Counts)
    open: bool = True
    _free_at: float = 0.0
    _under_way: deque[tuple[float, bytes]] = field(default_factory=deque)

    def take(self, packet: bytes, now: float) -> None:
        """A packet arrives at the line's near end."""
        counts, line = self.counts, self.line
        counts.taken += 1
        size = len(packet) + HEADERS
        if not self.open:
            counts.cut += 1
            return
        if size > line.largest:
            counts.too_large += 1
            return
        turn = self._free_at
        if turn < now:
            turn = now
        elif (turn - now) * 1000.0 > line.queue_ms:
            counts.overflowed += 1
            return
        if line.rate_mbit:
            turn += size * 8e-6 / line.rate_mbit
            self._free_at = turn
        if line.loss and self.dice.random() < line.loss:
            counts.lost += 1
            return
        self._under_way.append((turn + line.delay_ms / 1000.0, packet))

    def due(self, now: float) -> list[bytes]:
        """The packets whose time has come, in order."""
        under_way = self._under_way
        ready = []
        while under_way and under_way[0][0] <= now:
            when, packet = under_way.popleft()
            behind_ms = (now - when) * 1000.0
            if behind_ms > 2.0:
                self.counts.late += 1
                self.counts.latest_ms = max(self.counts.latest_ms, behind_ms)
            ready.append(packet)
        return ready

    def next_at(self) -> float | None:
        """When the next packet is due; None if none is under way."""
        return self._under_way[0][0] if self._under_way else None

    def cut(self) -> None:
        """Nothing passes from now on, nor what is under way."""
        self.open = False
        self.counts.cut += len(self._under_way)
        self._under_way.clear()

    def mend(self) -> None:
        """Packets pass again."""
        self.open = True

    def told(self) -> dict[str, float]:
        """The counts, and how many packets are under way."""
        return {**asdict(self.counts), "under_way": len(self._under_way)}
