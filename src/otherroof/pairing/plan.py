"""The whole plan for two houses, made of a person's few answers and of what is taken already.

Pure: answers in, a plan out. A plan holds no secret; it is what waits in the settings folder between making the
kit and finishing, and everything that the kit and the home's settings say comes from it.
"""

from __future__ import annotations

import hashlib
import ipaddress
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from otherroof.base.errors import WrongUse
from otherroof.pairing.answers import ANSWER, Answers, Role
from otherroof.settings import WireguardTunnel
from otherroof.settings.fields import Name, Port, Strict
from otherroof.settings.tunnel import TunnelSettings
from otherroof.tunnel.network.address_plan import (
    PRIVATE_BLOCKS,
    call_advice,
    cannot_be_called,
    free_blocks,
    lies_in,
    overlap,
)

BASE = "/copies"  # as SFTP shows it: the account's only writable folder, inside the one that it cannot leave
KEEPALIVE_S = 25
CHOICE_OF_BLOCKS = 64
# Linux: IFNAMSIZ is 16, one of them for the zero at the end.
INTERFACE_LETTERS = 15


@dataclass(frozen=True, slots=True)
class InUse:
    """What other far boxes and this machine use already."""

    interfaces: frozenset[str] = frozenset()
    ports: frozenset[int] = frozenset()
    networks: tuple[str, ...] = field(default=())


class PairingPlan(Strict):
    """One home and one far box. Key fields are public halves; addresses are those inside the tunnel."""

    far: Name
    home: Name
    zone: str
    role: Role
    own_name: str
    far_name: str
    port: Port
    network: str
    home_address: str
    far_address: str
    home_interface: str
    far_interface: str
    mtu: int
    account: str
    folder: str
    ssh_port: Port
    silent_days: float
    contact: str
    restart_at: str
    tunnel_key: str
    login_key: str

    @property
    def kit(self) -> str:
        """Names the kit made from this plan: eight digits that change when anything in it does."""
        # pydantic writes the fields in the order of this class, so the same plan always gives the same name.
        return hashlib.sha256(self.model_dump_json().encode("utf-8")).hexdigest()[:8]

    @property
    def prefix(self) -> int:
        """The size of the tunnel's network, as in /24."""
        return ipaddress.IPv4Network(self.network).prefixlen


@dataclass(frozen=True, slots=True)
class HomeKeys:
    """The public halves of the keys that home made."""

    tunnel: str
    login: str


def key_names(far: str) -> tuple[str, str, str]:
    """Where the keys for `far` lie, as seen from the settings folder: tunnel, shared, login."""
    return f"keys/{far}-tunnel.key", f"keys/{far}-shared.key", f"keys/{far}-login.key"


def in_use_by(tunnels: Iterable[TunnelSettings], plans: Iterable[PairingPlan], here: Sequence[str]) -> InUse:
    """What is in use by `tunnels` in the settings, by other `plans` that wait, and by the networks `here`."""
    interfaces: set[str] = set()
    ports: set[int] = set()
    networks: list[str] = list(here)
    for tunnel in tunnels:
        if isinstance(tunnel, WireguardTunnel):
            interfaces.add(tunnel.interface)
            # `reach` too: two tunnels to one network would take each other's packets.
            networks += [str(ipaddress.ip_interface(tunnel.own_address).network), *tunnel.reach]
            ports |= {tunnel.port} if tunnel.role == ANSWER else set()
    for plan in plans:
        interfaces.add(plan.home_interface)
        networks.append(plan.network)
        ports |= {plan.port} if plan.role == ANSWER else set()
    return InUse(frozenset(interfaces), frozenset(ports), tuple(dict.fromkeys(networks)))


def plan_pairing(far: str, home: str, answers: Answers, keys: HomeKeys, taken: InUse) -> PairingPlan:
    """The plan. Raises WrongUse if an answer cannot be, or nothing free is left."""
    if answers.role == ANSWER and answers.port in taken.ports:
        raise WrongUse(
            f"another far box calls home on port {answers.port} already",
            where="port",
            advice=f"open another port in the router for {far}, such as {_free_port(answers.port, taken.ports)}",
        )
    network = _tunnel_network(far, home, answers, taken)
    return PairingPlan(
        far=far,
        home=home,
        zone=answers.zone,
        role=answers.role,
        own_name=answers.own_name if answers.role == ANSWER else "",
        far_name=answers.far_name if answers.role != ANSWER else "",
        port=answers.port,
        network=str(network),
        # 0 is the network's own number, so home gets the first address and the far box the second.
        home_address=str(network[1]),
        far_address=str(network[2]),
        home_interface=_interface("roof", far, taken.interfaces),
        far_interface=_interface("from", home, frozenset()),
        mtu=answers.mtu,
        account=answers.account,
        folder=answers.folder,
        ssh_port=answers.ssh_port,
        silent_days=answers.silent_days,
        contact=answers.contact,
        restart_at=answers.restart_at,
        tunnel_key=keys.tunnel,
        login_key=keys.login,
    )


def plan_warnings(plan: PairingPlan, answers: Answers, outside: str = "") -> list[str]:
    """What may be wrong with a plan that can be tried all the same, each in a sentence with advice.

    `outside` is the address that home's router says it has on the internet, "" if it does not tell.
    """
    found = []
    if plan.role == ANSWER and outside and cannot_be_called(outside):
        found.append(why_home_cannot_be_called(outside))
    called = plan.own_name if plan.role == ANSWER else plan.far_name
    try:
        if cannot_be_called(called) and called != outside:
            found.append(f"{cannot_be_called(called)}; {call_advice(called)}")
    except ValueError:
        pass  # a name; where it leads is for the ladder to find out
    return found + _same_blocks(plan, answers)


def why_home_cannot_be_called(outside: str) -> str:
    """Why the far box cannot call home's router, and what to do; "" if it can, or if the address is unknown."""
    if not outside or not cannot_be_called(outside):
        return ""
    return f"home's router says that its own outside address cannot be called: {cannot_be_called(outside)}; " + (
        call_advice(outside)
    )


def _same_blocks(plan: PairingPlan, answers: Answers) -> list[str]:
    """Two houses with one private block: the usual trap, since routers come with the same one."""
    pairs = [
        (ours, theirs)
        for ours in answers.home_lan
        for theirs in answers.far_lan
        if overlap(ipaddress.ip_network(ours), ipaddress.ip_network(theirs))
    ]
    if not pairs:
        return []
    free = ", ".join(str(net) for net in free_blocks([plan.network, *answers.home_lan, *answers.far_lan]))
    ours, theirs = pairs[0]
    both = ours if ours == theirs else f"{ours} and {theirs}, which overlap"
    return [
        f"both houses use {both}; the copies do not mind, since this tunnel leads to the far box alone, but whole "
        f"networks could never be joined so: whoever wants that gives one house another block first, such as {free}"
    ]


def _free_port(port: int, taken: frozenset[int]) -> int:
    candidates: list[int] = [*range(port, 65536), *range(1024, port)]
    return next(candidate for candidate in candidates if candidate not in taken)


def _tunnel_network(far: str, home: str, answers: Answers, taken: InUse) -> ipaddress.IPv4Network:
    in_use = (*taken.networks, *answers.home_lan, *answers.far_lan)
    if answers.tunnel_network:
        return _chosen_network(answers.tunnel_network, in_use)
    blocks = free_blocks(in_use, count=CHOICE_OF_BLOCKS)
    if not blocks:
        raise WrongUse("no private block is free for the tunnel", advice="free one, or name one as tunnel_network")
    # Two homes may feed one far box, and two houses may feed each other: each pair starts at another block.
    start = int.from_bytes(hashlib.sha256(f"{home}/{far}".encode()).digest()[:4], "big")
    return ipaddress.IPv4Network(str(blocks[start % len(blocks)]))


def _chosen_network(text: str, in_use: Sequence[str]) -> ipaddress.IPv4Network:
    try:
        chosen = ipaddress.IPv4Network(text)
    except ValueError as problem:
        raise WrongUse(
            f"{problem}", where="tunnel_network", advice="a block such as 10.77.31.0/24 is wanted"
        ) from problem
    # A /30 has four addresses: network, home, far box, broadcast.
    if chosen.prefixlen > 30 or not any(lies_in(chosen, block) for block in PRIVATE_BLOCKS):
        raise WrongUse(
            f"{chosen} is not a private block of at least four addresses (RFC 1918)",
            where="tunnel_network",
            advice="leave it out, and a free one is proposed",
        )
    for other in in_use:
        if overlap(chosen, ipaddress.ip_network(other)):
            raise WrongUse(
                f"{chosen} overlaps {other}, which is in use already",
                where="tunnel_network",
                advice="leave it out, and a free one is proposed",
            )
    return chosen


def _interface(before: str, name: str, taken: frozenset[str]) -> str:
    wanted = f"{before}-{name}"[:INTERFACE_LETTERS]
    for number in range(2, 100):
        if wanted not in taken:
            return wanted
        # The number goes before the name: at the end it would be cut off with what is too long.
        wanted = f"{before}{number}-{name}"[:INTERFACE_LETTERS]
    raise WrongUse("too many far boxes have names that begin alike", where=name, advice="choose another name")
