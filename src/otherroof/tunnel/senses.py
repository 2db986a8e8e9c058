"""Everything by which the ladder and the tunnel touch the machine and the network, in one value that tests replace."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from otherroof.tunnel.commands import Commands, SystemCommands
from otherroof.tunnel.network.gateway import OutsideAddress, outside_address
from otherroof.tunnel.network.ping import Dial, dial, nudge
from otherroof.tunnel.network.resolve import Resolve, resolve


@dataclass(frozen=True, slots=True)
class Senses:
    """The system's commands, names, TCP and UDP, and the router at home. Each keeps a time-out of its own."""

    commands: Commands = field(default_factory=SystemCommands)
    resolve: Resolve = resolve
    dial: Dial = dial
    nudge: Callable[[str], None] = nudge
    outside: OutsideAddress = outside_address
