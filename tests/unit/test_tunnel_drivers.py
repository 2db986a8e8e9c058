"""Every driver of the Tunnel port over its contract, and what is each one's own."""

from __future__ import annotations

import base64
import os
import stat
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from otherroof.base.clock import SteppedClock
from otherroof.base.errors import TunnelTrouble, Unreached
from otherroof.base.programs import ProgramResult, SystemPrograms
from otherroof.settings.tunnel import CommandTunnel, WireguardTunnel
from otherroof.tunnel.drivers.command import CommandDriver
from otherroof.tunnel.drivers.last_call import LastCallAddress
from otherroof.tunnel.drivers.no_tunnel import NoTunnelDriver
from otherroof.tunnel.drivers.wireguard import DriverTools, TunnelKeyFiles, WireguardDriver
from otherroof.tunnel.marks import MadeMark
from support.net_machine import NetMachine, SimLink, SimPeer
from support.tunnel_contract import MakerContract, TunnelContract

OWN = base64.b64encode(bytes([1] * 32)).decode()
FAR = base64.b64encode(bytes([2] * 32)).decode()
OTHER = base64.b64encode(bytes([3] * 32)).decode()
KEY_FILE, SHARED_FILE = "/keys/tunnel.key", "/keys/shared.key"
NOW = datetime(2031, 4, 5, 1, 30, tzinfo=UTC)


class PlainBench:
    makes_something = False

    def driver(self) -> NoTunnelDriver:
        return NoTunnelDriver()

    def stands(self) -> bool:
        return True

    def somebody_else_makes_it(self) -> None:
        pass

    def half_made(self) -> None:
        pass


class TestNoLink(TunnelContract):
    @pytest.fixture
    def bench(self) -> PlainBench:
        return PlainBench()


class CommandBench:
    """Real shell scripts; the tunnel is a file."""

    makes_something = True

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.sign = folder / "stands"
        self.mark = str(folder / "state" / "garden.made")
        self.script("up", f"touch {self.sign}")
        self.script("down", f"rm {self.sign}")
        self.script("test", f"test -e {self.sign}")
        self.wait_s = 10.0

    def script(self, name: str, text: str) -> None:
        path = self.folder / name
        path.write_text(f"#!/bin/sh\n{text}\n")
        path.chmod(path.stat().st_mode | stat.S_IXUSR)

    def driver(self) -> CommandDriver:
        argv = {name: [str(self.folder / name)] for name in ("up", "down", "test")}
        settings = CommandTunnel.model_validate({"kind": "command", "wait_s": self.wait_s, **argv})
        return CommandDriver(settings, SystemPrograms(), MadeMark(self.mark))

    def stands(self) -> bool:
        return self.sign.exists()

    def somebody_else_makes_it(self) -> None:
        self.sign.touch()

    def half_made(self) -> None:
        MadeMark(self.mark).set()

    def make_fails(self) -> None:
        self.script("up", "echo no such provider >&2; exit 7")
        self.script("down", "exit 0")


class TestCommandLink(MakerContract):
    @pytest.fixture
    def bench(self, tmp_path: Path) -> CommandBench:
        return CommandBench(tmp_path)

    def test_failing_command_is_quoted_with_its_own_words(self, bench: CommandBench) -> None:
        bench.make_fails()
        with pytest.raises(TunnelTrouble, match="left with 7: no such provider"):
            bench.driver().up()

    def test_up_that_ends_well_but_brings_nothing_up_is_told(self, bench: CommandBench) -> None:
        bench.script("up", "exit 0")
        bench.script("down", "exit 0")
        with pytest.raises(TunnelTrouble, match="yet `test` says"):
            bench.driver().up()

    def test_command_that_hangs_is_ended_with_all_it_started(self, bench: CommandBench) -> None:
        pids = bench.folder / "pids"
        bench.script("up", f"sleep 300 & echo $! > {pids}; sleep 300")
        bench.wait_s = 0.5
        with pytest.raises(TunnelTrouble, match="did not end within"):
            bench.driver().up()
        assert _ends_within(5.0, pids.read_text().strip())

    def test_daemon_that_keeps_the_output_open_does_not_hold_up_the_run(self, bench: CommandBench) -> None:
        pids = bench.folder / "pids"
        bench.script("up", f"sleep 30 & echo $! > {pids}; touch {bench.sign}")
        bench.wait_s = 5.0
        try:
            bench.driver().up()
            assert bench.driver().state().up
        finally:
            os.kill(int(pids.read_text()), 9)

    def test_commands_get_no_secrets_from_the_environment(
        self, bench: CommandBench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setenv("A_PASSWORD", "plain to see")
        seen = bench.folder / "seen"
        bench.script("up", f"env > {seen}; touch {bench.sign}")
        bench.driver().up()
        assert "A_PASSWORD" not in seen.read_text()


def _ends_within(seconds: float, pid: str) -> bool:
    """Whether a process is gone or a zombie by then: the kernel carries a kill out when it gets round to it."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            if Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z":
                return True
        except (FileNotFoundError, ProcessLookupError):
            return True
        time.sleep(0.02)
    return False


class WireguardBench:
    """The driver over a simulated machine."""

    makes_something = True

    def __init__(self, folder: Path, *, kernel: bool) -> None:
        self.machine = NetMachine(kernel=kernel, userspace=not kernel)
        self.machine.publics[KEY_FILE] = OWN
        self.clock = SteppedClock(NOW)
        self.mark = MadeMark(str(folder / "garden.made"))
        self.caller_path = str(folder / "garden.caller")
        self.names: dict[str, tuple[str, ...]] = {"garden.example.net": ("203.0.113.9",)}
        self.given: dict[str, object] = {}

    def driver(self) -> WireguardDriver:
        settings = WireguardTunnel.model_validate(
            {
                "kind": "wireguard",
                "own_address": "10.77.31.1/24",
                "far_key": FAR,
                "reach": ["10.77.31.0/24", "192.168.88.0/24"],
                **self.given,
            }
        )
        shared = SHARED_FILE if settings.shared_key_file else ""
        files = TunnelKeyFiles(KEY_FILE, shared, lambda: OWN)
        return WireguardDriver(
            settings,
            files,
            DriverTools(self.machine, self.resolve, self.clock, self.mark, LastCallAddress(self.caller_path)),
        )

    def resolve(self, host: str, timeout_s: float) -> tuple[str, ...]:
        if host not in self.names:
            raise Unreached("the name does not resolve", where=host)
        return self.names[host]

    @property
    def link(self) -> SimLink:
        return self.machine.links["roof0"]

    def stands(self) -> bool:
        return "roof0" in self.machine.links

    def somebody_else_makes_it(self) -> None:
        self.machine.links["roof0"] = SimLink(
            up=True, addresses=["10.77.31.1/24"], public=OWN, peers={FAR: SimPeer(["10.77.31.0/24"])}
        )

    def half_made(self) -> None:
        self.mark.set()
        self.machine.links["roof0"] = SimLink()

    def make_fails(self) -> None:
        self.machine.refuse["ip", "link", "set"] = ProgramResult(2, err="RTNETLINK answers: Address already in use")


class TestKernelLink(MakerContract):
    @pytest.fixture
    def bench(self, tmp_path: Path) -> WireguardBench:
        return WireguardBench(tmp_path, kernel=True)


class TestUserspaceLink(MakerContract):
    @pytest.fixture
    def bench(self, tmp_path: Path) -> WireguardBench:
        return WireguardBench(tmp_path, kernel=False)


@pytest.fixture
def bench(tmp_path: Path) -> WireguardBench:
    return WireguardBench(tmp_path, kernel=True)


def test_interface_is_made_as_the_settings_say(bench: WireguardBench) -> None:
    bench.given = {"shared_key_file": "keys/shared.key", "keepalive_s": 21, "port": 51900}
    bench.driver().up()
    assert bench.link == SimLink(
        mtu=1420,
        up=True,
        addresses=["10.77.31.1/24"],
        routes=["10.77.31.0/24", "192.168.88.0/24"],
        public=OWN,
        port=51900,
        peers={FAR: SimPeer(["10.77.31.0/24", "192.168.88.0/24"], "21", shared_key_file=SHARED_FILE)},
    )


def test_second_up_runs_nothing_that_changes_anything(bench: WireguardBench) -> None:
    bench.driver().up()
    bench.machine.ran.clear()
    before = dict(bench.machine.tables)
    bench.driver().up()
    assert [argv for argv in bench.machine.changes if argv[0] != "nft"] == []
    assert bench.machine.tables == before


def test_stale_interface_is_put_right_without_being_made_anew(bench: WireguardBench) -> None:
    bench.driver().up()
    bench.link.peers = {OTHER: SimPeer(["10.9.0.0/16"])}
    bench.link.addresses = ["10.9.0.1/16"]
    bench.link.routes = []
    bench.link.mtu = 1300
    bench.machine.ran.clear()
    bench.driver().up()
    assert list(bench.link.peers) == [FAR]
    assert bench.link.addresses == ["10.77.31.1/24"]
    assert bench.link.mtu == 1420
    assert "192.168.88.0/24" in bench.link.routes
    assert not any("add" in argv and "link" in argv for argv in bench.machine.ran)


def test_interface_of_another_tunnel_is_neither_used_nor_touched(bench: WireguardBench) -> None:
    bench.somebody_else_makes_it()
    bench.link.peers = {OTHER: SimPeer()}
    before = repr(bench.link)
    with pytest.raises(TunnelTrouble, match="did not make"):
        bench.driver().up()
    bench.driver().down()
    assert repr(bench.link) == before


def test_ours_of_which_the_driving_program_is_gone_is_made_anew(bench: WireguardBench) -> None:
    bench.driver().up()
    bench.link.tunnel = False  # `wg` cannot look at it any more
    bench.driver().up()
    assert bench.driver().state().up


def test_crash_right_after_the_interface_was_made_leaves_it_known_as_ours(bench: WireguardBench) -> None:
    class Killed(BaseException):
        pass

    def die(*given: object) -> ProgramResult:
        raise Killed

    bench.machine._set = die  # type: ignore[method-assign]
    with pytest.raises(Killed):
        bench.driver().up()
    assert bench.stands()
    bench.driver().down()
    assert not bench.stands()


def test_no_key_is_ever_in_arguments_or_asked_for(bench: WireguardBench) -> None:
    bench.given = {"shared_key_file": "keys/shared.key"}
    bench.driver().up()
    bench.driver().state()
    bench.driver().down()
    words = {word for argv in bench.machine.ran for word in argv}
    assert KEY_FILE in words, "the check below would prove nothing otherwise"
    assert not words & {"dump", "showconf", "preshared-keys"}
    assert ("wg", "show", "roof0", "private-key") not in bench.machine.ran


def test_account_without_the_right_is_told_which_one_it_needs(bench: WireguardBench) -> None:
    bench.machine.refuse["ip", "link", "add"] = ProgramResult(2, err="RTNETLINK answers: Operation not permitted")
    with pytest.raises(TunnelTrouble, match="CAP_NET_ADMIN"):
        bench.driver().up()


def test_machine_without_any_implementation_is_told_what_to_install(bench: WireguardBench) -> None:
    bench.machine.kernel = False
    with pytest.raises(TunnelTrouble, match="install wireguard-go"):
        bench.driver().up()


def test_taken_port_is_named(bench: WireguardBench) -> None:
    bench.make_fails()
    with pytest.raises(TunnelTrouble, match="another program has UDP port 51820"):
        bench.driver().up()


@pytest.mark.parametrize(
    ("outer", "endpoint", "expected"),
    [
        pytest.param(1500, "203.0.113.9", 1440, id="calls over IPv4"),
        pytest.param(1492, "203.0.113.9", 1432, id="calls over IPv4 behind PPPoE"),
        pytest.param(1500, "2001:db8::9", 1420, id="calls over IPv6"),
        pytest.param(1492, "2001:db8::9", 1412, id="calls over IPv6 behind PPPoE"),
        pytest.param(1350, "2001:db8::9", 1280, id="never under the floor over IPv6"),
        pytest.param(1492, "", 1412, id="answers: the family is not known"),
        pytest.param(1300, "203.0.113.9", 1280, id="never under the floor"),
        pytest.param(9000, "", 1420, id="jumbo frames at home do not reach the other house"),
    ],
)
def test_mtu_is_worked_out_from_the_way_out(bench: WireguardBench, outer: int, endpoint: str, expected: int) -> None:
    bench.machine.links["eth0"].mtu = outer
    if endpoint:
        bench.names["garden.example.net"] = (endpoint,)
        bench.given = {"role": "call", "far_name": "garden.example.net:51820"}
    bench.driver().up()
    assert bench.link.mtu == expected


def test_a_far_box_that_was_silent_for_long_is_called_from_another_port_now_and_then(bench: WireguardBench) -> None:
    """Its router may send what comes from the old one to a machine that is no longer there."""
    bench.given = {"role": "call", "far_name": "garden.example.net:51820"}
    driver = bench.driver()

    def changed_port(after_s: float) -> bool:
        bench.clock.step(after_s)
        bench.machine.ran.clear()
        driver.up()
        return ("wg", "set", "roof0", "listen-port", "0") in bench.machine.ran

    assert not changed_port(0)
    assert not changed_port(1000), "the interface is new, and so is its port"
    bench.link.peers[FAR].handshake_at = int(bench.clock.now().timestamp())
    assert [changed_port(60) for _ in range(12)] == [at in (4, 9) for at in range(12)]
    bench.link.peers[FAR].handshake_at = int(bench.clock.now().timestamp())
    assert not changed_port(60)


def test_home_that_is_called_keeps_the_port_that_its_router_forwards(bench: WireguardBench) -> None:
    driver = bench.driver()
    driver.up()
    bench.link.peers[FAR].handshake_at = int(bench.clock.now().timestamp())
    bench.clock.step(10_000)
    driver.up()
    assert bench.link.port == 51820


def test_a_control_socket_of_another_account_is_not_taken_for_another_program(bench: WireguardBench) -> None:
    bench.driver().up()
    said = "Unable to access interface: Permission denied"
    bench.machine.refuse[("wg", "show")] = ProgramResult(1, err=said)
    with pytest.raises(TunnelTrouble, match="another account runs it in userspace") as told:
        bench.driver().state()
    assert "`interface`" not in str(told.value)


class TestFirewallTable:
    """While the tunnel is up a table of its own keeps out what begins at the far end."""

    def test_table_stands_before_there_is_an_interface_and_goes_after_it(self, bench: WireguardBench) -> None:
        bench.driver().up()
        bench.driver().down()
        words = [argv[0] if argv[0] == "nft" else " ".join(argv[:3]) for argv in bench.machine.changes]
        assert words.index("nft") < words.index("ip link add")
        assert words[-2:] == ["ip link del", "nft"]
        assert bench.machine.tables == {"house": "its own rules"}

    def test_table_that_others_flushed_is_told_and_put_back(self, bench: WireguardBench) -> None:
        bench.driver().up()
        assert bench.driver().state().shut is True
        bench.machine.tables.clear()
        assert bench.driver().state().shut is False
        bench.driver().up()
        assert bench.driver().state().shut is True

    def test_household_that_guards_it_itself_gets_no_table_and_needs_no_nft(self, bench: WireguardBench) -> None:
        bench.driver().up()
        bench.given = {"let_in": True}
        bench.driver().up()
        assert list(bench.machine.tables) == ["house"], "also where it stood before the settings changed"
        assert bench.driver().state().shut is None
        bench.driver().down()
        bench.machine.firewall = False
        bench.driver().up()
        bench.driver().down()

    def test_machine_without_nft_is_not_opened_to_the_far_house(self, bench: WireguardBench) -> None:
        bench.machine.firewall = False
        with pytest.raises(TunnelTrouble, match=r"could reach into this one.*apt install nftables.*let_in = true"):
            bench.driver().up()
        assert not bench.stands()
        bench.driver().down()

    def test_kernel_that_refuses_the_table_is_told_and_there_is_no_interface(self, bench: WireguardBench) -> None:
        bench.machine.refuse[("nft",)] = ProgramResult(1, err="Error: Operation not permitted (you must be root)")
        with pytest.raises(TunnelTrouble, match=r"`nft table inet otherroof-roof0` failed.*CAP_NET_ADMIN") as told:
            bench.driver().up()
        assert "\n" not in str(told.value)
        assert not bench.stands()
        bench.driver().down()
        assert not bench.mark.is_set(), "nothing was made"

    def test_kernel_without_nftables_is_told_what_else_can_be_done(self, bench: WireguardBench) -> None:
        bench.machine.refuse[("nft",)] = ProgramResult(1, err="Error: Could not process rule: Operation not supported")
        with pytest.raises(TunnelTrouble, match=r"Operation not supported; .*let_in = true"):
            bench.driver().up()

    def test_interface_of_another_is_another_s_to_guard(self, bench: WireguardBench) -> None:
        bench.somebody_else_makes_it()
        bench.driver().up()
        assert list(bench.machine.tables) == ["house"]
        assert bench.driver().state().shut is None
        bench.driver().down()


class TestCallingBack:
    """Role "answer": where the far box last called from is called when the tunnel comes up again."""

    CAME_FROM = "198.18.2.2:47294"

    def was_up(self, bench: WireguardBench, came_from: str = CAME_FROM) -> None:
        bench.driver().up()
        peer = bench.link.peers[FAR]
        peer.endpoint, peer.handshake_at = came_from, int(NOW.timestamp())
        bench.driver().state()
        bench.driver().down()

    def endpoint(self, bench: WireguardBench) -> str:
        bench.driver().up()
        return bench.link.peers[FAR].endpoint

    def test_first_time_nobody_is_called(self, bench: WireguardBench) -> None:
        assert self.endpoint(bench) == "(none)"

    def test_place_of_the_last_call_is_called(self, bench: WireguardBench) -> None:
        self.was_up(bench)
        assert self.endpoint(bench) == self.CAME_FROM
        assert bench.link.mtu == 1420, "as if the family were not known, so that it stays the same"

    def test_far_box_that_calls_from_elsewhere_is_not_called_back_at_the_old_place(self, bench: WireguardBench) -> None:
        self.was_up(bench)
        bench.driver().up()
        bench.link.peers[FAR].endpoint = "[2001:db8::7]:1024"
        assert self.endpoint(bench) == "[2001:db8::7]:1024"
        bench.link.peers[FAR].handshake_at = int(NOW.timestamp())
        bench.driver().state()
        bench.driver().down()
        assert self.endpoint(bench) == "[2001:db8::7]:1024"

    def test_place_without_a_handshake_is_not_remembered(self, bench: WireguardBench) -> None:
        bench.driver().up()
        bench.link.peers[FAR].endpoint = self.CAME_FROM
        bench.driver().state()
        bench.driver().down()
        assert self.endpoint(bench) == "(none)"

    @pytest.mark.parametrize("written", ["", "nonsense", "198.18.2.2", "198.18.2.2:0", "x:1", "192.168.88.2:51820"])
    def test_what_cannot_be_called_is_left_alone(self, bench: WireguardBench, written: str) -> None:
        """The last one lies on the tunnel's own other side."""
        Path(bench.caller_path).write_text(written + "\n")
        assert self.endpoint(bench) == "(none)"


class TestCalling:
    """Role "call": the far box's name is resolved again when it may have moved, and only then."""

    @pytest.fixture
    def calling(self, bench: WireguardBench) -> WireguardBench:
        bench.given = {"role": "call", "far_name": "garden.example.net:51820"}
        return bench

    def peer(self, calling: WireguardBench) -> SimPeer:
        return calling.link.peers[FAR]

    def shake_hands(self, calling: WireguardBench) -> None:
        peer = self.peer(calling)
        peer.handshake_at = int(calling.clock.now().timestamp())
        peer.received += 92

    def test_it_calls_the_resolved_address_from_any_port(self, calling: WireguardBench) -> None:
        calling.driver().up()
        assert self.peer(calling).endpoint == "203.0.113.9:51820"
        assert not any("listen-port" in argv for argv in calling.machine.changes)

    def test_ipv6_endpoint_stands_in_brackets(self, calling: WireguardBench) -> None:
        calling.names["garden.example.net"] = ("2001:db8::9",)
        calling.driver().up()
        assert self.peer(calling).endpoint == "[2001:db8::9]:51820"

    def test_fresh_handshake_keeps_the_endpoint_although_the_name_changed(self, calling: WireguardBench) -> None:
        calling.driver().up()
        self.shake_hands(calling)
        calling.names["garden.example.net"] = ("203.0.113.77",)
        calling.clock.step(100)
        calling.driver().up()
        assert self.peer(calling).endpoint == "203.0.113.9:51820"

    def test_old_handshake_makes_it_look_for_the_name_again(self, calling: WireguardBench) -> None:
        calling.driver().up()
        self.shake_hands(calling)
        calling.names["garden.example.net"] = ("203.0.113.77",)
        calling.clock.step(136)
        calling.driver().up()
        assert self.peer(calling).endpoint == "203.0.113.77:51820"

    def test_silence_makes_it_look_for_the_name_long_before_the_handshake_is_old(self, calling: WireguardBench) -> None:
        calling.driver().up()
        self.shake_hands(calling)
        calling.names["garden.example.net"] = ("203.0.113.77",)
        driver = calling.driver()
        for _ in range(4):
            self.peer(calling).sent += 1000
            driver.state()
            calling.clock.step(10)
        driver.up()
        assert self.peer(calling).endpoint == "203.0.113.77:51820"

    def test_second_address_of_a_name_is_tried_when_the_first_stays_silent(self, calling: WireguardBench) -> None:
        calling.names["garden.example.net"] = ("2001:db8::9", "203.0.113.9")
        calling.driver().up()
        calling.driver().up()
        assert self.peer(calling).endpoint == "203.0.113.9:51820"

    def test_name_server_that_is_away_does_not_take_away_an_address_that_was_known(
        self, calling: WireguardBench
    ) -> None:
        calling.driver().up()
        calling.names.clear()
        calling.driver().up()
        assert self.peer(calling).endpoint == "203.0.113.9:51820"

    def test_name_that_never_resolved_is_trouble(self, calling: WireguardBench) -> None:
        calling.names.clear()
        with pytest.raises(TunnelTrouble, match="does not resolve"):
            calling.driver().up()

    def test_name_that_leads_into_the_tunnel_itself_is_refused(self, calling: WireguardBench) -> None:
        calling.names["garden.example.net"] = ("192.168.88.2",)
        with pytest.raises(TunnelTrouble, match="cannot carry itself"):
            calling.driver().up()


def test_state_tells_age_and_counters_from_our_side(bench: WireguardBench) -> None:
    bench.driver().up()
    assert bench.driver().state().handshake_age_s is None
    bench.link.peers[FAR] = SimPeer(
        handshake_at=int(NOW.timestamp()) - 7, received=180, sent=92, endpoint="203.0.113.9:1"
    )
    state = bench.driver().state()
    assert (state.handshake_age_s, state.received, state.sent, state.endpoint) == (7, 180, 92, "203.0.113.9:1")


def test_mark_of_an_earlier_start_of_the_machine_counts_for_nothing(tmp_path: Path) -> None:
    mark = MadeMark(str(tmp_path / "garden.made"))
    mark.set()
    assert mark.is_set()
    (tmp_path / "garden.made").write_text("00000000-0000-4000-8000-000000000000")
    assert not mark.is_set()
