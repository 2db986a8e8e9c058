"""Packet sizes and timers of the tunnel against the published ones.

Header sizes: RFC 791 §3.1, RFC 8200 §3, RFC 768 (from memory). The data message and timers: the WireGuard paper
(J. Donenfeld, NDSS 2017), §5.4.6, §6.1. PPPoE: RFC 2516 §7. The floor: RFC 8200 §5 (from memory).
"""

from __future__ import annotations

import pytest

from otherroof.settings.tunnel import WireguardTunnel
from otherroof.tunnel import silence
from otherroof.tunnel.network import mtu
from support.outside import outside

KEY = "hSDwCYkwp1R0i33ctD73Wg2/Og0mOBr066SpjqqbTmo="  # derived from RFC 7748 §6.1
TUNNEL = {"kind": "wireguard", "own_address": "10.77.31.1/24", "far_key": KEY, "reach": ["10.77.31.0/24"]}


@outside(
    "WireGuard paper, NDSS 2017", "§5.4.6, with RFC 791, 8200 and 768", "what the tunnel adds to a packet", value="read"
)
def test_tunnel_overhead_is_60_over_ipv4_and_80_over_ipv6() -> None:
    assert mtu.overhead(4) == 20 + 8 + 16 + 16 == 60
    assert mtu.overhead(6) == 40 + 8 + 16 + 16 == 80


@outside(
    "RFC 2516",
    "§7, and 1500 of Ethernet",
    "the tunnel's MTU over PPPoE and over Ethernet",
    value="recomputed",
    each=True,
)
@pytest.mark.parametrize(
    ("path", "over_6", "over_4"),
    [
        pytest.param(1500, 1420, 1440, id="Ethernet"),
        pytest.param(1492, 1412, 1432, id="PPPoE, RFC 2516 §7"),
    ],
)
def test_tunnel_mtu_for_an_outer_path(path: int, over_6: int, over_4: int) -> None:
    assert mtu.largest_mtu(path, 6) == over_6 == mtu.choose(path, 6)
    assert mtu.largest_mtu(path, 4) == over_4 == mtu.choose(path, 4)
    assert mtu.choose(path, None) == over_6, "while the outer family is not known, the larger header counts"


@outside("RFC 8200", "§5", "the least MTU that the settings take", value="from memory")
@pytest.mark.parametrize(("size", "possible"), [(1279, False), (1280, True), (1420, True)])
def test_tunnel_mtu_in_the_settings_is_at_least_what_ipv6_needs(size: int, possible: bool) -> None:
    """RFC 8200 §5 asks for 1280."""
    if possible:
        assert WireguardTunnel.model_validate({**TUNNEL, "mtu": size}).mtu == size
    else:
        with pytest.raises(ValueError, match="1280"):
            WireguardTunnel.model_validate({**TUNNEL, "mtu": size})


@outside("RFC 8200", "§5", "the least MTU that the tunnel chooses", value="from memory")
def test_inner_ipv6_needs_an_outer_path_of_1340_or_1360() -> None:
    """RFC 8200 §5 asks for 1280."""
    assert [mtu.choose(path, 4) for path in (1341, 1340, 1339, 576)] == [1281, 1280, 1280, 1280], (
        "never under the floor"
    )
    assert [mtu.choose(path, 6) for path in (1361, 1360, 1359, 1280)] == [1281, 1280, 1280, 1280]


@outside(
    "WireGuard paper, NDSS 2017",
    "§6.1",
    "when a tunnel is stale: rekey 120, reject 180, keepalive 10, retry 5 s",
    value="read",
)
@pytest.mark.parametrize(
    ("age", "silent", "stale"),
    [
        pytest.param(None, 0.0, True, id="no handshake yet"),
        pytest.param(125.0, 0.0, False, id="renewed after 120 s, the first try may be lost for 5 s"),
        pytest.param(180.0, 0.0, True, id="rejected after 180 s"),
        pytest.param(60.0, 15.0, False, id="a keepalive within 10 s, a new handshake after 5 s more"),
        pytest.param(60.0, 25.0, True, id="neither the keepalive nor three tries at a handshake were answered"),
    ],
)
def test_timers(age: float | None, silent: float, stale: bool) -> None:
    """A tunnel in use must not look stale, a dead one must, before its session is rejected."""
    assert silence.is_stale(age, silent) is stale


@outside("wg(8)", "persistent-keepalive", "1 to 65535 seconds, 0 is off", value="read")
@pytest.mark.parametrize(("seconds", "possible"), [(0, True), (1, True), (25, True), (65535, True), (65536, False)])
def test_persistent_keepalive_range(seconds: int, possible: bool) -> None:
    """wg(8): 1 to 65535 seconds, 0 is off; 25 suits most NAT."""
    given = {**TUNNEL, "keepalive_s": seconds}
    if possible:
        assert WireguardTunnel.model_validate(given).keepalive_s == seconds
    else:
        with pytest.raises(ValueError, match="65535"):
            WireguardTunnel.model_validate(given)
    assert WireguardTunnel.model_fields["keepalive_s"].default == 25
