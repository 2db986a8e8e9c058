"""The address plan as arithmetic: what kind of block an address is from, which networks overlap, which are free.

Pure: networks in, sentences out. It must not know which networks this machine is really on; `routes` asks that.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from otherroof.settings.fields import DOCUMENTATION_BLOCKS

Network = ipaddress.IPv4Network | ipaddress.IPv6Network
IPAddress = ipaddress.IPv4Address | ipaddress.IPv6Address
AddressKind = Literal[
    "public", "private", "shared", "unique local", "documentation", "link-local", "loopback", "multicast", "unspecified"
]


def _nets(*texts: str) -> tuple[Network, ...]:
    return tuple(ipaddress.ip_network(text) for text in texts)


PRIVATE_BLOCKS = _nets("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16")  # RFC 1918 §3
SHARED_BLOCKS = _nets("100.64.0.0/10")  # RFC 6598
UNIQUE_LOCAL_BLOCKS = _nets("fc00::/7")  # RFC 4193
LINK_LOCAL_BLOCKS = _nets("169.254.0.0/16", "fe80::/10")  # RFC 3927, RFC 4291 §2.5.6
_KINDS: tuple[tuple[AddressKind, tuple[Network, ...]], ...] = (
    ("private", PRIVATE_BLOCKS),
    ("shared", SHARED_BLOCKS),
    ("unique local", UNIQUE_LOCAL_BLOCKS),
    ("documentation", DOCUMENTATION_BLOCKS),
    ("link-local", LINK_LOCAL_BLOCKS),
    ("loopback", _nets("127.0.0.0/8", "::1/128")),
    ("multicast", _nets("224.0.0.0/4", "ff00::/8")),
    ("unspecified", _nets("0.0.0.0/8", "::/128")),
)

# What a home router or a container engine sets up by itself, so that a free block stays free when the router is
# replaced: common practice, no source.
USUAL_BLOCKS = _nets(
    "192.168.0.0/22",
    "192.168.8.0/24",
    "192.168.10.0/24",
    "192.168.20.0/24",
    "192.168.50.0/24",
    "192.168.86.0/24",
    "192.168.88.0/24",
    "192.168.100.0/24",
    "192.168.122.0/24",
    "192.168.178.0/23",
    "192.168.188.0/24",
    "192.168.254.0/24",
    "172.16.0.0/12",
    "10.0.0.0/14",
    "10.8.0.0/16",
    "10.10.0.0/16",
    "10.42.0.0/15",
    "10.88.0.0/16",
    "10.90.0.0/16",
    "10.96.0.0/12",
    "10.244.0.0/16",
)
_SEARCH_STEP = 37  # spreads the proposals over the whole block instead of clustering them at its start


@dataclass(frozen=True, slots=True)
class NamedNetwork:
    """A network and what it is called in a message: `home's LAN (eth0)`, `the far LAN`."""

    name: str
    net: Network


@dataclass(frozen=True, slots=True)
class NetworkClash:
    """Two networks that overlap, so that no machine can tell which of the two an address is in."""

    one: NamedNetwork
    other: NamedNetwork

    def text(self) -> str:
        """The clash in a sentence."""
        if self.one.net == self.other.net:
            return f"{self.one.name} and {self.other.name} are the same network {self.one.net}"
        return f"{self.one.name} {self.one.net} and {self.other.name} {self.other.net} overlap"


def address_kind(address: IPAddress | Network | str) -> AddressKind:
    """Which block an address lies in, or a network lies in as a whole; `public` if in none of them.

    Raises ValueError for text that is neither.
    """
    net = ipaddress.ip_network(str(address))
    for kind, blocks in _KINDS:
        if any(lies_in(net, block) for block in blocks):
            return kind
    return "public"


def lies_in(net: Network, block: Network) -> bool:
    """Whether all of `net` lies in `block`; never so between the two families."""
    # `subnet_of` raises TypeError for two families, so they are kept apart.
    if isinstance(net, ipaddress.IPv4Network) and isinstance(block, ipaddress.IPv4Network):
        return net.subnet_of(block)
    if isinstance(net, ipaddress.IPv6Network) and isinstance(block, ipaddress.IPv6Network):
        return net.subnet_of(block)
    return False


def overlap(one: Network, other: Network) -> bool:
    """Whether some address is in both; never so between the two families."""
    return one.version == other.version and one.overlaps(other)


def clashes(here: Sequence[NamedNetwork], there: Sequence[NamedNetwork]) -> list[NetworkClash]:
    """Every network of `there` that overlaps one of `here`."""
    return [NetworkClash(ours, other) for other in there for ours in here if overlap(ours.net, other.net)]


def cannot_be_called(address: IPAddress | str) -> str:
    """Why nobody outside can call this address; empty for a public one."""
    kind = address_kind(address)
    if kind == "public":
        return ""
    if kind == "shared":
        return (
            f"{address} is from the block that providers share among many customers (RFC 6598): no port can be "
            "forwarded from it"
        )
    return f"{address} is a {kind} address, which is not reached from outside"


def call_advice(address: IPAddress | str) -> str:
    """What a household can do whose address cannot be called."""
    if address_kind(address) == "shared":
        return (
            "let the other house answer (swap the roles), use IPv6 if both houses have it, or ask the provider for a "
            "public address"
        )
    return "the name must lead to the router's public address, which the router's status page shows"


def free_blocks(taken: Iterable[Network | str], *, count: int = 3) -> list[Network]:
    """`count` private networks of size /24 that overlap neither `taken` nor what routers use by themselves.

    First from 10/8, then from 192.168/16 (RFC 1918 §3); always the same ones for the same input. Fewer if there
    are no more.
    """
    avoid = [ipaddress.ip_network(str(net)) for net in taken]
    found: list[Network] = []
    for candidate in _candidates():
        if len(found) == count:
            break
        if not any(overlap(candidate, net) for net in (*avoid, *USUAL_BLOCKS)):
            found.append(candidate)
    return found


def _candidates() -> Iterator[Network]:
    for block in (ipaddress.IPv4Network("10.0.0.0/8"), ipaddress.IPv4Network("192.168.0.0/16")):
        number = block.num_addresses // 256
        # 65536 blocks of /24 in 10/8, 256 in 192.168/16.
        step = _SEARCH_STEP * max(1, number // 256) | 1  # odd: visits every one of 2ⁿ before it repeats one
        at = step % number
        for _ in range(number):
            yield ipaddress.IPv4Network((int(block.network_address) + at * 256, 24))
            at = (at + step) % number
