"""How large a packet fits: arithmetic on header sizes, from the outer path to the tunnel's MTU.

Pure: bytes in, bytes out. Sizes are of whole IP packets unless a name says otherwise.
"""

from __future__ import annotations

from typing import Literal

Family = Literal[4, 6]

# RFC 791 §3.1, RFC 8200 §3, RFC 768: IPv4 header without options, IPv6 header, UDP header.
IP_HEADER: dict[Family, int] = {4: 20, 6: 40}
UDP_HEADER = 8
# WireGuard paper §5.4.6: type and reserved 4, receiver 4, counter 8; then the tag of the sealed packet.
DATA_HEADER = 16
DATA_TAG = 16
# The ICMP and ICMPv6 echo headers (RFC 792, RFC 4443 §4.1).
ECHO_HEADER = 8

ETHERNET = 1500
IPV6_LEAST = 1280  # RFC 8200 §5


def overhead(outer: Family) -> int:
    """What the tunnel adds to a packet, in bytes: 60 over IPv4, 80 over IPv6."""
    # The protocol pads a packet to a multiple of 16 bytes (§5.4.6), but Linux never beyond the tunnel's MTU, so padding
    # makes no packet too large.
    return IP_HEADER[outer] + UDP_HEADER + DATA_HEADER + DATA_TAG


def largest_mtu(path: int, outer: Family) -> int:
    """The largest tunnel MTU whose full packets fit an outer path of `path` bytes; may be under the floor."""
    return path - overhead(outer)


def echo_data(size: int, inner: Family) -> int:
    """How many data bytes make an echo request of `size` bytes, as `ping -s` counts them."""
    return size - IP_HEADER[inner] - ECHO_HEADER


def choose(path: int, outer: Family | None) -> int:
    """The tunnel's MTU for an outer path of `path` bytes; over IPv6's larger header if the family is not known.

    Never under 1280, below which IPv6 does not work at all and Linux takes it off the interface; over a smaller path
    full packets travel in pieces, and the ladder tells if those are swallowed.
    """
    # Larger frames than Ethernet's exist within a house, and end at its router. With nothing known of the path this
    # gives 1420: 1500 less 80.
    return max(IPV6_LEAST, largest_mtu(min(path, ETHERNET), outer or 6))
