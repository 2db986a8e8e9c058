"""Everything by which the ladder and the tunnel touch the machine and the network, in one value that tests replace."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from otherroof.base.programs import Programs, SystemPrograms
from otherroof.tunnel.network.gateway import OutsideAddress, outside_address
from otherroof.tunnel.network.ping import Dial, send_empty_datagram, time_connection
from otherroof.tunnel.network.resolve import Resolve, resolve


@dataclass(frozen=True, slots=True)
class NetworkAccess:
    """The system's commands, names, TCP and UDP, and the router at home. Each keeps a time-out of its own."""

    commands: Programs = field(default_factory=SystemPrograms)
    resolve: Resolve = resolve
    dial: Dial = time_connection
    nudge: Callable[[str], None] = send_empty_datagram
    outside: OutsideAddress = outside_address
