"""The tunnel's own settings: one model for each kind, told apart by `kind`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from otherroof.settings.fields import Strict


class NoTunnel(Strict):
    """The routers carry the traffic already, or both machines stand in one network."""

    kind: Literal["none"] = "none"


class WireguardTunnel(Strict):
    """The WireGuard protocol, by `ip` and `wg`."""

    kind: Literal["wireguard"]


class CommandTunnel(Strict):
    """Any other tunnel, by commands of the household's own."""

    kind: Literal["command"]


Tunnel = Annotated[NoTunnel | WireguardTunnel | CommandTunnel, Field(discriminator="kind")]
