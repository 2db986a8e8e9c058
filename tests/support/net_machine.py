"""A machine's `ip`, `wg`, `nft` and `ping` as far as the tunnel asks them, simulated: a recorder that answers.

What it prints has the shape that iproute2 6.1, wireguard-tools 1.0 and iputils print on Debian 12.
"""

from __future__ import annotations

import ipaddress
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from otherroof.base.programs import ProgramResult

KERNEL_LACKS_IT = ProgramResult(2, err="Error: Unknown device type.")


@dataclass
class SimPeer:
    allowed: list[str] = field(default_factory=list)
    keepalive: str = "off"
    endpoint: str = "(none)"
    handshake_at: int = 0
    received: int = 0
    sent: int = 0
    shared_key_file: str = ""


@dataclass
class SimLink:
    mtu: int = 1420
    up: bool = False
    tunnel: bool = True
    addresses: list[str] = field(default_factory=list)
    routes: list[str] = field(default_factory=list)
    public: str = "(none)"
    port: int = 40000
    peers: dict[str, SimPeer] = field(default_factory=dict)


class NetMachine:
    """Implements the Commands port. `ran` holds every argv; `refuse` makes those that start with a prefix fail."""

    def __init__(self, *, kernel: bool = True, userspace: bool = False) -> None:
        self.kernel = kernel
        self.userspace = userspace
        self.firewall = True
        self.tables: dict[str, str] = {"house": "its own rules"}
        self.links: dict[str, SimLink] = {"eth0": SimLink(1500, True, False, ["192.168.71.2/24"])}
        self.default: dict[str, Any] | None = {"dst": "default", "gateway": "192.168.71.1", "dev": "eth0", "flags": []}
        self.publics: dict[str, str] = {}
        self.ran: list[tuple[str, ...]] = []
        self.refuse: dict[tuple[str, ...], ProgramResult] = {}
        self.echo: Callable[[str, int], float | None] = lambda address, size: 20.0

    def find(self, name: str) -> str:
        if name == "nft":
            return "/usr/sbin/nft" if self.firewall else ""
        return f"/usr/bin/{name}" if self.userspace and name == "wireguard-go" else ""

    def run(self, argv: Sequence[str], timeout_s: float) -> ProgramResult:
        assert timeout_s > 0
        argv = tuple(argv)
        self.ran.append(argv)
        for prefix, ran in self.refuse.items():
            if argv[: len(prefix)] == prefix:
                return ran
        match argv:
            case ("ip", *words):
                return self._ip([word for word in words if word not in {"-json", "-4", "-6"}], "-6" in words)
            case ("wg", "show", name, word):
                return self._show(name, word)
            case ("wg", "set", name, *words):
                return self._set(self.links[name], words)
            case ("/usr/bin/wireguard-go", name):
                self.links[name] = SimLink()
                return ProgramResult(0)
            case ("nft", "list", "table", "inet", name):
                return (
                    ProgramResult(0)
                    if name in self.tables
                    else ProgramResult(1, err="Error: No such file or directory")
                )
            case ("nft", text):
                return self._nft(text)
            case ("ping", *words):
                return self._ping(words)
        raise AssertionError(f"nobody simulates {argv}")

    @property
    def changes(self) -> list[tuple[str, ...]]:
        """Those that were run and change something."""
        looks = {"show", "get", "list"}
        return [argv for argv in self.ran if argv[0] != "ping" and not looks & set(argv[:5])]

    def _nft(self, text: str) -> ProgramResult:
        """Only the driver's own form: a table is declared, deleted, and perhaps made anew, in one step."""
        declared, deleted, *rest = text.splitlines()
        name = declared.removeprefix("table inet ")
        assert deleted == f"delete {declared}", "what is not declared first cannot be deleted"
        self.tables.pop(name, None)
        if rest:
            assert rest[0] == f"{declared} {{"
            self.tables[name] = "\n".join(rest)
        return ProgramResult(0)

    def _ip(self, words: list[str], six: bool) -> ProgramResult:
        match words:
            case ["link", "add", "dev", name, "type", "wireguard"]:
                if not self.kernel:
                    return KERNEL_LACKS_IT
                self.links[name] = SimLink()
            case ["link", "del", "dev", name]:
                del self.links[name]
            case ["link", "set", "dev", name, "mtu", size]:
                self.links[name].mtu = int(size)
            case ["link", "set", "dev", name, "up"]:
                self._bring_up(self.links[name])
            case ["addr", "add", address, "dev", name]:
                self.links[name].addresses.append(address)
            case ["addr", "del", address, "dev", name]:
                self.links[name].addresses.remove(address)
            case ["route", "replace", net, "dev", name]:
                self.links[name].routes.append(net)
            case ["addr", "show", *rest] | ["link", "show", *rest]:
                return self._addresses(rest[1] if rest else "")
            case ["route", "show", "dev", name]:
                shown = [] if six else self.links[name].routes
                return ProgramResult(0, json.dumps([{"dst": net.removesuffix("/32")} for net in shown]))
            case ["route", "show", "default"]:
                return ProgramResult(0, json.dumps([self.default] if self.default and not six else []))
            case ["route", "get", address]:
                return self._way(ipaddress.ip_address(address))
            case _:
                raise AssertionError(f"nobody simulates ip {words}")
        return ProgramResult(0)

    @staticmethod
    def _bring_up(link: SimLink) -> None:
        link.up = True
        link.routes += [str(ipaddress.ip_interface(one).network) for one in link.addresses]

    def _addresses(self, name: str) -> ProgramResult:
        if name and name not in self.links:
            return ProgramResult(1, err=f'Device "{name}" does not exist.')
        rows = []
        for one, link in self.links.items():
            if name in ("", one):
                pairs = [entry.split("/") for entry in link.addresses]
                info = [{"local": local, "prefixlen": int(size), "scope": "global"} for local, size in pairs]
                flags = ["UP"] if link.up else []
                rows.append({"ifname": one, "flags": flags, "mtu": link.mtu, "addr_info": info})
        return ProgramResult(0, json.dumps(rows))

    def _way(self, address: ipaddress.IPv4Address | ipaddress.IPv6Address) -> ProgramResult:
        for name, link in self.links.items():
            if link.up and any(address in ipaddress.ip_network(net) for net in link.routes):
                return ProgramResult(0, json.dumps([{"dst": str(address), "dev": name}]))
        if self.default is None:
            return ProgramResult(2, err="RTNETLINK answers: Network is unreachable")
        return ProgramResult(0, json.dumps([{**self.default, "dst": str(address)}]))

    def _show(self, name: str, word: str) -> ProgramResult:
        link = self.links.get(name)
        if link is None or not link.tunnel:
            return ProgramResult(1, err="Unable to access interface: Operation not supported")
        if word in ("public-key", "listen-port"):
            return ProgramResult(0, f"{link.public if word == 'public-key' else link.port}\n")
        told = {
            "peers": lambda key, peer: key,
            "allowed-ips": lambda key, peer: f"{key}\t{' '.join(peer.allowed) or '(none)'}",
            "persistent-keepalive": lambda key, peer: f"{key}\t{peer.keepalive}",
            "endpoints": lambda key, peer: f"{key}\t{peer.endpoint}",
            "latest-handshakes": lambda key, peer: f"{key}\t{peer.handshake_at}",
            "transfer": lambda key, peer: f"{key}\t{peer.received}\t{peer.sent}",
        }[word]
        return ProgramResult(0, "".join(told(key, peer) + "\n" for key, peer in link.peers.items()))

    def _set(self, link: SimLink, words: list[str]) -> ProgramResult:
        peer: SimPeer | None = None
        given = iter(words)
        for word in given:
            if word == "remove":
                link.peers = {key: one for key, one in link.peers.items() if one is not peer}
                continue
            value = next(given)
            if word == "peer":
                peer = link.peers.setdefault(value, SimPeer())
            elif word == "private-key":
                link.public = self.publics[value]
            elif word == "listen-port":
                link.port = int(value)
            else:
                assert peer is not None
                self._set_peer(peer, word, value)
        return ProgramResult(0)

    @staticmethod
    def _set_peer(peer: SimPeer, word: str, value: str) -> None:
        if word == "allowed-ips":
            peer.allowed = value.split(",")
        elif word == "persistent-keepalive":
            peer.keepalive = "off" if value == "0" else value
        elif word == "endpoint":
            peer.endpoint = value
        elif word == "preshared-key":
            peer.shared_key_file = value
        else:
            raise AssertionError(f"nobody simulates wg set peer {word}")

    def _ping(self, words: list[str]) -> ProgramResult:
        count, address = int(words[words.index("-c") + 1]), words[-1]
        size = int(words[words.index("-s") + 1]) + 28 if "-s" in words else 84
        times = [self.echo(address, size) for _ in range(count)]
        lines = [f"PING {address}"]
        lines += [
            f"64 bytes from {address}: icmp_seq={number} ttl=64 time={time:g} ms"
            for number, time in enumerate(times, start=1)
            if time is not None
        ]
        got = sum(time is not None for time in times)
        lines += ["", f"--- {address} ping statistics ---"]
        lines += [f"{count} packets transmitted, {got} received, {100 - 100 * got // count}% packet loss, time 9ms"]
        return ProgramResult(0 if got else 1, "\n".join(lines))
