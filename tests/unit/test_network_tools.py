"""What tunnel and ladder ask of this machine: what programs print is read right, and no wait is without an end."""

from __future__ import annotations

import socket
import time

import pytest

from otherroof.base.errors import TunnelTrouble, Unreached
from otherroof.base.programs import ProgramResult, SystemPrograms
from otherroof.probe import arrivals
from otherroof.probe.arrivals import Arrivals, kind_in
from otherroof.probe.path_mtu import largest_passing
from otherroof.tunnel.drivers.wireguard_steps import read_peers
from otherroof.tunnel.network import resolve as names
from otherroof.tunnel.network import routes
from otherroof.tunnel.network.ping import parse_ping, ping, send_empty_datagram, time_connection
from otherroof.tunnel.network.resolve import next_address, resolve
from otherroof.tunnel.silence import SilenceTimer, is_stale

# As iputils 20221126 prints it.
PINGED = """PING 10.77.0.2 (10.77.0.2) 56(84) bytes of data.
64 bytes from 10.77.0.2: icmp_seq=1 ttl=64 time=30.1 ms
64 bytes from 10.77.0.2: icmp_seq=2 ttl=64 time=10.4 ms
64 bytes from 10.77.0.2: icmp_seq=4 ttl=64 time=20.0 ms

--- 10.77.0.2 ping statistics ---
4 packets transmitted, 3 received, 25% packet loss, time 609ms
rtt min/avg/max/mdev = 10.379/20.494/30.754/0.152 ms
"""
TOO_LONG = """PING 10.77.0.2 (10.77.0.2) 1393(1421) bytes of data.

--- 10.77.0.2 ping statistics ---
2 packets transmitted, 0 received, +2 errors, 100% packet loss, time 1030ms
"""


class SaysOneThing:
    """Commands that print one thing."""

    def __init__(self, ran: ProgramResult) -> None:
        self.ran = ran

    def run(self, argv: object, timeout_s: float) -> ProgramResult:
        return self.ran

    def find(self, name: str) -> str:
        return ""


def test_median_is_taken_of_what_came_back() -> None:
    found = parse_ping(PINGED)
    assert found is not None
    assert (found.sent, found.received, found.median_ms) == (4, 3, 20.0)


def test_packets_that_did_not_fit_count_as_lost_not_as_an_error() -> None:
    found = parse_ping(TOO_LONG)
    assert found is not None
    assert (found.sent, found.received, found.median_ms) == (2, 0, 0.0)


def test_ping_that_may_not_be_used_is_told_from_packets_that_are_lost() -> None:
    with pytest.raises(TunnelTrouble, match="Operation not permitted"):
        ping(
            SaysOneThing(ProgramResult(2, err="ping: socktype: SOCK_RAW: Operation not permitted")),
            "10.77.0.2",
            count=1,
            wait_s=1,
        )


def test_default_route_with_the_least_metric_counts_and_dead_ones_do_not() -> None:
    rows = [
        {"dst": "default", "gateway": "192.168.9.1", "dev": "wlan0", "metric": 600, "flags": []},
        {"dst": "default", "gateway": "192.168.1.1", "dev": "eth0", "metric": 100, "flags": []},
        {"dst": "default", "gateway": "192.168.2.1", "dev": "eth1", "flags": ["linkdown", "dead"]},
        {"dst": "192.168.1.0/24", "dev": "eth0", "flags": []},
    ]
    assert routes.best_default(rows) == routes.Route("eth0", "192.168.1.1")
    assert routes.best_default(rows[2:]) is None


def test_networks_are_those_of_every_interface_but_the_tunnels_own() -> None:
    def row(name: str, *addresses: str, flags: tuple[str, ...] = ()) -> dict[str, object]:
        pairs = [address.split("/") for address in addresses]
        return {"ifname": name, "flags": flags, "addr_info": [{"local": a, "prefixlen": int(p)} for a, p in pairs]}

    found = routes.networks_in(
        [
            row("lo", "127.0.0.1/8", flags=("LOOPBACK",)),
            row("eth0", "192.168.1.5/24", "fe80::1/64"),
            row("docker0", "172.17.0.1/16"),
            row("roof0", "10.77.31.1/24"),
        ],
        leave_out="roof0",
    )
    assert [(network.name, str(network.net)) for network in found] == [
        ("this machine's network on eth0", "192.168.1.0/24"),
        ("this machine's network on docker0", "172.17.0.0/16"),
    ]


def test_no_way_at_all_is_no_route() -> None:
    unreachable = SaysOneThing(ProgramResult(2, err="RTNETLINK answers: Network is unreachable"))
    assert routes.route_to(unreachable, "198.51.100.1") is None


def test_an_ip_program_that_prints_no_json_is_named() -> None:
    with pytest.raises(TunnelTrouble, match="no JSON"):
        routes.networks_here(SaysOneThing(ProgramResult(0, "1: lo: <LOOPBACK>")))


def test_empty_answer_of_ip_is_no_rows() -> None:
    assert routes.parse_rows("") == routes.parse_rows("[ ]") == []
    # An old iproute2 prints empty rows for what it leaves out.
    assert routes.parse_rows("[{},{}]") == []
    assert routes.parse_rows('[{},{"dst":"default","dev":"eth0"},{}]') == [{"dst": "default", "dev": "eth0"}]


def test_peers_without_networks_or_endpoint_are_read() -> None:
    told = {
        "peers": "K1\nK2\n",
        "allowed-ips": "K1\t10.77.0.0/24 192.168.88.0/24\nK2\t(none)\n",
        "persistent-keepalive": "K1\t25\nK2\toff\n",
        "endpoints": "K1\t[2001:db8::9]:51820\nK2\t(none)\n",
        "latest-handshakes": "K1\t1795617779\nK2\t0\n",
        "transfer": "K1\t180\t92\nK2\t0\t0\n",
    }
    peers = read_peers(told)
    assert peers["K1"].allowed == {"10.77.0.0/24", "192.168.88.0/24"}
    assert (peers["K1"].keepalive_s, peers["K1"].endpoint) == (25, "[2001:db8::9]:51820")
    assert (peers["K1"].received, peers["K1"].sent) == (180, 92), "wg prints received first"
    assert (peers["K2"].allowed, peers["K2"].keepalive_s, peers["K2"].endpoint) == (frozenset(), 0, "")


def test_address_is_its_own_answer_and_asks_nobody(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(socket, "getaddrinfo", lambda *given, **more: pytest.fail("asked"))
    assert resolve("192.0.2.7", 1) == ("192.0.2.7",)
    assert resolve("2001:DB8::7", 1) == ("2001:db8::7",)


def test_name_server_that_never_answers_does_not_hold_anybody_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(names.socket, "getaddrinfo", lambda *given, **more: time.sleep(3))
    begun = time.monotonic()
    with pytest.raises(Unreached, match=r"garden.example.net: the name was not resolved within 0.1 s.*resolv.conf"):
        resolve("garden.example.net", 0.1)
    assert time.monotonic() - begun < 2


@pytest.mark.parametrize(
    ("errno", "advises"), [(socket.EAI_AGAIN, "name server did not answer"), (socket.EAI_NONAME, "how it is written")]
)
def test_name_that_is_not_known_is_told_from_a_name_server_that_is_away(
    monkeypatch: pytest.MonkeyPatch, errno: int, advises: str
) -> None:
    def fail(*given: object, **more: object) -> None:
        raise socket.gaierror(errno, "no luck")

    monkeypatch.setattr(names.socket, "getaddrinfo", fail)
    with pytest.raises(Unreached, match=advises):
        resolve("garden.example.net", 1)


def test_addresses_of_a_name_are_tried_in_turn() -> None:
    assert next_address("", ["a", "b"]) == "a"
    assert next_address("a", ["a", "b"]) == "b"
    assert next_address("b", ["a", "b"]) == "a"
    assert next_address("gone", ["a", "b"]) == "a"


def test_silence_is_what_was_sent_without_anything_coming_back() -> None:
    timer = SilenceTimer()
    assert timer.silent_for(0, 0, 0) == 0
    assert timer.silent_for(0, 0, 50) == 0, "nothing was sent, so nothing is missing"
    assert timer.silent_for(100, 0, 60) == 0
    assert timer.silent_for(200, 0, 75) == 15
    assert timer.silent_for(300, 1, 80) == 0
    assert timer.silent_for(300, 1, 200) == 0
    assert timer.silent_for(0, 0, 210) == 0, "counters that began anew are no silence"


@pytest.mark.parametrize(
    ("age", "silent", "stale"), [(None, 0, True), (0, 0, False), (134, 0, False), (136, 0, True), (10, 21, True)]
)
def test_staleness(age: float | None, silent: float, stale: bool) -> None:
    assert is_stale(age, silent) is stale


@pytest.mark.parametrize("limit", [577, 1000, 1339, 1419])
def test_search_finds_the_largest_size_within_its_step(limit: int) -> None:
    asked: list[int] = []

    def passes(size: int) -> bool:
        asked.append(size)
        return size <= limit

    found = largest_passing(576, 1420, passes)
    assert limit - 4 <= found <= limit
    assert len(asked) <= 8, "each size that does not pass costs a wait"


def test_refused_connection_is_an_answer_and_a_silent_one_is_not() -> None:
    closed = socket.socket()
    closed.bind(("127.0.0.1", 0))
    port = closed.getsockname()[1]
    closed.close()
    assert time_connection("127.0.0.1", port, 2) < 2
    with socket.create_server(("127.0.0.1", 0)) as open_one:
        assert time_connection("127.0.0.1", open_one.getsockname()[1], 2) < 2


def test_silent_address_is_given_up_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    def silent(address: object, timeout: float) -> None:
        raise TimeoutError

    monkeypatch.setattr(socket, "create_connection", silent)
    with pytest.raises(Unreached, match="no answer within 2 s"):
        time_connection("192.0.2.1", 22, 2)


def test_an_empty_datagram_is_sent_and_never_complains() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as listener:
        try:
            listener.bind(("127.0.0.1", 9))
        except OSError:
            pytest.skip("port 9 cannot be listened at here")
        listener.settimeout(2)
        send_empty_datagram("127.0.0.1")
        assert listener.recv(16) == b""
    send_empty_datagram("255.255.255.255")  # not permitted


@pytest.mark.parametrize(
    ("packet", "kind"),
    [
        (bytes.fromhex("45") + bytes(19) + bytes(8) + b"\x01rest", 1),
        (bytes.fromhex("46") + bytes(23) + bytes(8) + b"\x02rest", 2),
        (bytes.fromhex("60") + bytes(39) + bytes(8) + b"\x04rest", 4),
        (bytes.fromhex("45") + bytes(19) + bytes(8), 0),
        (b"", 0),
    ],
)
def test_kind_of_message_is_read_behind_either_header(packet: bytes, kind: int) -> None:
    assert kind_in(packet) == kind


@pytest.mark.parametrize("error", [PermissionError(1, "not permitted"), OSError(97, "address family not supported")])
def test_account_that_may_not_listen_hears_nothing_and_claims_nothing(
    monkeypatch: pytest.MonkeyPatch, error: OSError
) -> None:
    def refuse(*given: object) -> None:
        raise error

    monkeypatch.setattr(arrivals.socket, "socket", refuse)
    with Arrivals(51820) as arrived:
        assert (arrived.allowed, arrived.heard()) == (False, {})


def test_nothing_that_came_before_the_filter_is_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    """A packet socket hears all of the machine's packets from its making on."""

    class Early:
        """A socket that heard packets of others before anybody could filter, and goes on to until it is filtered."""

        def __init__(self, *_: object) -> None:
            self.filters = 0
            self.waiting = 3

        def setblocking(self, _: bool) -> None:
            pass

        def setsockopt(self, *_: object) -> None:
            self.filters += 1

        def recv(self, size: int) -> bytes:
            return self.recvfrom(size)[0]

        def recvfrom(self, size: int) -> tuple[bytes, tuple[object, ...]]:
            if not self.waiting:
                raise BlockingIOError
            if self.filters:
                self.waiting -= 1
            return (bytes.fromhex("45") + bytes(19) + bytes(8) + b"\x01")[:size], ("eth0", 8, 0, 1, b"")

        def close(self) -> None:
            pass

    monkeypatch.setattr(arrivals.socket, "socket", Early)
    with Arrivals(51820) as ear:
        assert (ear.allowed, ear.heard()) == (True, {})


def test_program_that_is_not_installed_is_named_with_its_package() -> None:
    class Bare(SystemPrograms):
        def find(self, name: str) -> str:
            return ""

    with pytest.raises(TunnelTrouble, match="wg: is not on this machine; install it: `apt install wireguard-tools`"):
        Bare().run(("wg", "show"), 5)


def test_exit_code_and_words_come_back_whatever_they_are() -> None:
    ran = SystemPrograms().run(("/bin/sh", "-c", "echo out; echo '  err  or ' >&2; exit 3"), 5)
    assert (ran.code, ran.out, ran.said) == (3, "out\n", "err or")
    assert SystemPrograms().run(("/bin/sh", "-c", "exit 4"), 5).said == "exit code 4"
