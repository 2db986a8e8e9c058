"""From a name to addresses, with a time-out that the system's resolver does not offer.

It must not know whose name it is.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Sequence

from otherroof.base.errors import Unreached
from otherroof.base.time_limit import TookTooLong, within_time

Resolve = Callable[[str, float], tuple[str, ...]]
"""Host and time-out in seconds → its addresses, best first. Raises Unreached."""


def resolve(host: str, timeout_s: float) -> tuple[str, ...]:
    """The addresses of `host`, in the system's order; an address is its own answer. Raises Unreached."""
    try:
        return (str(ipaddress.ip_address(host)),)
    except ValueError:
        pass
    try:
        # One kind of socket is asked for, since each address would else come back once for each kind.
        found = within_time(timeout_s, lambda: socket.getaddrinfo(host, None, type=socket.SOCK_DGRAM))
    except TookTooLong as problem:
        advice = "check the name server that this machine uses (/etc/resolv.conf)"
        raise Unreached(f"the name was not resolved within {timeout_s:g} s", where=host, advice=advice) from problem
    except socket.gaierror as problem:
        raise Unreached(f"the name does not resolve: {problem.strerror}", where=host, advice=_advice(problem)) from None
    return tuple(dict.fromkeys(str(entry[4][0]) for entry in found))


def _advice(problem: socket.gaierror) -> str:
    if problem.errno == socket.EAI_AGAIN:
        return "the name server did not answer: check the internet connection and /etc/resolv.conf"
    return "check how it is written, and that its dynamic-name service still has it"


def next_address(current: str, addresses: Sequence[str]) -> str:
    """The address to call: the first of the name's; if `current` is silent, the next one after it."""
    # One of a name's addresses may lead nowhere (IPv6 that a router blocks, say): each time nothing comes back, the
    # next one has its turn.
    if current in addresses:
        return addresses[(addresses.index(current) + 1) % len(addresses)]
    return addresses[0]
