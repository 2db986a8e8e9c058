"""The driver for `kind = "none"`: the routers carry the traffic, or both machines stand in one network."""

from __future__ import annotations

from otherroof.tunnel.port import TunnelState


class NoTunnelDriver:
    """See the Tunnel port. Always up; there is nothing to make or take away."""

    name = "none"
    look_s = 0.0

    def up(self) -> None:
        return

    def down(self) -> None:
        return

    def state(self) -> TunnelState:
        return TunnelState(up=True)
