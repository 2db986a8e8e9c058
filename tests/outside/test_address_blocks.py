"""Address blocks against the documents that reserve them, and overlap against Python's `ipaddress`.

RFC 1918 §3, RFC 6598, RFC 4193, RFC 3927, RFC 5737, RFC 3849, RFC 9637 (blocks from memory, recomputed).
"""

from __future__ import annotations

import ipaddress
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from otherroof.settings.fields import is_documentation
from otherroof.tunnel.network import address_plan
from support.outside import outside


def block(document: str, address: str, kind: str) -> Any:
    source, _, section = document.partition(", ")
    mark = outside(source, section, f"{address} is {kind}", value="from memory, recomputed")
    return pytest.param(address, kind, id=address, marks=mark)


@pytest.mark.parametrize(
    ("address", "kind"),
    [
        block("RFC 1918, §3, 10/8: first", "10.0.0.0", "private"),
        block("RFC 1918, §3, 10/8: last", "10.255.255.255", "private"),
        block("RFC 1918, §3, 10/8: behind it", "11.0.0.0", "public"),
        block("RFC 1918, §3, 172.16/12: before it", "172.15.255.255", "public"),
        block("RFC 1918, §3, 172.16/12: first", "172.16.0.0", "private"),
        block("RFC 1918, §3, 172.16/12: last", "172.31.255.255", "private"),
        block("RFC 1918, §3, 172.16/12: behind it", "172.32.0.1", "public"),
        block("RFC 1918, §3, 192.168/16: last", "192.168.255.255", "private"),
        block("RFC 1918, §3, 192.168/16: behind it", "192.169.0.0", "public"),
        block("RFC 6598, §7, 100.64/10: before it", "100.63.255.255", "public"),
        block("RFC 6598, §7, 100.64/10: first", "100.64.0.0", "shared"),
        block("RFC 6598, §7, 100.64/10: last", "100.127.255.255", "shared"),
        block("RFC 6598, §7, 100.64/10: behind it", "100.128.0.0", "public"),
        block("RFC 4193, §3.1, fc00::/7", "fc00::1", "unique local"),
        block("RFC 4193, §3.1, fc00::/7: in its upper half", "fdff::1", "unique local"),
        block("RFC 4193, §3.1, fc00::/7: behind it", "fe00::1", "public"),
        block("RFC 3927, §2.1, 169.254/16", "169.254.1.1", "link-local"),
        block("RFC 4291, §2.5.6, fe80::/10", "fe80::1", "link-local"),
        block("RFC 5737, §3, TEST-NET-1", "192.0.2.1", "documentation"),
        block("RFC 5737, §3, TEST-NET-2", "198.51.100.1", "documentation"),
        block("RFC 5737, §3, TEST-NET-3", "203.0.113.255", "documentation"),
        block("RFC 3849, §2, 2001:db8::/32", "2001:db8::1", "documentation"),
        block("RFC 9637, §3, 3fff::/20: last", "3fff:fff::1", "documentation"),
        block("RFC 9637, §3, 3fff::/20: behind it", "3fff:1000::1", "public"),
    ],
)
def test_block_of_an_address(address: str, kind: str) -> None:
    assert address_plan.address_kind(address) == kind
    assert is_documentation(address) is (kind == "documentation")


@outside("RFC 6598", "§1 and §4", "no port can be forwarded from an address of many customers", value="from memory")
@pytest.mark.parametrize("address", ["100.64.0.1", "100.127.255.254"])
def test_no_port_can_be_forwarded_from_a_shared_address(address: str) -> None:
    """RFC 6598: shared among a provider's customers."""
    assert "no port can be forwarded" in address_plan.cannot_be_called(address)
    assert "swap the roles" in address_plan.call_advice(address)


@outside("Python, ipaddress", "IPv4Network.overlaps", "whether two networks overlap", value="recomputed")
@pytest.mark.parametrize(
    ("one", "other", "yes"),
    [
        ("192.168.0.0/16", "192.168.1.0/24", True),
        ("192.168.0.0/24", "192.168.1.0/24", False),
        ("0.0.0.0/0", "2001:db8::/32", False),
    ],
)
def test_overlap(one: str, other: str, yes: bool) -> None:
    assert address_plan.overlap(ipaddress.ip_network(one), ipaddress.ip_network(other)) is yes
    assert address_plan.overlap(ipaddress.ip_network(other), ipaddress.ip_network(one)) is yes


def _net(bits: int, size: int) -> ipaddress.IPv4Network:
    return ipaddress.IPv4Network((bits & (0xFFFFFFFF << (32 - size)) & 0xFFFFFFFF, size))


networks = st.builds(_net, st.integers(0, 2**32 - 1), st.integers(8, 30))


@outside("RFC 1918", "§3", "networks that are proposed are private, and free", value="from memory")
@given(st.lists(networks, max_size=6))
def test_free_blocks_are_private_and_free(taken: list[ipaddress.IPv4Network]) -> None:
    """Against `ipaddress` itself: private by RFC 1918, of a household's usual size, apart from all that is taken."""
    found = address_plan.free_blocks(taken, count=4)
    assert len(set(found)) == len(found) <= 4
    for net in found:
        assert net.prefixlen == 24
        assert address_plan.address_kind(net) == "private"
        assert not any(net.overlaps(other) for other in taken)


@outside("Python, ipaddress", "IPv4Network.subnets", "every network of a block is looked at", value="recomputed")
def test_free_blocks_end_where_nothing_is_free() -> None:
    taken = ["10.0.0.0/8", "192.168.0.0/16"]
    assert address_plan.free_blocks(taken) == []
    one_left = [str(net) for net in ipaddress.ip_network("192.168.0.0/16").subnets(new_prefix=24) if net != KEPT]
    assert address_plan.free_blocks(["10.0.0.0/8", *one_left]) == [KEPT], "the search must visit every block"


KEPT = ipaddress.ip_network("192.168.213.0/24")
