"""How large a packet crosses whole: a full one is tried first, and only if it is lost the largest is searched for.

The search is pure but for the question it is given.
"""

from __future__ import annotations

from collections.abc import Callable

from otherroof.base.programs import Programs
from otherroof.tunnel.network import mtu
from otherroof.tunnel.network.ping import ping

LEAST = 576  # RFC 791: what every IPv4 host takes
# Finer than any header that a path may add.
STEP = 4
TRIES = 3


def largest_passing(low: int, high: int, passes: Callable[[int], bool]) -> int:
    """The largest size that `passes`, to within `STEP` bytes, where `low` passes and `high` does not."""
    while high - low > STEP:
        middle = (low + high) // 2
        if passes(middle):
            low = middle
        else:
            high = middle
    return low


def packet_crosses(commands: Programs, address: str, size: int, *, tries: int = TRIES, wait_s: float = 1.0) -> bool:
    """Whether one of a few echo requests of `size` bytes, never in pieces, comes back."""
    inner: mtu.Family = 6 if ":" in address else 4
    data = mtu.echo_data(size, inner)
    # The first alone, since it nearly always answers and a run waits for this.
    return any(
        count > 0 and ping(commands, address, count=count, wait_s=wait_s, data=data).received > 0
        for count in (1, tries - 1)
    )
