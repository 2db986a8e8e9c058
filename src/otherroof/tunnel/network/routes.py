"""What this machine's routing says, read from `ip -json`: default route, way to an address, networks it is on.

The parsing is pure; the reading goes through `Programs`. It must not know of tunnels but for an interface to leave out.
"""

from __future__ import annotations

import ipaddress
import json
from dataclasses import dataclass
from typing import Any

from otherroof.base.errors import TunnelTrouble
from otherroof.base.programs import Programs
from otherroof.tunnel.network.address_plan import NamedNetwork

READ_S = 5.0


@dataclass(frozen=True, slots=True)
class Route:
    """A way out of this machine; `gateway` is empty if the target is on the same network, or this machine."""

    interface: str
    gateway: str = ""
    own_address: str = ""

    def text(self) -> str:
        """For messages."""
        return f"over {self.interface} by way of {self.gateway}" if self.gateway else f"over {self.interface}"


def parse_rows(text: str) -> list[dict[str, Any]]:
    """The rows that `ip -json` printed; it prints nothing at all if there are none."""
    # Some versions print `{}` for what their filter left out.
    return [row for row in json.loads(text or "[]") if row]


def parse_route(row: dict[str, Any]) -> Route:
    """One row of `ip -json route` as a Route."""
    # An IPv4 route by way of an IPv6 router (RFC 8950) has `via` with family and host in place of `gateway`.
    gateway = row.get("gateway") or row.get("via", {}).get("host", "")
    return Route(row.get("dev", ""), gateway, row.get("prefsrc", ""))


def best_default(found: list[dict[str, Any]]) -> Route | None:
    """The default route with the smallest metric that is not known to lead nowhere."""
    usable = [
        row
        for row in found
        if row.get("dst") == "default" and row.get("dev") and not {"linkdown", "dead"} & set(row.get("flags", ()))
    ]
    # The kernel takes the smallest metric; a row without one has 0.
    return parse_route(min(usable, key=lambda row: row.get("metric", 0))) if usable else None


def networks_in(found: list[dict[str, Any]], leave_out: str = "") -> list[NamedNetwork]:
    """The networks of every address on an interface, from `ip -json addr`; not loopback, link-local, or `leave_out`."""
    named = []
    for row in found:
        interface = row.get("ifname", "")
        if interface == leave_out or "LOOPBACK" in row.get("flags", ()):
            continue
        for entry in row.get("addr_info", ()):
            net = ipaddress.ip_interface(f"{entry['local']}/{entry['prefixlen']}").network
            if not net.is_link_local:
                named.append(NamedNetwork(f"this machine's network on {interface}", net))
    return named


def default_route(commands: Programs, family: str = "") -> Route | None:
    """The default route of family `4` or `6`, or the first of either; None if there is none."""
    for each in (family,) if family else ("4", "6"):
        found = best_default(_asked(commands, f"-{each}", "route", "show", "default"))
        if found is not None:
            return found
    return None


def route_to(commands: Programs, address: str) -> Route | None:
    """How packets to `address` leave; None if there is no way."""
    ran = commands.run(("ip", "-json", "route", "get", address), READ_S)
    if ran.code:
        return None
    return next((parse_route(row) for row in _parsed(ran.out)), None)


def networks_here(commands: Programs, leave_out: str = "") -> list[NamedNetwork]:
    """Every network that this machine has an address in, apart from the tunnel's own interface."""
    return networks_in(_asked(commands, "addr", "show"), leave_out)


def addresses_here(commands: Programs) -> frozenset[str]:
    """This machine's own addresses."""
    return frozenset(
        entry["local"]
        for row in _asked(commands, "addr", "show")
        for entry in row.get("addr_info", ())
        if "local" in entry
    )


def mtu_of(commands: Programs, interface: str) -> int:
    """The MTU of an interface in bytes. Raises TunnelTrouble if it is not there."""
    return int(_asked(commands, "link", "show", "dev", interface)[0]["mtu"])


def _asked(commands: Programs, *words: str) -> list[dict[str, Any]]:
    argv = ("ip", "-json", *words)
    ran = commands.run(argv, READ_S)
    if ran.code:
        raise TunnelTrouble(f"cannot be read: {ran.said}", where=" ".join(argv))
    return _parsed(ran.out)


def _parsed(text: str) -> list[dict[str, Any]]:
    try:
        return parse_rows(text)
    except ValueError as problem:
        raise TunnelTrouble("printed no JSON", where="ip -json", advice="iproute2 4.14 or later is wanted") from problem
