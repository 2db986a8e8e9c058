"""Echo requests by the system's `ping`, and a TCP connection if those are not answered.

The reading of what `ping` printed is pure. It must not know whose address it is.
"""

from __future__ import annotations

import re
import socket
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass

from otherroof.base.errors import TunnelTrouble, Unreached
from otherroof.base.programs import Programs

Dial = Callable[[str, int, float], float]
"""Address, port, time-out in seconds → seconds until it answered, also with a refusal. Raises Unreached."""

_REPLY = re.compile(r"icmp_seq=\d+ .*time[=<]([0-9.]+) ms")
_SUMMARY = re.compile(r"^(\d+) packets transmitted, (\d+) (?:packets )?received", re.MULTILINE)
DISCARD = 9  # RFC 863
# The shortest pause that older versions of `ping` allow to accounts other than root.
EVERY_S = 0.2


@dataclass(frozen=True, slots=True)
class PingResult:
    """How many echo requests went out, how many came back, and how long each of those took, in ms."""

    sent: int
    received: int
    times_ms: tuple[float, ...]

    @property
    def median_ms(self) -> float:
        """The middle round trip; 0 if nothing came back."""
        return statistics.median(self.times_ms) if self.times_ms else 0.0


def parse_ping(out: str) -> PingResult | None:
    """What `ping` printed; None if it has no summary, because it could not start."""
    summary = _SUMMARY.search(out)
    if summary is None:
        return None
    times = tuple(float(value) for value in _REPLY.findall(out))
    return PingResult(int(summary[1]), int(summary[2]), times)


def ping(commands: Programs, address: str, *, count: int, wait_s: float, data: int | None = None) -> PingResult:
    """`count` echo requests, each waited for at most `wait_s`; with `data` bytes each and never in pieces if given.

    Raises TunnelTrouble if `ping` is not there or may not be used.
    """
    argv = ["ping", "-n", "-c", str(count), "-i", f"{EVERY_S:g}", "-W", f"{wait_s:g}"]
    if data is not None:
        # `do` sets "don't fragment": routers drop what is too large instead of cutting it up. `-s` counts neither
        # header.
        argv += ["-M", "do", "-s", str(data)]
    ran = commands.run((*argv, address), count * EVERY_S + wait_s + 5.0)
    echoes = parse_ping(ran.out)
    if echoes is None:
        raise TunnelTrouble(f"cannot be used: {ran.said}", where="ping", advice="check that this account may ping")
    return echoes


def time_connection(address: str, port: int, timeout_s: float) -> float:
    """Seconds until a TCP connection was answered; a refusal is an answer too. Raises Unreached."""
    begun = time.monotonic()
    try:
        socket.create_connection((address, port), timeout=timeout_s).close()
    # A refusal is sent by the machine itself (a reset): it is there and answers, only nobody listens on that port.
    except ConnectionRefusedError:
        pass
    except TimeoutError as problem:
        raise Unreached(f"no answer within {timeout_s:g} s", where=f"{address}:{port}") from problem
    except OSError as problem:
        raise Unreached(f"{problem.strerror or problem}", where=f"{address}:{port}") from problem
    return time.monotonic() - begun


def send_empty_datagram(address: str) -> None:
    """Send one empty datagram towards `address`, so that a tunnel has a reason to shake hands."""
    # The protocol is silent: an interface shakes hands only once it has something to send. Port 9 discards what it
    # gets; the far box need not listen there for this to do its work.
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as sock:
        sock.setblocking(False)
        try:
            sock.sendto(b"", (address, DISCARD))
        except OSError:
            return  # the tunnel has nowhere to send it yet; what comes of it is looked at elsewhere
