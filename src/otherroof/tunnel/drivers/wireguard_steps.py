"""From how a WireGuard-protocol interface stands to the commands that put it right: only what differs is touched.

Pure: what `ip -json` and `wg show` printed goes in, argv lists come out. Keys are named by file or are public.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class InterfaceGoal:
    """What the settings ask of the interface. `listen_port` 0: any port will do, and with `other_port` any other than
    it has. `endpoint` empty: leave as it is."""

    interface: str
    own_address: str
    mtu: int
    key_file: str
    public_key: str
    far_key: str
    reach: tuple[str, ...]
    keepalive_s: int
    listen_port: int = 0
    shared_key_file: str = ""
    endpoint: str = ""
    other_port: bool = False


@dataclass(slots=True)
class PeerState:
    """One peer as `wg show` tells of it. `handshake_at` is Unix time, 0 before the first."""

    allowed: frozenset[str] = frozenset()
    keepalive_s: int = 0
    endpoint: str = ""
    handshake_at: int = 0
    received: int = 0
    sent: int = 0


@dataclass(slots=True)
class InterfaceState:
    """How the interface stands. `public_key` is empty if no private key is set yet."""

    up: bool = False
    mtu: int = 0
    addresses: frozenset[str] = frozenset()
    routes: frozenset[str] = frozenset()
    public_key: str = ""
    listen_port: int = 0
    peers: dict[str, PeerState] = field(default_factory=dict)


def endpoint_text(address: str, port: int) -> str:
    """Address and port as `wg` reads and writes them: an IPv6 address stands in brackets."""
    return f"[{address}]:{port}" if ":" in address else f"{address}:{port}"


def endpoint_address(text: str) -> str:
    """The address in such a text; empty if there is none."""
    return text.rpartition(":")[0].strip("[]")


def read_link(row: dict[str, Any]) -> InterfaceState:
    """What `ip -json addr show dev` tells: up, MTU, addresses that are not link-local."""
    addresses = frozenset(
        f"{entry['local']}/{entry['prefixlen']}"
        for entry in row.get("addr_info", ())
        if "local" in entry and entry.get("scope") != "link"
    )
    # By the flag, not by `operstate`: an interface without a carrier to watch stays UNKNOWN there. A link-local address
    # is left alone; the kernel gives a userspace interface one by itself.
    return InterfaceState(up="UP" in row.get("flags", ()), mtu=int(row.get("mtu", 0)), addresses=addresses)


def read_routes(rows: list[dict[str, Any]]) -> frozenset[str]:
    """The networks that lead into the interface, from `ip -json route show dev`."""
    found = set()
    for row in rows:
        dst = row.get("dst", "")
        if dst and dst != "default":
            # `ip` prints a single address without its /32; this writes it out, as the settings do.
            found.add(str(ipaddress.ip_network(dst)))
    return frozenset(found)


def read_peers(printed: dict[str, str]) -> dict[str, PeerState]:
    """The peers from what `wg show IF` printed for each of its words: peers, allowed-ips, endpoints and so on."""
    peers = {key: PeerState() for key in printed["peers"].split()}
    for key, values in _lines(printed["allowed-ips"]):
        peers[key].allowed = frozenset(value for value in values if value != "(none)")
    for key, values in _lines(printed["persistent-keepalive"]):
        peers[key].keepalive_s = 0 if values[0] == "off" else int(values[0])
    for key, values in _lines(printed["endpoints"]):
        peers[key].endpoint = "" if values[0] == "(none)" else values[0]
    for key, values in _lines(printed["latest-handshakes"]):
        peers[key].handshake_at = int(values[0])
    for key, values in _lines(printed["transfer"]):
        peers[key].received, peers[key].sent = int(values[0]), int(values[1])
    return peers


def _lines(text: str) -> Iterator[tuple[str, list[str]]]:
    for line in text.splitlines():
        words = line.split()
        if len(words) > 1:
            yield words[0], words[1:]


def is_usable_as_it_is(found: InterfaceState, public_key: str, far_key: str) -> bool:
    """Whether somebody else's interface can be used as it is: our key, the far box as a peer, and it is up."""
    return found.up and found.public_key == public_key and far_key in found.peers


def commands_for(wanted: InterfaceGoal, found: InterfaceState) -> list[tuple[str, ...]]:
    """The commands that bring `found` to `wanted`, in order; none if it stands as it should.

    A key that both ends share cannot be compared without reading it, so it is set again each time; that disturbs
    nothing.
    """
    own = _own_step(wanted, found)
    # A peer that is not in the settings could still reach in, so it goes: the interface is ours alone.
    gone = [("wg", "set", wanted.interface, "peer", key, "remove") for key in found.peers if key != wanted.far_key]
    return [*own, *gone, *_peer_step(wanted, found), *_address_steps(wanted, found), *_route_steps(wanted, found)]


def _own_step(wanted: InterfaceGoal, found: InterfaceState) -> list[tuple[str, ...]]:
    words: tuple[str, ...] = ()
    if found.public_key != wanted.public_key:
        words += ("private-key", wanted.key_file)
    if wanted.listen_port and found.listen_port != wanted.listen_port:
        words += ("listen-port", str(wanted.listen_port))
    if wanted.other_port:
        words += ("listen-port", "0")  # wg(8): 0 is any port
    return [("wg", "set", wanted.interface, *words)] if words else []


def _peer_step(wanted: InterfaceGoal, found: InterfaceState) -> list[tuple[str, ...]]:
    peer = found.peers.get(wanted.far_key)
    words: tuple[str, ...] = ()
    if wanted.shared_key_file:
        words += ("preshared-key", wanted.shared_key_file)
    if peer is None or peer.allowed != frozenset(wanted.reach):
        # wg(8): the list replaces the one that was, so networks that were taken out of the settings go too.
        words += ("allowed-ips", ",".join(wanted.reach))
    if (peer.keepalive_s if peer else 0) != wanted.keepalive_s:
        words += ("persistent-keepalive", str(wanted.keepalive_s))
    if wanted.endpoint and (peer is None or peer.endpoint != wanted.endpoint):
        words += ("endpoint", wanted.endpoint)
    return [("wg", "set", wanted.interface, "peer", wanted.far_key, *words)] if words else []


def _address_steps(wanted: InterfaceGoal, found: InterfaceState) -> list[tuple[str, ...]]:
    interface = wanted.interface
    made: list[tuple[str, ...]] = [
        ("ip", "addr", "del", address, "dev", interface)
        for address in sorted(found.addresses)
        if address != wanted.own_address
    ]
    if wanted.own_address not in found.addresses:
        made.append(("ip", "addr", "add", wanted.own_address, "dev", interface))
    if found.mtu != wanted.mtu:
        made.append(("ip", "link", "set", "dev", interface, "mtu", str(wanted.mtu)))
    if not found.up:
        made.append(("ip", "link", "set", "dev", interface, "up"))
    return made


def _route_steps(wanted: InterfaceGoal, found: InterfaceState) -> list[tuple[str, ...]]:
    # The kernel makes the route to the address's own network when the interface comes up.
    own = str(ipaddress.ip_interface(wanted.own_address).network)
    # If the interface is only now brought up, or its address changed, those found are gone by then, and all are made.
    standing = found.routes if found.up and wanted.own_address in found.addresses else frozenset()
    return [
        ("ip", "route", "replace", net, "dev", wanted.interface)
        for net in wanted.reach
        if net != own and net not in standing
    ]
