"""The tunnel in namespaces with a userspace implementation: the driver's contract, both roles, and what moves."""

from __future__ import annotations

import json
import os
import signal
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from otherroof.base.clock import SystemClock
from otherroof.base.errors import TunnelTrouble
from otherroof.base.programs import ProgramResult, SystemPrograms
from otherroof.ledger import Ledger, TunnelSession
from otherroof.settings.tunnel import WireguardTunnel
from otherroof.tunnel.drivers.last_call import LastCallAddress
from otherroof.tunnel.drivers.wireguard import DriverTools, TunnelKeyFiles, WireguardDriver
from otherroof.tunnel.marks import MadeMark
from otherroof.tunnel.network.resolve import resolve
from support.lab.commands import call
from support.lab.holder import Holder
from support.lab.namespace import Namespace
from support.lab.need import require_lab
from support.lab.ownership import Estate
from support.lab.pair_of_houses import PairOfHouses
from support.lab.tunnel import make_tunnel_keys
from support.ledger_rows import rungs_of
from support.tunnel_contract import MakerContract

pytestmark = pytest.mark.lab


@pytest.fixture(autouse=True)
def lab() -> None:
    require_lab()


def running(space: Namespace, word: str) -> list[int]:
    """The processes in a namespace that were started with `word` among their words."""
    pids = call(["ip", "netns", "pids", space.name]).split()
    return [int(pid) for pid in pids if word in Path(f"/proc/{pid}/cmdline").read_text()]


class InNamespace:
    """The Commands port, carried out in a namespace."""

    def __init__(self, space: Namespace) -> None:
        self._space = space
        self._system = SystemPrograms()

    def find(self, name: str) -> str:
        return self._system.find(name)

    def run(self, argv: Sequence[str], timeout_s: float) -> ProgramResult:
        return self._system.run(self._space.argv(argv), timeout_s)


class RealBench:
    """The driver over the real `ip`, `wg` and userspace implementation."""

    makes_something = True

    def __init__(self, estate: Estate, folder: Path) -> None:
        self.space = Namespace(estate, f"otherroof-{estate.number}-one")
        self.commands = InNamespace(self.space)
        self.interface = f"o{estate.number}"[:15]
        self.key_file, self.public = make_tunnel_keys(str(folder), "own.key")
        _, self.far_key = make_tunnel_keys(str(folder), "far.key")
        self.mark = MadeMark(str(folder / "garden.made"))
        self.caller = LastCallAddress(str(folder / "garden.caller"))

    def driver(self) -> WireguardDriver:
        settings = WireguardTunnel.model_validate(
            {
                "kind": "wireguard",
                "interface": self.interface,
                "own_address": "10.77.31.1/24",
                "far_key": self.far_key,
                "reach": ["10.77.31.0/24", "192.168.88.0/24"],
            }
        )
        files = TunnelKeyFiles(self.key_file, "", lambda: self.public)
        return WireguardDriver(
            settings, files, DriverTools(self.commands, resolve, SystemClock(), self.mark, self.caller)
        )

    def stands(self) -> bool:
        return f"{self.interface}:" in self.space.ip("-o", "link", "show")

    def somebody_else_makes_it(self) -> None:
        self.space.run(["wireguard-go", self.interface])
        own = ["private-key", self.key_file, "peer", self.far_key, "allowed-ips", "10.77.31.0/24"]
        self.space.run(["wg", "set", self.interface, *own])
        self.space.ip("link", "set", self.interface, "up")

    def half_made(self) -> None:
        self.mark.set()
        self.space.run(["wireguard-go", self.interface])

    def make_fails(self) -> None:
        self.key_file = "/nowhere/to/be/found.key"


class TestRealLink(MakerContract):
    @pytest.fixture
    def bench(self, tmp_path: Path) -> Iterator[RealBench]:
        with Estate() as estate:
            made = RealBench(estate, tmp_path)
            yield made
            made.space.run(["ip", "link", "del", made.interface], may_fail=True)

    def test_addresses_routes_and_size_are_as_the_settings_say(self, bench: RealBench) -> None:
        bench.driver().up()
        shown = bench.space.ip("address", "show", "dev", bench.interface)
        assert "inet 10.77.31.1/24" in shown
        assert "mtu 1420" in shown
        assert "192.168.88.0/24" in bench.space.ip("route", "show", "dev", bench.interface)
        bench.driver().down()

    def test_driving_program_that_was_killed_is_no_obstacle(self, bench: RealBench) -> None:
        bench.driver().up()
        (pid,) = running(bench.space, "wireguard-go")
        os.kill(pid, signal.SIGKILL)
        until = time.monotonic() + 5
        while bench.stands() and time.monotonic() < until:
            time.sleep(0.05)
        assert not bench.stands()
        bench.driver().up()
        assert bench.driver().state().up
        bench.driver().down()

    def test_settings_that_changed_are_put_in_force_without_a_new_interface(
        self, bench: RealBench, tmp_path: Path
    ) -> None:
        bench.driver().up()
        before = bench.space.ip("-o", "link", "show", "dev", bench.interface).split(":")[0]
        _, bench.far_key = make_tunnel_keys(str(tmp_path), "another.key")
        bench.driver().up()
        assert bench.space.run(["wg", "show", bench.interface, "peers"]).split() == [bench.far_key]
        assert bench.space.ip("-o", "link", "show", "dev", bench.interface).split(":")[0] == before
        bench.driver().down()

    def test_foreign_interface_of_that_name_is_left_alone(self, bench: RealBench) -> None:
        bench.space.ip("link", "add", bench.interface, "type", "veth")
        with pytest.raises(TunnelTrouble):
            bench.driver().up()
        bench.driver().down()
        assert bench.stands()


def sessions(pair: PairOfHouses) -> list[TunnelSession]:
    with Ledger(f"{pair.where}/state/ledger.sqlite") as ledger:
        return ledger.tunnels.rows()


@pytest.mark.parametrize("role", ["answer", "call"])
def test_probe_brings_the_tunnel_up_climbs_and_takes_it_down(tmp_path: Path, role: str) -> None:
    with PairOfHouses(tmp_path / "settings", role=role) as pair:
        code, found = pair.probe()
        assert code == 0, found
        assert found["answered"]
        tried = {one["rung"]: one["state"] for one in found["rungs"]}
        assert set(tried.values()) == {"ok"}, "every rung can be tried with this tunnel"
        assert not pair.home_has_tunnel()
        (one,) = sessions(pair)
        assert one.down is not None
        assert one.handshake_s is not None
        assert one.handshake_s < 45
        # The probe's full packets and its login crossed it, both ways.
        assert one.sent is not None
        assert one.received is not None
        assert min(one.sent, one.received) > 5_000
        (shown,) = json.loads(pair.otherroof("ledger", "--json").stdout)["tunnels"]
        assert shown == one.as_json()
        with Ledger(f"{pair.where}/state/ledger.sqlite") as ledger:
            (probe,) = ledger.probes.rows(far="heron")
            assert (probe.answered, probe.exit_code) == (True, 0)
            assert [row["rung"] for row in rungs_of(ledger, probe.number)] == list(tried)
            assert ledger.answers.last("heron") is not None


def test_tunnel_that_was_just_taken_down_comes_up_again_at_once(tmp_path: Path) -> None:
    """Role "answer": the far box still holds the session of before, and would call anew only minutes later."""
    with PairOfHouses(tmp_path / "settings") as pair:
        for _ in range(3):
            code, found = pair.probe()
            assert code == 0, found["headline"]
        took = next(one["took_s"] for one in found["rungs"] if one["rung"] == "handshake")
        assert took < 15


@pytest.mark.slow
@pytest.mark.lasts(65)
def test_home_that_gets_another_public_address_is_back_within_two_minutes(tmp_path: Path) -> None:
    """Role "answer": the dynamic name follows, and the far box looks it up again after silence, as its kit does."""
    with PairOfHouses(tmp_path / "settings") as pair:
        holder = Holder(pair)
        pair.home_moves("198.18.1.77")
        assert holder.outage(120) < 120
        holder.end()
        assert not pair.home_has_tunnel()


@pytest.mark.slow
@pytest.mark.lasts(45)
def test_far_box_that_gets_another_address_is_found_within_two_minutes(tmp_path: Path) -> None:
    """Role "call": home looks the far box's name up again by itself, since the kernel resolves it only once."""
    with PairOfHouses(tmp_path / "settings", role="call") as pair:
        holder = Holder(pair)
        pair.far_moves("192.168.88.77")
        assert holder.outage(120) < 120
        holder.end()


@pytest.mark.slow
@pytest.mark.lasts(25)
def test_far_router_that_forgets_its_flows_costs_less_than_two_minutes(tmp_path: Path) -> None:
    with PairOfHouses(tmp_path / "settings") as pair:
        holder = Holder(pair)
        pair.houses.far_translation_rebinds()
        assert holder.outage(120) < 120
        holder.end()


def test_two_uses_at_once_share_one_tunnel_and_one_session(tmp_path: Path) -> None:
    with PairOfHouses(tmp_path / "settings", role="call") as pair:
        first, second = Holder(pair), Holder(pair)
        first.end()
        second.wait_until(True, 5)
        assert pair.home_has_tunnel()
        second.end()
        assert not pair.home_has_tunnel()
        assert len(sessions(pair)) == 1


def test_killed_use_leaves_a_tunnel_that_the_next_one_uses_and_takes_down(tmp_path: Path) -> None:
    """The service was killed in the middle of a run: its tunnel stands, and so does its session in the ledger."""
    with PairOfHouses(tmp_path / "settings", role="call") as pair:
        holder = Holder(pair)
        (pid,) = running(pair.houses.home, "hold_way")
        os.kill(pid, signal.SIGKILL)
        holder.process.wait(10)
        assert pair.home_has_tunnel()
        code, found = pair.probe()
        assert code == 0, found
        assert not pair.home_has_tunnel()
        (one,) = sessions(pair)
        assert one.down is not None, "it is the same session, and it has its end"


def test_name_that_is_not_known_any_more_does_not_cut_a_tunnel_that_stands(tmp_path: Path) -> None:
    with PairOfHouses(tmp_path / "settings", role="call") as pair:
        holder = Holder(pair)
        pair.houses.home.name_host("heron.example.net", None)
        code, found = pair.probe()
        assert code == 1
        assert found["headline"].startswith("names: heron.example.net: the name does not resolve")
        assert found["answered"]
        holder.end()
