"""What the far house can and cannot reach at home through the tunnel, and what becomes of home's own firewall."""

from __future__ import annotations

import contextlib
import socket
import time
from collections.abc import Iterator

import pytest

from support.lab.holder import Holder
from support.lab.namespace import Namespace
from support.lab.need import require_lab
from support.lab.pair_of_houses import FAR, HOME, NET, PairOfHouses

pytestmark = [pytest.mark.lab, pytest.mark.together]

OTHER = 8080
NEIGHBOUR = "192.168.71.1"  # another machine at home: its router
OWN_RULES = """
table inet household {
    chain arriving {
        type filter hook input priority filter; policy accept;
        tcp dport 9 counter drop
    }
}
"""


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PairOfHouses]:
    """Home has a service, a neighbour that it would pass packets on to, and a firewall of its own."""
    require_lab()
    with PairOfHouses(tmp_path_factory.mktemp("houses") / "settings", role="call") as made:
        home = made.houses.home
        home.run(["sysctl", "-q", "-w", "net.ipv4.ip_forward=1"])
        made.houses.home_router.ip("route", "add", NET, "via", "192.168.71.2")
        words = ["peer", made.home_key, "allowed-ips", f"{HOME}/32,{NEIGHBOUR}/32"]
        made.houses.far.run(["wg", "set", made.end.interface, *words])
        made.houses.far.ip("route", "add", f"{NEIGHBOUR}/32", "dev", made.end.interface)
        home.nft(OWN_RULES)
        with home.entered():
            service = socket.create_server(("0.0.0.0", OTHER))
        with service:
            yield made


@contextlib.contextmanager
def tunnel_up(pair: PairOfHouses, *, let_in: bool = False) -> Iterator[None]:
    pair.write(let_in=let_in)
    holder = Holder(pair)
    try:
        yield
    finally:
        holder.end()


def reaches(space: Namespace, address: str, port: int) -> bool:
    try:
        space.connect(address, port, wait_s=1).close()
    except OSError:
        return False
    return True


def echoes(space: Namespace, address: str) -> bool:
    return ", 1 received" in space.run(["ping", "-n", "-c", "1", "-W", "1", address], may_fail=True)


def from_far(pair: PairOfHouses) -> dict[str, bool]:
    """What a machine at the far end of the tunnel reaches."""
    far = pair.houses.far
    return {
        "home's service": reaches(far, HOME, OTHER),
        "sign of life": echoes(far, HOME),
        "home's neighbour": echoes(far, NEIGHBOUR),
    }


def rules(pair: PairOfHouses) -> str:
    return pair.houses.home.run(["nft", "list", "ruleset"])


def test_where_the_household_lets_it_in_the_far_house_reaches_all(pair: PairOfHouses) -> None:
    """What is refused below is worth something only if it gets through where nothing stops it."""
    before = rules(pair)
    with tunnel_up(pair, let_in=True):
        assert from_far(pair) == {"home's service": True, "sign of life": True, "home's neighbour": True}
        assert echoes(pair.houses.home_router, FAR)
        assert rules(pair) == before


def test_far_house_gets_answers_and_a_sign_of_life_and_nothing_else(pair: PairOfHouses) -> None:
    before = rules(pair)
    with tunnel_up(pair):
        assert from_far(pair) == {"home's service": False, "sign of life": True, "home's neighbour": False}
        assert reaches(pair.houses.home, FAR, 22), "home itself goes on as ever"
        assert not echoes(pair.houses.home_router, FAR), "nor do other machines at home reach the far house"
        assert rules(pair).startswith(before.rstrip()), "home's own table stands, untouched and in its place"
        assert f"table inet otherroof-{pair.interface} " in rules(pair)
    assert rules(pair) == before


def test_table_that_a_reload_of_all_rules_flushed_is_back_within_seconds(pair: PairOfHouses) -> None:
    """Debian's /etc/nftables.conf begins with `flush ruleset`, so that a reload takes every table away."""
    with tunnel_up(pair):
        pair.houses.home.nft(f"flush ruleset\n{OWN_RULES}")
        assert from_far(pair)["home's service"]
        until = time.monotonic() + 20
        while from_far(pair)["home's service"] and time.monotonic() < until:
            time.sleep(0.5)
        assert from_far(pair) == {"home's service": False, "sign of life": True, "home's neighbour": False}


def test_probe_says_that_the_tunnel_is_shut_and_shuts_it_where_it_is_not(pair: PairOfHouses) -> None:
    with tunnel_up(pair):
        pair.houses.home.run(["nft", "delete", "table", "inet", f"otherroof-{pair.interface}"])
        code, found = pair.probe()
        assert code == 0, found["headline"]
        seen = {one["rung"]: one["seen"] for one in found["rungs"]}["interface"]
        assert seen.endswith("closed to whatever the far end begins")
        assert not from_far(pair)["home's service"]


def test_own_tunnel_s_answers_still_arrive_where_home_s_firewall_forgot_its_flows(pair: PairOfHouses) -> None:
    with tunnel_up(pair), pair.houses.home.connect(FAR, 22) as line:
        line.recv(100)
        pair.houses.home.forget_flows()
        line.sendall(b"SSH-2.0-otherroof-lab\r\n")
        line.settimeout(5)
        assert line.recv(4000), "the server's key exchange, an answer to a line that home began"
