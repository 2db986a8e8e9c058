"""The network rungs of the ladder, from the keys at home to a full packet at the far address.

The SSH rungs follow in `ssh_checks`. What is said stands in `network_words`; here is only the looking.
"""

from __future__ import annotations

import contextlib
import ipaddress
import itertools
from collections.abc import Callable
from dataclasses import dataclass

from otherroof.base.clock import Clock
from otherroof.base.errors import TunnelTrouble, Unreached
from otherroof.probe import network_words
from otherroof.probe.arrivals import Arrivals
from otherroof.probe.ladder import Rung, RungFinding, not_ok, not_tried, ok
from otherroof.probe.path_mtu import LEAST, largest_passing, packet_crosses
from otherroof.probe.rung_names import ANSWERS, HANDSHAKE, INTERFACE, KEYS, NAMES, PLAN, ROUTE, SIZE
from otherroof.settings import Settings, WireguardTunnel
from otherroof.settings.machine_checks import require_secret
from otherroof.settings.tunnel import split_host_port
from otherroof.tunnel.keys import read_public_key, require_shared
from otherroof.tunnel.network import routes
from otherroof.tunnel.network.address_plan import NamedNetwork, clashes, free_blocks
from otherroof.tunnel.network.ping import ping
from otherroof.tunnel.network_access import NetworkAccess
from otherroof.tunnel.port import Tunnel, TunnelState
from otherroof.tunnel.silence import REJECT_S

RESOLVE_S = 8.0
LOOK_EVERY_S = 1.0
UP_EVERY_S = 10.0
HOPELESS_CALLS = 4  # a caller tries again every 5 s (WireGuard paper §6.1)
DIAL_S = 3.0
DIALS = 3  # few: some SSH servers shut out who hangs up too often
LARGEST_TRIED = 9000
ECHOES = 10  # enough to tell a loss of one in ten

Take = Callable[[float], TunnelState]
"""Brings the shared tunnel up, waiting at most so many seconds for another who is at it. Raises TunnelTrouble."""
Renew = Callable[[float], TunnelState]
"""The same for one that was taken: has it look for a far box that moved, in its turn among all who use it."""


@dataclass(frozen=True, slots=True)
class TunnelInTurn:
    """A tunnel, and how it is taken and renewed in turn with all who share it."""

    tunnel: Tunnel
    take: Take
    renew: Renew


class NetworkRungs:
    """The rungs for one far box. They share what earlier ones found: its address, and whether it answers `ping`.

    `handshake_age_s`: how old the handshake was when that rung held.
    """

    def __init__(
        self,
        settings: Settings,
        far_name: str,
        shared: TunnelInTurn,
        network_access: NetworkAccess,
        clock: Clock,
        *,
        echoes: int = ECHOES,
    ) -> None:
        self._settings = settings
        self._far = settings.far[far_name]
        self._tunnel = shared.tunnel
        self._take = shared.take
        self._renew = shared.renew
        self._network_access = network_access
        self._clock = clock
        self._echoes = echoes
        self._pings = True
        self.handshake_age_s = 0.0

    def ladder(self) -> list[Rung]:
        """The rungs in order. A name that does not resolve need not stop a climb: the tunnel may stand already."""
        # Each limit leaves room for what its rung waits for: RESOLVE_S for names, a minute for another who is bringing
        # the tunnel up, several tries at a handshake, and a search by halves for the packet size.
        return [
            Rung(KEYS, 5, self._keys),
            Rung(ROUTE, 10, self._route),
            Rung(NAMES, 20, self._names, must=False),
            Rung(PLAN, 10, self._plan),
            Rung(INTERFACE, 90, self._interface),
            Rung(HANDSHAKE, 60, self._handshake),
            Rung(ANSWERS, 20, self._answers),
            Rung(SIZE, 45, self._size),
        ]

    @property
    def _wireguard(self) -> WireguardTunnel | None:
        tunnel = self._far.tunnel
        return tunnel if isinstance(tunnel, WireguardTunnel) else None

    def _keys(self, limit_s: float) -> RungFinding:
        require_secret(self._settings.path(self._far.login_key))
        tunnel = self._wireguard
        if tunnel is None:
            return ok("the login key can be read")
        public = read_public_key(self._settings.path(tunnel.key_file))
        # The usual slip: both ends' keys look alike, and the one at hand is copied.
        if public == tunnel.far_key:
            return not_ok(
                "far_key is our own public key",
                "write the far box's there: `wg pubkey` at the far box prints it from its private key",
            )
        if tunnel.shared_key_file:
            require_shared(self._settings.path(tunnel.shared_key_file))
        return ok(f"the keys can be read; our tunnel key is {public}")

    def _route(self, limit_s: float) -> RungFinding:
        if self._wireguard is None:
            address = self._address(limit_s)
            way = routes.route_to(self._network_access.commands, address)
            return ok(f"{address} {way.text()}") if way else not_ok(f"no way to {address}", _ROUTE_ADVICE)
        found = routes.default_route(self._network_access.commands)
        return ok(found.text()) if found else not_ok("this machine has no default route", _ROUTE_ADVICE)

    def _names(self, limit_s: float) -> RungFinding:
        tunnel = self._wireguard
        if tunnel is None:
            return ok(f"{self._far.address} is {self._address(RESOLVE_S)}")
        if tunnel.role == "call":
            host, _ = split_host_port(tunnel.far_name)
            return ok(f"{host} leads to {', '.join(self._network_access.resolve(host, RESOLVE_S))}")
        if not tunnel.own_name:
            return not_tried("own_name is not set, so it cannot be told whether the far box finds home")
        found = self._network_access.resolve(tunnel.own_name, RESOLVE_S)
        ours = routes.addresses_here(self._network_access.commands)
        return network_words.own_name_finding(
            tunnel.own_name, found, ours, "" if ours & set(found) else self._outside()
        )

    def _outside(self) -> str:
        way = routes.default_route(self._network_access.commands, "4")
        return self._network_access.outside(way.gateway) if way else ""

    def _plan(self, limit_s: float) -> RungFinding:
        tunnel = self._wireguard
        if tunnel is None:
            return not_tried("this tunnel's networks are not in the settings")
        here = routes.networks_here(self._network_access.commands, leave_out=tunnel.interface)
        own = NamedNetwork("the tunnel's own network", ipaddress.ip_interface(tunnel.own_address).network)
        there = [NamedNetwork("the tunnel's far network", ipaddress.ip_network(net)) for net in tunnel.reach]
        # Often the two are the same network; it would then be reported twice.
        if not any(own.net == network.net for network in there):
            there.append(own)
        taken = [network.net for network in itertools.chain(here, there)]
        return network_words.overlap_finding(clashes(here, there), free_blocks(taken))

    def _interface(self, limit_s: float) -> RungFinding:
        if self._far.tunnel.kind == "none":
            return not_tried("there is no tunnel to bring up (kind = none)")
        # A third of the time is left for bringing it up, once the other has done.
        state = self._take(limit_s * 2 / 3)
        size = f", MTU {state.mtu}" if state.mtu else ""
        shut = ", closed to whatever the far end begins" if state.shut else ""
        return ok(f"{self._tunnel.name} is up{size}{shut}")

    def _handshake(self, limit_s: float) -> RungFinding:
        tunnel = self._wireguard
        if tunnel is None:
            return not_tried("this kind of tunnel does not tell")
        port = tunnel.port if tunnel.role == "answer" else 0
        # Who calls out has a port that nothing arrives at unasked; there is nothing to listen for.
        with Arrivals(port) if port else contextlib.nullcontext() as arrivals:
            begun = self._clock.monotonic()
            age = self._await_handshake(begun, limit_s, arrivals)
            # A session older than REJECT_S carries nothing any more (WireGuard paper §6.1).
            if age is not None and age <= REJECT_S:
                self.handshake_age_s = age
                return network_words.handshake_finding(age, self._tunnel.state().endpoint)
            heard = arrivals.heard() if arrivals is not None and arrivals.allowed else None
        waited = self._clock.monotonic() - begun
        public = read_public_key(self._settings.path(tunnel.key_file))
        return network_words.no_handshake_finding(tunnel, public, age, waited, heard)

    def _await_handshake(self, begun: float, limit_s: float, arrivals: Arrivals | None) -> float | None:
        """Wait for a fresh handshake; return its age in seconds (None: there was none), fresh or not.

        Sends something first, because an idle tunnel makes no handshake. Stops early if calls keep arriving without a
        handshake: then the keys do not match.
        """
        next_up = begun + UP_EVERY_S
        address = self._address(RESOLVE_S)
        while True:
            self._network_access.nudge(address)
            age = self._tunnel.state().handshake_age_s
            if age is not None and age <= REJECT_S:
                return age
            now = self._clock.monotonic()
            if now + LOOK_EVERY_S > begun + limit_s:
                return age
            if arrivals is not None and arrivals.heard().get("calls", 0) >= HOPELESS_CALLS:
                return age
            if now >= next_up:
                self._renew(max(0.0, begun + limit_s - now))  # resolves the far box's name again
                next_up += UP_EVERY_S
            self._clock.sleep(LOOK_EVERY_S)

    def _answers(self, limit_s: float) -> RungFinding:
        address = self._address(RESOLVE_S)
        try:
            echoes = ping(self._network_access.commands, address, count=self._echoes, wait_s=2)
            why = "it answers no ping"
        except TunnelTrouble as problem:
            echoes, why = None, f"ping {problem.what}"
        if echoes is not None and echoes.received:
            return network_words.echoes_finding(echoes)
        self._pings = False
        try:
            times = sorted(self._network_access.dial(address, self._far.port, DIAL_S) for _ in range(DIALS))
        except Unreached as problem:
            return not_ok(f"{address}: {why}, and TCP port {self._far.port}: {problem.what}", _SILENT_ADVICE)
        middle_ms = times[len(times) // 2] * 1000
        text = f"TCP answers after {network_words.ms_text(middle_ms)} (median of {DIALS}); {why}"
        return RungFinding("ok", text, round_trip_ms=middle_ms)

    def _size(self, limit_s: float) -> RungFinding:
        if not self._pings:
            return not_tried("the far address answers no ping, so how large a packet may be cannot be measured")
        address = self._address(RESOLVE_S)
        commands = self._network_access.commands
        way = routes.route_to(commands, address)
        if way is None:
            raise Unreached("there is no way to it any more", where=address, advice="run it again")
        # What this machine will really send: the MTU of the interface that leads there. If that crosses, nothing else
        # matters.
        full = min(routes.mtu_of(commands, way.interface), LARGEST_TRIED)
        if packet_crosses(commands, address, full):
            return ok(f"packets of {full} bytes cross whole")
        if not packet_crosses(commands, address, LEAST):
            return not_ok("the far address stopped answering ping", "run it again")
        # Two tries a step: one lost echo must not look like a size that does not cross.
        passing = largest_passing(
            LEAST, full, lambda size: packet_crosses(commands, address, size, tries=2, wait_s=0.8)
        )
        return network_words.size_lost_finding(full, passing, self._wireguard is not None)

    def _address(self, limit_s: float) -> str:
        return self._network_access.resolve(self._far.address, limit_s)[0]


_SILENT_ADVICE = (
    "the way there stands as far as it can be seen, but the far box is silent: is `address` its own in the tunnel, do "
    "its keys and `reach` fit ours, does its firewall let home in?"
)
_ROUTE_ADVICE = "is the network cable in, and is the router on? `ip route` shows what this machine knows"
