"""A line without a tunnel, whose queue the kernel keeps: for measurements beside a processor that others keep busy.

    home ── home_router ═══ line ═══ far_router ── far

Each router lets out what the rate allows and drops what its queue has no room for (tc-tbf(8)). Only the delay and the
losses in between are made by a process, of real-time priority as a relay's, so that busy programs do not become part
of the line. The packets of a userspace tunnel would wait for its own process.
"""

from __future__ import annotations

import json
import os
import sys
from dataclasses import asdict, replace

from support.lab.commands import LabFault
from support.lab.namespace import Namespace
from support.lab.ownership import Estate
from support.lab.shaping import Line

MTU = 1480  # a full packet is as long as one of the tunnel's is outside
LAN, LINE = "lan", "line"
SHORT_BURST, LONG_BURST, FAST_MBIT = 3000, 6000, 50  # bytes at once; a fast line sends some before a timer is up
_TESTS = os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__))))


class StraightLine:
    """Home and far box joined by `line` each way. The namespaces belong to `estate`, and so does the process."""

    HOME, FAR = "10.78.1.2", "10.78.2.2"

    def __init__(self, estate: Estate, line: Line) -> None:
        self.home, self.home_router, self.far_router, self.far = (
            Namespace(estate, f"otherroof-{estate.number}-{role}")
            for role in ("home", "home-router", "far-router", "far")
        )
        between = json.dumps(asdict(replace(line, rate_mbit=0.0)))
        argv = [sys.executable, "-m", "support.lab.straight_line_process"]
        argv += [self.home_router.name, self.far_router.name, LINE, between]
        ours, theirs = os.pipe()
        process = estate.spawn([*argv, str(theirs)], env={**os.environ, "PYTHONPATH": _TESTS}, pass_fds=(theirs,))
        os.close(theirs)
        with open(ours, "rb") as told:
            if told.readline() != b"up\n":
                raise LabFault(f"the line's process ended with {process.wait(10)}; its error is on standard error")
        for number, machine, router in ((1, self.home, self.home_router), (2, self.far, self.far_router)):
            self._join(number, machine, router, line)

    def use_congestion_control(self, name: str, *, locked: bool) -> None:
        """As a TunnelPair's."""
        words = ["congctl", "lock", name] if locked else ["congctl", name]
        for number, machine in ((1, self.home), (2, self.far)):
            machine.ip("route", "replace", "default", "via", f"10.78.{number}.1", *words)

    def _join(self, number: int, machine: Namespace, router: Namespace, line: Line) -> None:
        other = 3 - number
        router.run(["sysctl", "-q", "-w", "net.ipv4.ip_forward=1"])
        router.ip("link", "add", LAN, "type", "veth", "peer", "name", LAN, "netns", machine.name)
        for space, last in ((router, 1), (machine, 2)):
            space.ip("address", "add", f"10.78.{number}.{last}/24", "dev", LAN)
            space.ip("link", "set", LAN, "mtu", str(MTU), "up")
        machine.ip("link", "set", LAN, "gso_max_segs", "1")  # single packets, as a line sees them
        machine.ip("route", "add", "default", "via", f"10.78.{number}.1")
        router.ip("link", "set", LINE, "mtu", str(MTU), "up")
        router.ip("route", "add", f"10.78.{other}.0/24", "dev", LINE)
        burst = SHORT_BURST if line.rate_mbit < FAST_MBIT else LONG_BURST
        words = ["rate", f"{line.rate_mbit}mbit", "burst", str(burst), "latency", f"{line.queue_ms}ms"]
        router.run(["tc", "qdisc", "replace", "dev", LINE, "root", "tbf", *words])
