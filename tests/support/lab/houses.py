"""Two houses and the net between them: five namespaces in a row, with routers that translate addresses or do not.

    home ── home_router ── transit ── far_router ── far

`transit` plays the internet. A house behind a translating router (nftables masquerade) cannot be called from outside
except on a port that its router forwards. Faults of the way are made here; what a slow line does is `Relay`'s job.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass

from support.lab.namespace import Namespace
from support.lab.ownership import Estate

WAN, LAN = "wan", "lan"


@dataclass(frozen=True)
class Plan:
    """Addresses and translation. Public ones are from RFC 2544's block for test benches, which is nobody's.

    The machine of a house has the second address of its LAN, the router the first; a public address must lie in
    198.18.1.0/24 (home) or 198.18.2.0/24 (far), whose first address is the transit's.
    """

    home_lan: str = "192.168.71.0/24"
    far_lan: str = "192.168.88.0/24"
    home_public: str = "198.18.1.2"
    far_public: str = "198.18.2.2"
    home_translates: bool = False
    far_translates: bool = False
    forwarded_port: int = 0

    @property
    def home_address(self) -> str:
        """Home's own address in its LAN."""
        return str(ipaddress.ip_network(self.home_lan)[2])

    @property
    def far_address(self) -> str:
        """The far box's own address in its LAN."""
        return str(ipaddress.ip_network(self.far_lan)[2])


class Houses:
    """The five namespaces, built on entry and gone on exit. `estate` owns them and what else a test starts in them.

    Without translation the LANs are routed through the transit, so either machine may call the other by its LAN
    address (they must not overlap then). With it, only public addresses are.
    """

    RELAY_ADDRESS = "198.18.0.1"

    def __init__(self, plan: Plan | None = None) -> None:
        self.plan = plan or Plan()
        self.estate = Estate()
        self._home_public = self.plan.home_public
        self._home_address = self.plan.home_address
        self._far_public = self.plan.far_public
        self._rebound = 0
        try:
            self.home, self.home_router, self.transit, self.far_router, self.far = (
                Namespace(self.estate, f"otherroof-{self.estate.number}-{role}")
                for role in ("home", "home-router", "transit", "far-router", "far")
            )
            self._wire()
        except BaseException:
            self.estate.release()
            raise

    def __enter__(self) -> Houses:
        return self

    def __exit__(self, *_: object) -> None:
        self.estate.release()

    # The addresses that matter to a caller.

    @property
    def home_outside(self) -> str:
        """The address at which home is met from outside: its router's public one, or its own where it is routed."""
        return self._home_public if self.plan.home_translates else self._home_address

    @property
    def far_outside(self) -> str:
        """The same for the far house."""
        return self._far_public if self.plan.far_translates else self.plan.far_address

    def interface_name(self, role: str) -> str:
        """A tunnel interface name that no other test uses now: userspace tunnels share one folder of sockets.

        The socket that a killed tunnel leaves there is removed with the houses.
        """
        name = f"{role[0]}{self.estate.number}"[:15]
        self.estate.note("file", path=f"/run/wireguard/{name}.sock")
        return name

    # Faults of the way.

    def home_moves(self, public: str) -> None:
        """Home's provider gives it another public address, as after a nightly reconnect; old flows break."""
        _change_public(self.home_router, self._home_public, public, "198.18.1.1")
        self._home_public = public
        self._translate()
        self._forget(self.home_router, "home")

    def home_server_is_replaced(self, address: str) -> None:
        """Another machine, at `address` in home's LAN, takes over. The router forwards to it from now on; flows that it
        knows already it goes on sending to the old one."""
        size = ipaddress.ip_network(self.plan.home_lan).prefixlen
        self.home.ip("address", "delete", f"{self._home_address}/{size}", "dev", LAN)
        self.home.ip("address", "add", f"{address}/{size}", "dev", LAN)
        self.home.ip("route", "replace", "default", "via", str(ipaddress.ip_network(self.plan.home_lan)[1]))
        self._home_address = address
        self._translate()

    def far_moves(self, public: str) -> None:
        """The same for the far house."""
        _change_public(self.far_router, self._far_public, public, "198.18.2.1")
        self._far_public = public
        self._translate()
        self._forget(self.far_router, "far")

    def _forget(self, router: Namespace, port: str) -> None:
        # Masquerade forgets by itself, forwarded flows do not; and the transit would go on sending to the old address.
        router.forget_flows()
        self.transit.ip("neighbour", "flush", "dev", port)

    def far_translation_rebinds(self) -> None:
        """The far router forgets its flows and will use other source ports, as after its restart."""
        self._rebound += 1
        self._translate()
        self.far_router.forget_flows()

    def drop(self, *matches: str) -> None:
        """Let the transit drop what fits any of these nftables matches, silently; replaces what it dropped before."""
        rules = "".join(f"    {match} counter drop\n" for match in matches)
        self.transit.nft(
            "table ip faults\ndelete table ip faults\ntable ip faults {\n  chain arriving {\n"
            f"    type filter hook prerouting priority raw;\n{rules}  }}\n}}\n"
        )

    def block_udp(self, port: int) -> None:
        """A provider that blocks one UDP port, both as source and as target."""
        self.drop(f"udp dport {port}", f"udp sport {port}")

    def black_hole(self, over: int) -> None:
        """Packets of more than `over` bytes (IP header included) vanish without an ICMP word."""
        self.drop(f"meta length > {over}")

    def clear(self) -> None:
        """The transit drops nothing any more."""
        self.drop()

    def far_power(self, on: bool) -> None:
        """The far house's LAN cable out or in: the far box is off, as seen from everywhere else."""
        self.far_router.ip("link", "set", LAN, "up" if on else "down")

    # Building.

    def _wire(self) -> None:
        for router in (self.home_router, self.transit, self.far_router):
            router.run(["sysctl", "-q", "-w", "net.ipv4.ip_forward=1"])
        plan = self.plan
        _join_house(self.home, self.home_router, plan.home_lan)
        _join_house(self.far, self.far_router, plan.far_lan)
        _join_transit(self.home_router, self.transit, "home", f"{plan.home_public}/24", "198.18.1.1")
        _join_transit(self.far_router, self.transit, "far", f"{plan.far_public}/24", "198.18.2.1")
        self.transit.ip("address", "add", f"{self.RELAY_ADDRESS}/32", "dev", "lo")
        if not plan.home_translates:
            self.transit.ip("route", "add", plan.home_lan, "via", plan.home_public)
        if not plan.far_translates:
            self.transit.ip("route", "add", plan.far_lan, "via", plan.far_public)
        self._translate()

    def _translate(self) -> None:
        plan = self.plan
        if plan.home_translates:
            forward = [(plan.forwarded_port, self._home_address)] if plan.forwarded_port else []
            self.home_router.nft(_translation(self._home_public, forward))
        if plan.far_translates:
            first = 20000 + 1000 * (self._rebound % 40)
            ports = f"{first}-{first + 999}" if self._rebound else ""
            self.far_router.nft(_translation(self._far_public, [], ports=ports))


def _join_house(machine: Namespace, router: Namespace, network: str) -> None:
    net = ipaddress.ip_network(network)
    router.ip("link", "add", LAN, "type", "veth", "peer", "name", LAN, "netns", machine.name)
    for space, address in ((router, net[1]), (machine, net[2])):
        space.ip("address", "add", f"{address}/{net.prefixlen}", "dev", LAN)
        space.ip("link", "set", LAN, "up")
    machine.ip("route", "add", "default", "via", str(net[1]))


def _join_transit(router: Namespace, transit: Namespace, port: str, public: str, gateway: str) -> None:
    router.ip("link", "add", WAN, "type", "veth", "peer", "name", port, "netns", transit.name)
    transit.ip("address", "add", f"{gateway}/24", "dev", port)
    transit.ip("link", "set", port, "up")
    router.ip("address", "add", public, "dev", WAN)
    router.ip("link", "set", WAN, "up")
    router.ip("route", "add", "default", "via", gateway)


def _change_public(router: Namespace, old: str, new: str, gateway: str) -> None:
    router.ip("address", "delete", f"{old}/24", "dev", WAN)
    router.ip("address", "add", f"{new}/24", "dev", WAN)
    router.ip("route", "replace", "default", "via", gateway)


def _translation(public: str, forwarded: Iterable[tuple[int, str]], ports: str = "") -> str:
    """A household router: masquerade outwards, nothing inwards but answers and forwarded UDP ports.

    What is meant for an address that it no longer has is dropped, as the provider would: else neighbours' caches and
    old flows would carry it on.
    """
    inwards = "".join(f"    iifname {WAN} udp dport {port} dnat to {address}:{port}\n" for port, address in forwarded)
    to = f"    oifname {WAN} meta l4proto {{ tcp, udp }} masquerade to :{ports}\n" if ports else ""
    return f"""table ip household
delete table ip household
table ip household {{
  chain arriving {{
    type filter hook prerouting priority raw;
    iifname {WAN} ip daddr != {public} drop
  }}
  chain inwards {{
    type nat hook prerouting priority dstnat;
{inwards}  }}
  chain outwards {{
    type nat hook postrouting priority srcnat;
{to}    oifname {WAN} masquerade
  }}
  chain passing {{
    type filter hook forward priority filter;
    iifname {WAN} ct state established,related accept
    iifname {WAN} ct status dnat accept
    iifname {WAN} drop
  }}
}}
"""
