"""The driver for `kind = "wireguard"`: the WireGuard protocol, by `ip` and `wg`.

The kernel's own link if it has one, else a userspace program that `wg` can configure; and the firewall table that
shuts the tunnel to what begins at the far end. No secret passes through here: `wg` reads the key files itself, and only
those of its answers are asked for that hold none.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Callable
from dataclasses import dataclass

from otherroof.base.clock import Clock
from otherroof.base.errors import TunnelTrouble, Unreached
from otherroof.base.programs import Programs
from otherroof.settings.tunnel import WireguardTunnel, split_host_port
from otherroof.tunnel import firewall
from otherroof.tunnel.drivers.last_call import LastCallAddress
from otherroof.tunnel.drivers.wireguard_steps import (
    InterfaceGoal,
    InterfaceState,
    PeerState,
    commands_for,
    endpoint_address,
    endpoint_text,
    is_usable_as_it_is,
    read_link,
    read_peers,
    read_routes,
)
from otherroof.tunnel.lacks import NO_LINKS_ADVICE, USERSPACE
from otherroof.tunnel.marks import MadeMark
from otherroof.tunnel.network import mtu, routes
from otherroof.tunnel.network.resolve import Resolve, next_address
from otherroof.tunnel.port import TunnelState
from otherroof.tunnel.silence import REJECT_S, SilenceTimer, is_stale

# Commands of `ip`, `wg` and `nft` take milliseconds; one that takes seconds hangs in the kernel. LOOK_S: twice within
# SILENT_S, so that silence is noticed soon.
STEP_S = 10.0
RESOLVE_S = 8.0
LOOK_S = 10.0
# A session that is older carries nothing (REJECT_S), and then two minutes of looking for it by its name.
OTHER_PORT_S = REJECT_S + 120.0
READY_S = 5.0
READY_STEP_S = 0.1
_OR_LET_IN = "or set `let_in = true` if another firewall sees to that"
_ANOTHERS = "another program may have an interface of that name; write another `interface` in the settings"
_NOT_OURS = "another account runs it in userspace; once nothing uses it, remove it as root (`ip link del` and its name)"
# Not `wg show IF dump`: it prints the private key as well. Each of these words prints one public thing a line.
_WORDS = ("peers", "allowed-ips", "persistent-keepalive", "endpoints", "latest-handshakes", "transfer")


@dataclass(frozen=True, slots=True)
class TunnelKeyFiles:
    """The key files' full paths, and how the public half of our own key is got."""

    key: str
    shared_key: str
    public: Callable[[], str]


@dataclass(frozen=True, slots=True)
class DriverTools:
    """What the driver works with; tests hand in their own."""

    commands: Programs
    resolve: Resolve
    clock: Clock
    mark: MadeMark
    caller: LastCallAddress


class WireguardDriver:
    """See the Tunnel port. One far box, one interface, one peer."""

    look_s = LOOK_S

    def __init__(self, settings: WireguardTunnel, files: TunnelKeyFiles, tools: DriverTools) -> None:
        self._settings = settings
        self._files = files
        self._commands = tools.commands
        self._resolve = tools.resolve
        self._clock = tools.clock
        self._mark = tools.mark
        self._caller = tools.caller
        self._silence = SilenceTimer()
        self._ported_at: float | None = None  # steady time of the last change of the port

    @property
    def name(self) -> str:
        return self._settings.interface

    def up(self) -> None:
        if not self._mark.is_set():
            # An interface that stands without our mark is somebody else's: used as it is or refused, never changed.
            found = self._look()
            if found is not None:
                self._accept(found)
                return
        else:
            found = self._look_over_ours()
        wanted = self._wanted(found)
        if found is None:
            # Before it is made: if this is cut short, the next process knows that what it finds is ours.
            self._mark.set()
        self._shut()  # before there is an interface, so that it is never open
        if found is None:
            self._make()
            found = self._look() or InterfaceState()
        for argv in commands_for(wanted, found):
            self._do(argv)

    def down(self) -> None:
        if not self._mark.is_set():
            return
        # The interface first and the table after it, so that it is never open. Addresses and routes go with it. A
        # program in userspace notices that its interface is gone, and ends.
        if self._link() is not None:
            self._do(("ip", "link", "del", "dev", self.name))
        self._take_table_away()
        self._mark.clear()

    def state(self) -> TunnelState:
        found = self._look()
        if found is None:
            return TunnelState(up=False, counted=True)
        peer = found.peers.get(self._settings.far_key, PeerState())
        age = self._age(peer)
        silent = self._silence.silent_for(peer.sent, peer.received, self._clock.monotonic())
        # An endpoint without a handshake is only what we were told or have tried. After one, the far box has proved
        # that it is there, and the interface follows it when it moves (WireGuard paper §2.1).
        if self._settings.role == "answer" and peer.handshake_at and peer.endpoint and self._mark.is_set():
            self._caller.remember(peer.endpoint)
        return TunnelState(
            found.up, True, age, peer.sent, peer.received, silent, peer.endpoint, found.mtu, self._is_shut()
        )

    def _age(self, peer: PeerState) -> float | None:
        if not peer.handshake_at:
            return None
        # `wg` gives Unix time by the wall clock. If that was set forward since, the handshake looks too old, and the
        # worst that follows is that the far box's name is resolved once more.
        return max(0.0, self._clock.now().timestamp() - peer.handshake_at)

    def _look_over_ours(self) -> InterfaceState | None:
        try:
            return self._look()
        except TunnelTrouble:
            self.down()  # half made, or its userspace process is gone: make it again
            return None

    def _accept(self, found: InterfaceState) -> None:
        """Raises TunnelTrouble unless the interface, which others made, is this very tunnel. It is never changed."""
        if not is_usable_as_it_is(found, self._files.public(), self._settings.far_key):
            raise TunnelTrouble(
                "there is an interface of that name, which Otherroof did not make and which is not this tunnel",
                where=self.name,
                advice=f"write another `interface` in the settings, or remove it: `ip link del {self.name}`",
            )

    def _shut(self) -> None:
        """Put our firewall table in place; again each time, since that disturbs nothing and rules may have changed."""
        if self._settings.let_in:
            self._take_table_away()
            return
        if not self._commands.find("nft"):
            raise TunnelTrouble(
                "nft is not on this machine, without which the far house could reach into this one",
                where=self.name,
                advice=f"`apt install nftables`; {_OR_LET_IN}",
            )
        ran = self._commands.run(("nft", firewall.rules(self.name)), STEP_S)
        if ran.code:
            table = ("nft", "table", "inet", firewall.table_name(self.name))
            raise self._trouble(table, ran.said, f"see that this kernel can do nftables; {_OR_LET_IN}")

    def _take_table_away(self) -> None:
        if not self._commands.find("nft") or not self._table_stands():
            return
        ran = self._commands.run(("nft", firewall.removal_rules(self.name)), STEP_S)
        if ran.code:
            raise self._trouble(("nft", "delete", "table", "inet", firewall.table_name(self.name)), ran.said)

    def _is_shut(self) -> bool | None:
        """Whether our firewall table stands; None if that is not ours to do (`let_in`, or made by others)."""
        if self._settings.let_in or not self._mark.is_set():
            return None
        return self._table_stands()

    def _table_stands(self) -> bool:
        return not self._commands.run(("nft", "list", "table", "inet", firewall.table_name(self.name)), STEP_S).code

    def _make(self) -> None:
        argv = ("ip", "link", "add", "dev", self.name, "type", "wireguard")
        ran = self._commands.run(argv, STEP_S)
        if not ran.code:
            return
        # A kernel without the module says that the type is unknown; only then is userspace of any help.
        if "not permitted" in ran.said:
            raise self._trouble(argv, ran.said)
        program = self._commands.find(USERSPACE)
        if not program:
            raise TunnelTrouble(
                f"this kernel has no WireGuard-protocol links ({ran.said})",
                where=self.name,
                advice=NO_LINKS_ADVICE,
            )
        self._do((program, self.name))
        # It goes on in the background, and can be configured as soon as `wg` finds its control socket.
        until = self._clock.monotonic() + READY_S
        while self._commands.run(("wg", "show", self.name, "peers"), STEP_S).code:
            if self._clock.monotonic() > until:
                raise TunnelTrouble(f"{USERSPACE} did not get ready within {READY_S:g} s", where=self.name)
            self._clock.sleep(READY_STEP_S)

    def _look(self) -> InterfaceState | None:
        found = self._link()
        if found is None:
            return None
        public = self._show("public-key").strip()
        found.public_key = "" if public == "(none)" else public
        found.listen_port = int(self._show("listen-port").strip() or 0)
        found.peers = read_peers({word: self._show(word) for word in _WORDS})
        return found

    def _link(self) -> InterfaceState | None:
        ran = self._commands.run(("ip", "-json", "addr", "show", "dev", self.name), STEP_S)
        if ran.code:
            # The exit code is that of other troubles too, so the words decide; programs are run in English.
            if "does not exist" in ran.said:
                return None
            raise TunnelTrouble(f"cannot be looked at: {ran.said}", where=self.name)
        found = read_link(routes.parse_rows(ran.out)[0])
        found.routes = frozenset().union(*(self._routes(family) for family in ("-4", "-6")))
        return found

    def _routes(self, family: str) -> frozenset[str]:
        ran = self._commands.run(("ip", family, "-json", "route", "show", "dev", self.name), STEP_S)
        # A machine without IPv6 may answer with an error: then there are no such routes.
        return read_routes(routes.parse_rows(ran.out)) if not ran.code else frozenset()

    def _show(self, word: str) -> str:
        ran = self._commands.run(("wg", "show", self.name, word), STEP_S)
        if ran.code:
            raise TunnelTrouble(
                f"`wg` cannot look at it: {ran.said}",
                where=self.name,
                advice=_NOT_OURS if "ermission denied" in ran.said else _ANOTHERS,
            )
        return ran.out

    def _wanted(self, found: InterfaceState | None) -> InterfaceGoal:
        settings = self._settings
        called = self._endpoint(found) if settings.role == "call" else ""
        return InterfaceGoal(
            interface=settings.interface,
            own_address=settings.own_address,
            mtu=settings.mtu or self._worked_out_mtu(called),
            key_file=self._files.key,
            public_key=self._files.public(),
            far_key=settings.far_key,
            reach=settings.reach,
            keepalive_s=settings.keepalive_s,
            listen_port=settings.port if settings.role == "answer" else 0,
            shared_key_file=self._files.shared_key,
            endpoint=called or self._caller_of(found),
            other_port=self._is_other_port_due(found),
        )

    def _is_other_port_due(self, found: InterfaceState | None) -> bool:
        """Whether to call from another port, because the far box has been silent for long: its router may know this one
        from before, and send what comes from it to a machine that is no longer there."""
        peer = found.peers.get(self._settings.far_key) if found else None
        if self._settings.role != "call" or peer is None or not peer.handshake_at:
            return False  # one that never was answered is as new as its port
        now, age = self._clock.monotonic(), self._age(peer)
        if age is None or age < OTHER_PORT_S or (self._ported_at is not None and now < self._ported_at + OTHER_PORT_S):
            return False
        self._ported_at = now
        return True

    def _caller_of(self, found: InterfaceState | None) -> str:
        """Where to call back to, on an interface that has not heard from the far box yet."""
        # Once the far box has called, the interface knows better than any file where it is now; setting an old endpoint
        # would send answers astray.
        heard = found is not None and found.peers.get(self._settings.far_key, PeerState()).endpoint
        last = "" if heard or self._settings.role == "call" else self._caller.last()
        return "" if self._lies_beyond(endpoint_address(last)) else last

    def _endpoint(self, found: InterfaceState | None) -> str:
        """Where to call; what stands already, unless the far box may have moved."""
        peer = found.peers.get(self._settings.far_key, PeerState()) if found else PeerState()
        silent = self._silence.silent_for(peer.sent, peer.received, self._clock.monotonic())
        # `wg` resolves a name once, when it is set, and the kernel keeps the number. A household's number changes, so
        # it is resolved here again as soon as the far box no longer answers; not before, for that would break a good
        # session.
        if peer.endpoint and not is_stale(self._age(peer), silent):
            return peer.endpoint
        host, port = split_host_port(self._settings.far_name)
        try:
            addresses = self._resolve(host, RESOLVE_S)
        except Unreached as problem:
            if peer.endpoint:
                return peer.endpoint  # better an old number than none while the name server is away
            raise TunnelTrouble(problem.what, where=problem.where, advice=problem.advice) from problem
        chosen = next_address(endpoint_address(peer.endpoint), addresses)
        self._refuse_loop(host, chosen)
        return endpoint_text(chosen, port)

    def _refuse_loop(self, host: str, address: str) -> None:
        net = self._lies_beyond(address)
        if net:
            raise TunnelTrouble(
                f"resolves to {address}, which lies in {net} on the tunnel's other side",
                where=host,
                advice="the name must lead to the far router's public address; the tunnel cannot carry itself",
            )

    def _lies_beyond(self, address: str) -> str:
        """The network on the other side that holds `address`; empty if none does."""
        nets = self._settings.reach if address else ()
        return next((net for net in nets if ipaddress.ip_address(address) in ipaddress.ip_network(net)), "")

    def _worked_out_mtu(self, endpoint: str) -> int:
        address = endpoint_address(endpoint)
        # By the interface that the tunnel's own packets leave through: on a DSL line with PPPoE its MTU is 1492, not
        # 1500. If home is called and does not yet know from where, the default route has to do.
        way = routes.route_to(self._commands, address) if address else routes.default_route(self._commands)
        if way is None:
            return mtu.choose(mtu.ETHERNET, None)
        outer: mtu.Family | None = None
        if address:
            outer = 6 if ":" in address else 4
        return mtu.choose(routes.mtu_of(self._commands, way.interface), outer)

    def _do(self, argv: tuple[str, ...]) -> None:
        ran = self._commands.run(argv, STEP_S)
        if ran.code:
            raise self._trouble(argv, ran.said)

    def _trouble(self, argv: tuple[str, ...], said: str, advice: str = "run it by hand and see why") -> TunnelTrouble:
        if "not permitted" in said:
            advice = "this account may not change the network; run as root, or give the service CAP_NET_ADMIN"
        elif "in use" in said:
            advice = f"another program has UDP port {self._settings.port}; write another `port`, and forward that one"
        return TunnelTrouble(f"`{' '.join(argv)}` failed: {said}", where=self.name, advice=advice)
