"""The tunnel's own settings: one model for each kind, told apart by `kind`, and what must hold between them.

Pure checks on text and numbers; whether a key file is there or a name resolves is asked elsewhere.
"""

from __future__ import annotations

import base64
import ipaddress
import re
from collections.abc import Iterator, Mapping
from typing import Annotated, Literal, Protocol

from pydantic import AfterValidator, Field, model_validator

from otherroof.settings.fields import HOST_RULE, Argv, Port, Strict

INTERFACE_RULE = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,14}\Z")  # Linux allows 15 bytes (IFNAMSIZ less its zero)
LEAST_MTU = 1280  # RFC 8200 §5: no IPv6 below; Linux takes IPv6 off an interface that is smaller
LARGEST_MTU = 9000


def _interface(text: str) -> str:
    if not INTERFACE_RULE.match(text):
        raise ValueError("an interface name of letters, digits, - and _, at most 15, is wanted")
    return text


def _own_address(text: str) -> str:
    try:
        parsed = ipaddress.ip_interface(text)
    except ValueError:
        raise ValueError(f"{text!r} is not an address with its network, such as 10.77.31.1/24") from None
    if "/" not in text:
        raise ValueError(f"{text!r} lacks the size of its network; {text}/24 is usual")
    whole = parsed.network
    # A network of one or two addresses (/32, /31, RFC 3021) has no address to spare for itself.
    if whole.num_addresses > 2 and parsed.ip == whole.network_address:
        raise ValueError(f"{text!r} is the network itself; {whole[1]}/{whole.prefixlen} is its first address")
    if parsed.ip.is_loopback or parsed.ip.is_link_local or parsed.ip.is_multicast or parsed.ip.is_unspecified:
        raise ValueError(f"{text!r} cannot be a tunnel's address; one out of a private block is wanted")
    return str(parsed)


def _networks(texts: tuple[str, ...]) -> tuple[str, ...]:
    found = [_network(text) for text in texts]
    for version in (4, 6):
        # Merged, because two halves (0.0.0.0/1 and 128.0.0.0/1) cover everything too: an old trick for default routes.
        merged = ipaddress.collapse_addresses(net for net in found if net.version == version)  # type: ignore[type-var]
        if any(net.prefixlen == 0 for net in merged):
            raise ValueError("it covers everything, so the whole household's traffic would go into the tunnel")
    return tuple(str(net) for net in found)


def _network(text: str) -> ipaddress.IPv4Network | ipaddress.IPv6Network:
    try:
        return ipaddress.ip_network(text)
    except ValueError:
        pass
    try:
        meant = ipaddress.ip_network(text, strict=False)
    except ValueError:
        raise ValueError(f"{text!r} is not a network such as 10.77.31.0/24") from None
    raise ValueError(f"{text!r} names one address, not a network; perhaps {meant} is meant")


def _public_key(text: str) -> str:
    try:
        blob = base64.b64decode(text, validate=True)
    except ValueError:  # binascii.Error is one of these, and letters that are not ASCII another
        blob = b""
    if len(blob) != 32:
        raise ValueError("the far box's public tunnel key is wanted: 44 characters, as `wg pubkey` prints it there")
    return text


def split_host_port(text: str) -> tuple[str, int]:
    """Host and port of `host:port` or `[IPv6 address]:port`. Raises ValueError saying what would be right."""
    host, colon, port = text.rpartition(":")
    bare = host[1:-1] if host.startswith("[") and host.endswith("]") else host
    if not colon or not port.isdecimal() or not 1 <= int(port) <= 65535:
        raise ValueError(f"{text!r} is not host:port, such as garden.example.net:51820")
    # Without brackets nobody can tell an IPv6 address's last group from a port.
    if bare != host or ":" in bare:
        try:
            ipaddress.IPv6Address(bare)
        except ValueError:
            raise ValueError(f"{bare!r} is not an IPv6 address") from None
        if bare == host:
            raise ValueError(f"{text!r}: an IPv6 address is written [{bare}]:{port}")
    else:
        _host(bare)
    return bare, int(port)


def _host_port(text: str) -> str:
    if text:
        split_host_port(text)
    return text


def _host(text: str) -> str:
    if text and not HOST_RULE.match(text):
        try:
            ipaddress.ip_address(text)
        except ValueError:
            raise ValueError(f"{text!r} is neither an IP address nor a host name") from None
    return text


def _mtu(value: int) -> int:
    if value and not LEAST_MTU <= value <= LARGEST_MTU:
        raise ValueError(f"{LEAST_MTU} to {LARGEST_MTU} bytes are possible; 0 leaves it to be worked out")
    return value


class NoTunnel(Strict):
    """The routers carry the traffic already, or both machines stand in one network."""

    kind: Literal["none"] = "none"


class TunnelLifetime(Strict):
    """How long a tunnel stays when no job needs it."""

    stay_up: bool = False
    linger_s: float = Field(default=60, ge=0, le=86_400)


class WireguardTunnel(TunnelLifetime):
    """The WireGuard protocol, by `ip` and `wg`. Key files are as seen from the settings folder.

    `role = "answer"`: home has the forwarded `port` and the far box calls in; `own_name` is the name it calls.
    `role = "call"`: the far box has a forwarded port, and home calls it at `far_name`.
    While the tunnel is up a firewall table of our own lets only answers and echo requests out of it at home, and passes
    nothing on to other machines; `let_in = true` leaves that to the household's own firewall.
    """

    kind: Literal["wireguard"]
    role: Literal["answer", "call"] = "answer"
    interface: Annotated[str, AfterValidator(_interface)] = "roof0"
    own_address: Annotated[str, AfterValidator(_own_address)]
    own_name: Annotated[str, AfterValidator(_host)] = ""
    port: Port = 51820
    key_file: str = "keys/tunnel.key"
    shared_key_file: str = ""
    far_key: Annotated[str, AfterValidator(_public_key)]
    far_name: Annotated[str, AfterValidator(_host_port)] = ""
    reach: Annotated[tuple[str, ...], Field(min_length=1, strict=False), AfterValidator(_networks)]
    mtu: Annotated[int, AfterValidator(_mtu)] = 0
    # Many home routers forget a UDP mapping that has been idle for 30 s; wg(8) names 25 s as what suits nearly all.
    keepalive_s: int = Field(default=25, ge=0, le=65_535)
    let_in: bool = False

    @model_validator(mode="after")
    def _ends_fit(self) -> WireguardTunnel:
        if self.role == "call" and not self.far_name:
            raise ValueError("role 'call' needs far_name: the far box's name and port, host:port")
        if self.role == "answer" and self.far_name:
            raise ValueError("far_name is for role 'call'; in role 'answer' the far box calls home at own_name")
        return self


class CommandTunnel(TunnelLifetime):
    """Any other tunnel, by commands of the household's own; `test` leaves with 0 while the tunnel is up."""

    kind: Literal["command"]
    up: Argv
    down: Argv
    test: Argv
    wait_s: float = Field(default=60, gt=0, le=600)


TunnelSettings = Annotated[NoTunnel | WireguardTunnel | CommandTunnel, Field(discriminator="kind")]


class _FarBox(Protocol):
    @property
    def address(self) -> str: ...

    @property
    def tunnel(self) -> NoTunnel | WireguardTunnel | CommandTunnel: ...


def conflicts_between_tunnels(boxes: Mapping[str, _FarBox]) -> Iterator[tuple[str, str, str]]:
    """What cannot be between the far boxes' tunnels: (key, what is wrong, what would be right)."""
    interfaces: dict[str, str] = {}
    ports: dict[int, str] = {}
    for name, far in sorted(boxes.items()):
        tunnel = far.tunnel
        if not isinstance(tunnel, WireguardTunnel):
            continue
        key = f"far.{name}.tunnel"
        other = interfaces.setdefault(tunnel.interface, name)
        if other != name:
            yield f"{key}.interface", f"far box {other!r} has interface {tunnel.interface} already", "another name"
        # One that calls listens on any port that is free.
        if tunnel.role == "answer":
            other = ports.setdefault(tunnel.port, name)
            if other != name:
                yield f"{key}.port", f"far box {other!r} answers on port {tunnel.port} already", "another port"
        yield from _unreachable(key, far.address, tunnel)


def _unreachable(key: str, address: str, tunnel: WireguardTunnel) -> Iterator[tuple[str, str, str]]:
    try:
        wanted = ipaddress.ip_address(address)
    except ValueError:
        return  # a name: only the ladder can tell
    if wanted == ipaddress.ip_interface(tunnel.own_address).ip:
        yield f"{key}.own_address", f"{wanted} is the far box's own address", "each end has an address of its own"
    # `reach` becomes the peer's allowed IPs, which decide both what is sent to it and what is believed to come from it
    # (WireGuard paper §2): an address outside could not be used in either direction.
    if not any(wanted in ipaddress.ip_network(net) for net in tunnel.reach):
        right = f"add {wanted}/{wanted.max_prefixlen}, or the tunnel's whole network"
        yield f"{key}.reach", f"the far box's address {wanted} is in none of these networks", right
