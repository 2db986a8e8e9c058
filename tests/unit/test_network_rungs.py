"""The network rungs over a simulated machine: each fault is named by its own rung, with advice that fits it."""

from __future__ import annotations

import base64
import re
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import HomeTrouble, TunnelTrouble, Unreached
from otherroof.base.locks import is_held
from otherroof.base.programs import ProgramResult
from otherroof.probe import network_checks, network_words, way
from otherroof.probe.ladder import ClimbResult, RungResult
from otherroof.probe.way import Way, open_way, take_down_idle_tunnels, tend_tunnels
from otherroof.settings import Settings, WireguardTunnel
from otherroof.tunnel.keys import read_public_key
from otherroof.tunnel.network_access import NetworkAccess
from support.ledger_rows import rungs_of
from support.ledgers import ledger_of
from support.net_machine import NetMachine, SimPeer

NOW = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)
FAR_KEY = base64.b64encode(bytes([2] * 32)).decode()
HOST_KEY = "ssh-ed25519 " + base64.b64encode(b"\0\0\0\x0bssh-ed25519" + b"\0\0\0 " + bytes(32)).decode()
FAR = "10.77.31.2"


class World:
    """A home with its settings, its simulated machine, and a far box that may or may not answer."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clock = SteppedClock(NOW)
        self.machine = NetMachine()
        self.names: dict[str, tuple[str, ...]] = {FAR: (FAR,), "home.example.net": ("198.18.1.2",)}
        self.outside = ""
        self.nudges = 0
        self.shakes_hands = True
        self.calls = self.calls_that_arrive = 0
        self.answers_tcp = True
        self.tunnel: dict[str, Any] = {
            "kind": "wireguard",
            "own_address": "10.77.31.1/24",
            "own_name": "home.example.net",
            "far_key": FAR_KEY,
            "reach": ["10.77.31.0/24"],
        }
        (folder / "keys").mkdir()
        for name in ("login", "tunnel.key"):
            path = folder / "keys" / name
            path.touch(0o600)
            path.write_text(base64.b64encode(bytes([9] * 32)).decode() + "\n")
        self.key_path = str(folder / "keys" / "tunnel.key")
        self.machine.publics[self.key_path] = read_public_key(self.key_path)
        self.ledger = ledger_of(self, str(folder / "state" / "ledger.sqlite"))

    @property
    def settings(self) -> Settings:
        far = {
            "address": FAR,
            "account": "roof",
            "login_key": "keys/login",
            "host_key": HOST_KEY,
            "base": "/copies",
            "tunnel": self.tunnel,
        }
        return Settings.model_validate(
            {
                "where": str(self.folder),
                "home": {"name": "elm", "zone": "Europe/Berlin"},
                "far": {"garden": far},
                "jobs": {},
            }
        )

    @property
    def network_access(self) -> NetworkAccess:
        return NetworkAccess(self.machine, self.resolve, self.dial, self.nudge, lambda gateway: self.outside)

    def resolve(self, host: str, timeout_s: float) -> tuple[str, ...]:
        if host not in self.names:
            raise Unreached("the name does not resolve", where=host, advice="check how it is written")
        return self.names[host]

    def dial(self, address: str, port: int, timeout_s: float) -> float:
        if not self.answers_tcp:
            raise Unreached("no answer within 3 s", where=address)
        return 0.02

    def nudge(self, address: str) -> None:
        self.nudges += 1
        self.calls += self.calls_that_arrive
        link = self.machine.links.get("roof0")
        if self.shakes_hands and link is not None and self.nudges >= 3:
            peer = link.peers[FAR_KEY]
            peer.handshake_at = int(self.clock.now().timestamp())
            peer.received, peer.sent, peer.endpoint = 92, 148, "198.18.2.2:33333"

    def way(self, **more: Any) -> Way:
        return Way(self.settings, "garden", self.ledger, self.clock, network_access=self.network_access, **more)

    def climb(self) -> ClimbResult:
        with self.way() as one:
            return one.climb()


@pytest.fixture
def world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> World:
    class Ear:
        allowed = True

        def heard(self) -> dict[str, int]:
            return {"calls": made.calls} if made.calls else {}

        def __enter__(self) -> Ear:
            return self

        def __exit__(self, *_: object) -> None:
            pass

    monkeypatch.setattr(network_checks, "Arrivals", lambda port: Ear())
    made = World(tmp_path)
    yield made
    made.ledger.close()


def seen(climb: ClimbResult, name: str) -> RungResult:
    return next(one for one in climb.rungs if one.rung == name)


def test_all_rungs_hold_in_the_order_of_the_way(world: World) -> None:
    found = world.climb()
    assert [one.rung for one in found.rungs] == [
        "settings and keys",
        "default route",
        "names",
        "address plan",
        "interface",
        "handshake",
        "far address",
        "full packets",
    ]
    assert found.exit_code == 0, found.headline
    assert "over eth0 by way of 192.168.71.1" in seen(found, "default route").seen.text
    assert "roof0 is up, MTU 1420" in seen(found, "interface").seen.text
    assert seen(found, "far address").seen.text == "round trip 20.0 ms (median), 0 of 10 lost"
    assert "1420 bytes" in seen(found, "full packets").seen.text


def test_something_is_sent_before_the_handshake_is_looked_at(world: World) -> None:
    """An idle tunnel shakes no hands: without the nudges there would never be one."""
    assert world.climb().held("handshake")
    assert world.nudges >= 3


Spoil = Callable[[World], None]


def others_can_read_the_key(world: World) -> None:
    Path(world.key_path).chmod(0o644)


def key_file_is_gone(world: World) -> None:
    Path(world.key_path).unlink()


def key_file_is_no_key(world: World) -> None:
    Path(world.key_path).write_text("hello\n")


def own_key_as_far_key(world: World) -> None:
    world.tunnel["far_key"] = read_public_key(world.key_path)


def no_route(world: World) -> None:
    world.machine.default = None


def same_lan(world: World) -> None:
    world.tunnel["reach"] = ["10.77.31.0/24", "192.168.71.0/24"]


def tunnel_net_is_home_lan(world: World) -> None:
    world.machine.links["eth0"].addresses = ["10.77.0.5/16"]


def not_allowed(world: World) -> None:
    world.machine.refuse["ip", "link", "add"] = ProgramResult(2, err="RTNETLINK answers: Operation not permitted")


def far_box_is_silent(world: World) -> None:
    world.shakes_hands = False


def far_box_answers_nothing(world: World) -> None:
    world.machine.echo = lambda address, size: None
    world.answers_tcp = False


def large_packets_vanish(world: World) -> None:
    world.machine.echo = lambda address, size: 20.0 if size <= 1372 else None


@pytest.mark.parametrize(
    ("spoil", "rung", "says", "advises"),
    [
        (others_can_read_the_key, "settings and keys", "can be read by others", "chmod 600"),
        (key_file_is_gone, "settings and keys", "is not there", "wg genkey"),
        (key_file_is_no_key, "settings and keys", "does not hold a tunnel key", "wg genkey"),
        (own_key_as_far_key, "settings and keys", "our own public key", "wg pubkey"),
        (no_route, "default route", "no default route", "cable"),
        (same_lan, "address plan", "are the same network 192.168.71.0/24", "Free blocks: 10."),
        (tunnel_net_is_home_lan, "address plan", "10.77.0.0/16 and the tunnel's far network 10.77.31.0/24", "Free"),
        (not_allowed, "interface", "not permitted", "CAP_NET_ADMIN"),
        (far_box_is_silent, "handshake", "there was no handshake", "forward UDP 51820"),
        (far_box_answers_nothing, "far address", "no answer within 3 s", "firewall"),
        (large_packets_vanish, "full packets", "vanish", "set `mtu = 13"),
    ],
)
def test_fault_is_named_by_its_rung(world: World, spoil: Spoil, rung: str, says: str, advises: str) -> None:
    spoil(world)
    found = world.climb()
    assert found.decisive is not None
    assert found.decisive.rung == rung
    assert says in found.headline
    assert advises in found.advice
    files = says in ("can be read by others", "is not there", "does not hold a tunnel key")
    assert found.exit_code == (2 if files else 3), "a file that the settings name is no fault of the way"
    assert found.rungs[-1].seen.state == ("not ok" if rung == "full packets" else "not tried")
    assert "roof0" not in world.machine.links, "a failed climb leaves no tunnel behind"


def test_search_for_the_largest_packet_is_exact_to_a_few_bytes(world: World) -> None:
    large_packets_vanish(world)
    text = seen(world.climb(), "full packets").seen.text
    largest = int(text.rpartition(" ")[2])
    assert 1372 - 4 <= largest <= 1372


def test_handshake_is_waited_for_no_longer_than_its_time(world: World) -> None:
    world.shakes_hands = False
    found = world.climb()
    assert 58 <= seen(found, "handshake").took_s <= 61


def test_the_tunnel_is_changed_in_ones_turn_alone_also_while_a_handshake_is_waited_for(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another process on the same tunnel may be bringing it up or taking it down just then."""
    world.shakes_hands = False
    world.tunnel |= {"role": "call", "far_name": "garden.example.net:51820"}
    world.names["garden.example.net"] = ("198.18.2.2",)
    in_turn: list[bool] = []
    resolve = world.resolve

    def watched(host: str, timeout_s: float) -> tuple[str, ...]:
        if host == "garden.example.net" and "roof0" in world.machine.links:
            in_turn.append(is_held(str(world.folder / "state" / "tunnels" / "garden.turn")))
        return resolve(host, timeout_s)

    monkeypatch.setattr(world, "resolve", watched)
    assert not world.climb().held("handshake")
    assert len(in_turn) >= 3, "the name is looked up again and again"
    assert all(in_turn)


def test_calls_that_never_fit_end_the_waiting_early(world: World) -> None:
    world.shakes_hands = False
    world.calls_that_arrive = 1
    found = world.climb()
    assert "calls arrive but do not fit our keys" in found.headline
    assert seen(found, "handshake").took_s < 20


def test_old_handshake_is_not_fresh(world: World) -> None:
    world.shakes_hands = False
    with world.way() as one:
        one.tunnel.up()
        world.machine.links["roof0"].peers[FAR_KEY] = SimPeer(
            ["10.77.31.0/24"], "25", handshake_at=int(NOW.timestamp()) - 181
        )
        found = one.climb()
    assert found.decisive is not None
    assert "the last handshake was 4 min 1 s ago" in found.decisive.seen.text


def test_far_box_that_answers_no_ping_is_asked_over_tcp_and_its_size_not_guessed(world: World) -> None:
    world.machine.echo = lambda address, size: None
    found = world.climb()
    assert found.exit_code == 0
    assert "TCP answers after 20.0 ms" in seen(found, "far address").seen.text
    assert seen(found, "full packets").seen.state == "not tried"


def test_lost_packets_are_counted(world: World) -> None:
    numbers = iter(range(1000))
    world.machine.echo = lambda address, size: None if next(numbers) in (2, 5) else 30.0
    assert "2 of 10 lost" in seen(world.climb(), "far address").seen.text


@pytest.mark.parametrize(
    ("leads_to", "outside", "state", "says"),
    [
        (("198.18.1.2",), "", "ok", "does not tell"),
        (("198.18.1.2",), "198.18.1.2", "ok", "as the router says too"),
        (("198.18.1.2",), "198.18.1.99", "not ok", "the router's outside address is 198.18.1.99"),
        (("198.18.1.2",), "100.64.3.4", "not ok", "no port can be forwarded"),
        (("192.168.71.2",), "", "ok", "which this machine has itself"),
        (("192.168.1.1",), "", "not ok", "private"),
        (("100.70.0.1",), "", "not ok", "no port can be forwarded"),
        (("fd00::1", "198.18.1.2"), "", "ok", "does not tell"),
    ],
)
def test_own_name_has_to_lead_home(
    world: World, leads_to: tuple[str, ...], outside: str, state: str, says: str
) -> None:
    world.names["home.example.net"] = leads_to
    world.outside = outside
    found = world.climb()
    rung = seen(found, "names")
    assert (rung.seen.state, says in rung.seen.text) == (state, True), rung.seen.text
    assert found.exit_code == (0 if state == "ok" else 1), "the tunnel stands, so the name only asks for a look"


def test_wrong_name_is_the_headline_when_there_is_no_handshake_either(world: World) -> None:
    del world.names["home.example.net"]
    world.shakes_hands = False
    found = world.climb()
    assert found.headline.startswith("names: home.example.net: the name does not resolve")
    assert found.exit_code == 3


def test_far_name_is_the_headline_where_home_calls(world: World) -> None:
    world.tunnel |= {"role": "call", "far_name": "garden.example.net:51820", "own_name": ""}
    found = world.climb()
    assert found.headline.startswith("names: garden.example.net")
    assert found.stopped_at is not None
    assert found.stopped_at.rung == "interface"


def wireguard(**more: Any) -> WireguardTunnel:
    given = {"kind": "wireguard", "own_address": "10.77.31.1/24", "far_key": FAR_KEY, "reach": ["10.77.31.0/24"]}
    return WireguardTunnel.model_validate(given | more)


def test_calls_that_arrive_but_do_not_fit_point_to_the_keys_not_to_the_router() -> None:
    told = network_words.no_handshake_finding(wireguard(), "OWN", None, 60, {"calls": 12})
    assert "do not fit our keys" in told.text
    assert "forward" not in told.advice
    assert "OWN" in told.advice


def test_packets_of_an_earlier_session_are_not_called_silence() -> None:
    told = network_words.no_handshake_finding(wireguard(), "OWN", None, 60, {"data": 2})
    assert "nothing arrives" not in told.text
    assert "an earlier connection" in told.text
    assert "forward" not in told.advice
    assert "within three minutes" in told.advice


def test_silence_points_to_the_router_and_the_provider() -> None:
    told = network_words.no_handshake_finding(wireguard(), "OWN", None, 60, {})
    assert "nothing arrives at UDP port 51820" in told.text
    assert "forward" in told.advice


def test_silence_is_not_claimed_where_nobody_could_listen() -> None:
    assert "nothing arrives" not in network_words.no_handshake_finding(wireguard(), "OWN", None, 60, None).text


def test_path_under_the_floor_is_not_answered_with_an_impossible_mtu() -> None:
    assert "set `mtu = 1280`" in network_words.size_lost_finding(1280, 1204, wireguard=True).advice


class TestPlainWay:
    """kind = "none": rungs that have nothing to look at say so, and are not called well."""

    def test_rungs_of_a_tunnel_are_not_tried(self, world: World) -> None:
        world.tunnel = {"kind": "none"}
        found = world.climb()
        states = {one.rung: one.seen.state for one in found.rungs}
        assert states["address plan"] == states["interface"] == states["handshake"] == "not tried"
        assert found.exit_code == 0
        assert world.ledger.tunnels.rows() == []

    def test_address_without_a_way_is_named(self, world: World) -> None:
        world.tunnel = {"kind": "none"}
        world.machine.default = None
        assert world.climb().headline == f"default route: no way to {FAR}"


class TestWay:
    """Opening, sharing and closing a way, and what the ledger holds of it."""

    def open(self, world: World, **more: Any) -> Any:
        return open_way(
            world.settings, "garden", world.ledger, world.clock, network_access=world.network_access, **more
        )

    def test_session_is_written_down(self, world: World) -> None:
        with self.open(world):
            peer = world.machine.links["roof0"].peers[FAR_KEY]
            peer.sent, peer.received = 5000, 700
            world.clock.step(3600)
            (open_one,) = world.ledger.tunnels.rows()
            assert open_one.down is None
        (one,) = world.ledger.tunnels.rows()
        assert (one.far, one.tunnel, one.up, one.cut) == ("garden", "roof0", NOW, False)
        assert one.handshake_s == pytest.approx(2, abs=1)
        assert (one.sent, one.received) == (5000, 700)
        assert one.down is not None
        assert (one.down - one.up).total_seconds() >= 3600

    def test_failing_way_is_raised_with_its_headline_and_written_down(self, world: World) -> None:
        world.shakes_hands = False
        with (
            pytest.raises(Unreached, match=r"garden: handshake: there was no handshake.*forward UDP"),
            self.open(world),
        ):
            pytest.fail("nothing may be copied over a way that does not stand")
        (probe,) = world.ledger.probes.rows(far="garden")
        assert (probe.answered, probe.exit_code) == (False, 3)
        kept = [(one["rung"], one["state"]) for one in rungs_of(world.ledger, probe.number)]
        assert kept[4:7] == [("interface", "ok"), ("handshake", "not ok"), ("far address", "not tried")]
        assert world.ledger.tunnels.rows()[0].down is not None

    def test_tunnel_that_cannot_be_brought_up_is_trouble_with_the_tunnel(self, world: World) -> None:
        not_allowed(world)
        with pytest.raises(TunnelTrouble, match="CAP_NET_ADMIN"), self.open(world):
            pytest.fail("there is no tunnel")

    def test_two_ways_are_one_session(self, world: World) -> None:
        with self.open(world):
            with self.open(world):
                pass
            assert "roof0" in world.machine.links
        assert "roof0" not in world.machine.links
        assert len(world.ledger.tunnels.rows()) == 1

    def test_error_inside_still_takes_the_tunnel_down(self, world: World) -> None:
        with pytest.raises(ZeroDivisionError), self.open(world):
            raise ZeroDivisionError
        assert "roof0" not in world.machine.links

    def test_lingering_tunnel_is_taken_down_when_it_is_tended(self, world: World) -> None:
        world.tunnel["linger_s"] = 60
        with self.open(world, linger=True):
            pass
        assert "roof0" in world.machine.links
        assert self.tend(world) == []
        assert "roof0" in world.machine.links
        world.clock.step(61)
        assert self.tend(world) == []
        assert "roof0" not in world.machine.links
        (one,) = world.ledger.tunnels.rows()
        assert one.down is not None

    def test_tunnel_that_is_to_stay_up_is_brought_up_by_tending(self, world: World) -> None:
        world.tunnel["stay_up"] = True
        assert self.tend(world) == []
        assert "roof0" in world.machine.links
        with self.open(world):
            pass
        assert "roof0" in world.machine.links
        assert len(world.ledger.tunnels.rows()) == 1

    def test_handshake_of_a_tunnel_that_stays_up_is_told_from_its_beginning(self, world: World) -> None:
        """Not from whenever somebody first used it."""
        world.tunnel["stay_up"] = True
        self.tend(world)
        begun = world.clock.now()
        world.clock.step(40)
        world.machine.links["roof0"].peers[FAR_KEY].handshake_at = int(begun.timestamp()) + 7
        self.tend(world)
        world.clock.step(3600)
        with self.open(world):
            pass
        (one,) = world.ledger.tunnels.rows()
        assert one.handshake_s == 7

    def test_tunnel_that_vanished_and_was_brought_up_again_in_between_is_two_sessions(
        self, world: World, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr("otherroof.tunnel.drivers.wireguard.WireguardDriver.look_s", 0.02)
        with self.open(world) as one:
            world.clock.step(600)
            del world.machine.links["roof0"]
            until = time.monotonic() + 10
            while one._keeper.raised_at is None:
                assert time.monotonic() < until, "the keeper brings it up again"
                time.sleep(0.02)
            world.clock.step(900)
            world.machine.links["roof0"].peers[FAR_KEY].sent = 5000
        newest, older = world.ledger.tunnels.rows()
        assert (older.cut, older.down) == (True, None)
        assert (newest.cut, newest.sent) == (False, 5000)
        assert newest.down is not None
        assert (newest.down - newest.up).total_seconds() == pytest.approx(900, abs=5)

    def test_session_that_cannot_be_written_down_at_the_end_does_not_keep_the_tunnel_up(
        self, world: World, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def full(*_: object) -> int:
            raise HomeTrouble("the disk is full")

        monkeypatch.setattr("otherroof.tunnel.drivers.wireguard.WireguardDriver.look_s", 0.02)
        with pytest.raises(HomeTrouble, match="the disk is full"), self.open(world) as one:
            del world.machine.links["roof0"]
            until = time.monotonic() + 10
            while one._keeper.raised_at is None:
                assert time.monotonic() < until, "the keeper brings it up again"
                time.sleep(0.02)
            monkeypatch.setattr(world.ledger.tunnels, "begin", full)
        assert "roof0" not in world.machine.links

    def test_trouble_while_tending_is_told_and_not_raised(self, world: World) -> None:
        world.tunnel["stay_up"] = True
        not_allowed(world)
        (trouble,) = self.tend(world)
        assert "CAP_NET_ADMIN" in trouble

    def test_tunnel_that_cannot_be_taken_down_does_not_spoil_the_run(self, world: World) -> None:
        with self.open(world) as one:
            world.machine.refuse["ip", "link", "del"] = ProgramResult(
                2, err="RTNETLINK answers: Device or resource busy"
            )
        assert "busy" in one.trouble
        world.machine.refuse.clear()
        world.clock.step(61)
        assert self.tend(world) == []
        assert "roof0" not in world.machine.links

    def test_session_that_a_crash_left_open_counts_as_cut(self, world: World) -> None:
        world.ledger.tunnels.begin("garden", "roof0", NOW)
        with self.open(world):
            pass
        newest, older = sorted(world.ledger.tunnels.rows(), key=lambda one: -one.number)
        assert (older.cut, older.down) == (True, None)
        assert newest.cut is False

    def test_tunnel_that_lingers_does_not_outlast_the_service(self, world: World) -> None:
        with open_way(
            world.settings, "garden", world.ledger, world.clock, network_access=world.network_access, linger=True
        ):
            assert self.rest(world) == []
            assert "roof0" in world.machine.links, "it is in use"
        assert "roof0" in world.machine.links
        assert self.rest(world) == []
        assert "roof0" not in world.machine.links
        (session,) = world.ledger.tunnels.rows()
        assert session.down is not None

    def test_tunnel_that_is_to_stay_up_outlasts_the_service(self, world: World) -> None:
        world.tunnel["stay_up"] = True
        self.tend(world)
        assert self.rest(world) == []
        assert "roof0" in world.machine.links

    def rest(self, world: World) -> list[str]:
        return take_down_idle_tunnels(world.settings, world.ledger, world.clock, world.network_access)

    def tend(self, world: World) -> list[str]:
        return tend_tunnels(world.settings, world.ledger, world.clock, world.network_access)


def test_neither_tunnel_nor_network_checks_know_of_ssh() -> None:
    probe = Path(way.__file__).parent
    of_network = ("ladder", "network_checks", "network_words", "arrivals", "path_mtu")
    files = [*(probe.parent / "tunnel").rglob("*.py"), *(probe / f"{name}.py" for name in of_network)]
    assert len(files) > 20
    lines = [line for file in files for line in file.read_text().splitlines() if "import" in line]
    assert [line for line in lines if re.search(r"paramiko|otherroof\.(far|ledger)\b", line)] == []
