"""From the settings to a tunnel with its driver and its book. The one place that knows every driver."""

from __future__ import annotations

import os

from otherroof.base.clock import Clock
from otherroof.settings import CommandTunnel, NoTunnel, Settings, WireguardTunnel
from otherroof.tunnel.drivers.command import CommandLink
from otherroof.tunnel.drivers.last_call import Caller
from otherroof.tunnel.drivers.none import NoLink
from otherroof.tunnel.drivers.wireguard import Files, Tools, WireguardLink
from otherroof.tunnel.keys import public_in
from otherroof.tunnel.marks import Mark
from otherroof.tunnel.port import Tunnel
from otherroof.tunnel.senses import Senses
from otherroof.tunnel.sharing import SharedTunnel

FOLDER = "tunnels"


def tunnel_of(settings: Settings, far_name: str, senses: Senses, clock: Clock) -> Tunnel:
    """The driver that the far box's settings ask for."""
    wanted = settings.far[far_name].tunnel
    mark = Mark(_path(settings, far_name) + ".made")
    if isinstance(wanted, WireguardTunnel):
        key = settings.path(wanted.key_file)
        shared_key = settings.path(wanted.shared_key_file) if wanted.shared_key_file else ""
        files = Files(key, shared_key, lambda: public_in(key))
        caller = Caller(_path(settings, far_name) + ".caller")
        return WireguardLink(wanted, files, Tools(senses.commands, senses.resolve, clock, mark, caller))
    if isinstance(wanted, CommandTunnel):
        return CommandLink(wanted, senses.commands, mark)
    return NoLink()


def shared_of(settings: Settings, far_name: str, senses: Senses, clock: Clock) -> SharedTunnel | None:
    """The far box's tunnel with the book of its users; None where there is no tunnel to share."""
    wanted = settings.far[far_name].tunnel
    if isinstance(wanted, NoTunnel):
        return None
    tunnel = tunnel_of(settings, far_name, senses, clock)
    return SharedTunnel(tunnel, _path(settings, far_name), clock, stay_up=wanted.stay_up, linger_s=wanted.linger_s)


def _path(settings: Settings, far_name: str) -> str:
    return os.path.join(settings.state, FOLDER, far_name)
