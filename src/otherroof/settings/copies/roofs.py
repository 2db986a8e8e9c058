"""Finds far boxes that are in one house by their settings: copies there stand under one roof, however many there are.

As far as settings can tell: two machines in one house have nothing in common here. Pure; it must not know files.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping
from itertools import combinations

from otherroof.settings.alerting import is_this_machine
from otherroof.settings.models import FarBox


def _told_apart(host: str) -> str:
    """An address as it is told from others: IPv6 has many spellings of one (RFC 5952 §2), also for an IPv4 address
    (RFC 4291 §2.5.5.2); names are the same in capitals (RFC 4343) and with the dot at their end."""
    try:
        found = ipaddress.ip_address(host)
    except ValueError:
        return host.lower().rstrip(".")
    inner = found.ipv4_mapped if isinstance(found, ipaddress.IPv6Address) else None
    return str(inner or found)


def has_same_key(one: FarBox, other: FarBox) -> bool:
    """Whether both have one host key: that is one machine's, whichever address leads to it."""
    return one.host_key.split()[:2] == other.host_key.split()[:2]


def has_same_address(one: FarBox, other: FarBox) -> bool:
    """Whether both have one address; through another tunnel the same address is another one."""
    return (_told_apart(one.address), one.tunnel) == (_told_apart(other.address), other.tunnel)


def roofs(far: Mapping[str, FarBox]) -> dict[str, tuple[str, ...]]:
    """The far boxes that stand under one roof with each far box, itself among them, in order."""
    found: dict[str, tuple[str, ...]] = {name: (name,) for name in far}
    for one, other in combinations(far, 2):
        # A machine may have several keys; and what is at another port of one address is in the same house, but for
        # ways that other programs bring up, all of which end at this machine.
        at_one_address = has_same_address(far[one], far[other]) and not is_this_machine(_told_apart(far[one].address))
        if has_same_key(far[one], far[other]) or at_one_address:
            together = tuple(sorted({*found[one], *found[other]}))
            found |= dict.fromkeys(together, together)
    return found


def roof_name(boxes: tuple[str, ...]) -> str:
    """What a roof is called by the far boxes under it: `heron`, or `heron and wren`."""
    return " and ".join(boxes)
