"""From the settings to a tunnel with its driver, and to a use of it. The one place that knows every driver.

A driver is imported if the settings ask for its kind.
"""

from __future__ import annotations

import os

from otherroof.base.clock import Clock
from otherroof.settings import CommandTunnel, NoTunnel, Settings, WireguardTunnel
from otherroof.tunnel.marks import MadeMark
from otherroof.tunnel.network_access import NetworkAccess
from otherroof.tunnel.port import Tunnel
from otherroof.tunnel.sharing import SharedTunnel

FOLDER = "tunnels"


def make_tunnel(settings: Settings, far_name: str, network_access: NetworkAccess, clock: Clock) -> Tunnel:
    """The driver that the far box's settings ask for."""
    wanted = settings.far[far_name].tunnel
    mark = MadeMark(_path(settings, far_name) + ".made")
    if isinstance(wanted, WireguardTunnel):
        from otherroof.tunnel.drivers.last_call import LastCallAddress
        from otherroof.tunnel.drivers.wireguard import DriverTools, TunnelKeyFiles, WireguardDriver
        from otherroof.tunnel.keys import read_public_key

        key = settings.path(wanted.key_file)
        shared_key = settings.path(wanted.shared_key_file) if wanted.shared_key_file else ""
        files = TunnelKeyFiles(key, shared_key, lambda: read_public_key(key))
        caller = LastCallAddress(_path(settings, far_name) + ".caller")
        return WireguardDriver(
            wanted, files, DriverTools(network_access.commands, network_access.resolve, clock, mark, caller)
        )
    if isinstance(wanted, CommandTunnel):
        from otherroof.tunnel.drivers.command import CommandDriver

        return CommandDriver(wanted, network_access.commands, mark)
    from otherroof.tunnel.drivers.no_tunnel import NoTunnelDriver

    return NoTunnelDriver()


def make_shared_tunnel(
    settings: Settings, far_name: str, network_access: NetworkAccess, clock: Clock
) -> SharedTunnel | None:
    """One use of the far box's tunnel, which others may use too; None if there is no tunnel to share."""
    wanted = settings.far[far_name].tunnel
    if isinstance(wanted, NoTunnel):
        return None
    tunnel = make_tunnel(settings, far_name, network_access, clock)
    path = _path(settings, far_name)
    return SharedTunnel(tunnel, path, clock, settings.zone, stay_up=wanted.stay_up, linger_s=wanted.linger_s)


def _path(settings: Settings, far_name: str) -> str:
    return os.path.join(settings.state, FOLDER, far_name)
