"""Counts what crosses to and from a server, by the kernel's packet filter: a witness that the contender cannot sway."""

from __future__ import annotations

import json
from dataclasses import dataclass

from support.lab import Namespace


@dataclass(frozen=True)
class Crossed:
    """Bytes of IP packets to the server and from it, headers included."""

    up: int
    down: int


class WireCount:
    """Counters on `port` in `space`, from now on."""

    def __init__(self, space: Namespace, port: int) -> None:
        self._space = space
        space.nft(
            "table inet wire\ndelete table inet wire\ntable inet wire {\n  counter up { }\n  counter down { }\n"
            "  chain arriving {\n    type filter hook input priority filter;\n"
            f'    tcp dport {port} counter name "up"\n    tcp sport {port} counter name "down"\n  }}\n}}\n'
        )

    def crossed(self) -> Crossed:
        """What crossed since this was made."""
        told = json.loads(self._space.run(["nft", "--json", "list", "counters"]))["nftables"]
        counts = {one["counter"]["name"]: int(one["counter"]["bytes"]) for one in told if "counter" in one}
        return Crossed(counts["up"], counts["down"])
