"""The kit's firewall and tunnel, for real in namespaces: home reaches SSH and nothing else, the house sees nothing new,
and the tunnel finds home again."""

from __future__ import annotations

import contextlib
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator

import pytest

from support.lab import Houses, Namespace, Plan
from support.pairing import FAR
from support.set_up_kit import FarBox, Neighbours, reply_in

pytestmark = [pytest.mark.lab, pytest.mark.slow]

OWN = "/etc/otherroof-far/otherroof"
SSH, OTHER = 22, 8080


def reaches(space: Namespace, address: str, port: int) -> bool:
    """Whether a TCP connection comes about."""
    try:
        space.connect(address, port, wait_s=0.7).close()
    except OSError:
        return False
    return True


def answers_ping(space: Namespace, address: str) -> bool:
    """Whether an ICMP echo comes back."""
    return "1 received" in space.run(["ping", "-c", "1", "-W", "1", address], may_fail=True)


def listens(box: FarBox, port: int = OTHER) -> None:
    """Some service of the relative's own, on every address."""
    box.popen("nc", "-lk", "0.0.0.0", str(port))
    box.run("sh", "-c", f"for i in $(seq 100); do nc -z 127.0.0.1 {port} && exit; sleep 0.05; done; exit 1")


@pytest.fixture
def around(box) -> Neighbours:
    """A box that is set up, with its sshd and a service of the house running, and its firewall not loaded yet."""
    box.apply()
    made = Neighbours(box)
    box.start_sshd()
    listens(box)
    return made


def load(box: FarBox) -> None:
    """What the tunnel's unit does first."""
    box.run("nft", "--file", f"{OWN}/firewall.nft")


def test_without_the_table_home_would_reach_everything(around):
    far = around.box.plan.far_address
    assert reaches(around.home, far, SSH)
    assert reaches(around.home, far, OTHER)


def test_home_reaches_ssh_and_ping_and_nothing_else(around):
    load(around.box)
    far = around.box.plan.far_address
    assert reaches(around.home, far, SSH)
    assert answers_ping(around.home, far)
    assert not reaches(around.home, far, OTHER)
    around.home.ip("route", "add", Neighbours.LAN_BOX, "via", far)
    assert not reaches(around.home, Neighbours.LAN_BOX, SSH)
    assert not reaches(around.home, Neighbours.LAN_BOX, OTHER)


def test_only_home_s_own_address_is_let_in(around):
    load(around.box)
    plan = around.box.plan
    home, other = plan.home_address, plan.home_address.rpartition(".")[0] + ".77"
    around.home.ip("address", "add", f"{other}/24", "dev", "eth")
    around.home.ip("address", "delete", f"{home}/24", "dev", "eth")
    around.home.ip("address", "replace", f"{other}/24", "dev", "eth")
    assert not reaches(around.home, plan.far_address, SSH)
    assert not answers_ping(around.home, plan.far_address)


def test_the_house_reaches_what_it_reached_before(around):
    def seen() -> list[bool]:
        reached = [reaches(around.lan, Neighbours.LAN_BOX, port) for port in (SSH, OTHER, 9999)]
        return [*reached, answers_ping(around.lan, Neighbours.LAN_BOX)]

    before = seen()
    assert before == [True, True, False, True]
    load(around.box)
    assert seen() == before


def test_nothing_passes_between_home_and_the_house(around):
    box, far = around.box, around.box.plan.far_address
    assert box.space is not None
    box.space.run(["sysctl", "-q", "-w", "net.ipv4.ip_forward=1"])
    around.home.ip("route", "add", "192.168.88.0/24", "via", far)
    around.lan.ip("route", "add", f"{box.plan.home_address}/32", "via", Neighbours.LAN_BOX)
    assert answers_ping(around.home, Neighbours.LAN_OTHER), "with nothing loaded the box would pass it on"
    load(box)
    assert not answers_ping(around.home, Neighbours.LAN_OTHER)
    assert not answers_ping(around.lan, box.plan.home_address)


def test_the_box_itself_begins_nothing_towards_home(around):
    box = around.box
    with around.home.udp(box.plan.home_address) as ear:
        ear.settimeout(0.7)
        port = ear.getsockname()[1]

        def sent() -> bool:
            box.run("sh", "-c", f"echo x | nc -u -w 1 {box.plan.home_address} {port}", may_fail=True)
            try:
                return bool(ear.recv(10))
            except TimeoutError:
                return False

        assert sent(), "with nothing loaded it arrives"
        load(box)
        assert not sent()


def test_loading_twice_is_loading_once_and_the_house_s_own_rules_stay(around):
    box = around.box
    own = "table inet house { chain input { type filter hook input priority filter; policy drop; accept; }; }\n"
    box.run("nft", "--file", "-", given=own)
    before = box.run("nft", "list", "table", "inet", "house")
    load(box)
    once = box.run("nft", "-s", "list", "ruleset")
    load(box)
    assert box.run("nft", "-s", "list", "ruleset") == once
    assert box.run("nft", "list", "table", "inet", "house") == before


def test_another_firewall_that_refuses_by_default_is_pointed_out(box):
    own = "table inet house { chain input { type filter hook input priority filter; policy drop; }; }\n"
    assert "another firewall here" not in box.apply()
    box.run("nft", "--file", "-", given=own)
    assert "another firewall here refuses what it does not know. Let it admit TCP port 22 on from-larch" in box.apply()


def test_ssh_that_was_not_in_use_before_stays_hidden_from_the_house(box):
    box.run("systemctl", "disable", "--quiet", "ssh.service")
    before = box.run("systemctl", "is-enabled", "ssh.service", may_fail=True)
    said = box.apply()
    assert "ssh.service begins when this machine starts" in said
    assert box.run("systemctl", "is-enabled", "ssh.service").strip() == "enabled"
    around = Neighbours(box)
    box.start_sshd()
    listens(box)
    load(box)
    assert not reaches(around.lan, Neighbours.LAN_BOX, SSH)
    assert reaches(around.lan, Neighbours.LAN_BOX, OTHER)
    assert reaches(around.home, box.plan.far_address, SSH)
    assert box.apply().count("  + ") == 0
    box.undo()
    assert box.run("systemctl", "is-enabled", "ssh.service", may_fail=True) == before


def test_undo_takes_interface_and_table_away_and_leaves_other_tables(around):
    box = around.box
    box.run("nft", "add", "table", "inet", "house")
    load(box)
    box.undo()
    assert box.run("nft", "list", "ruleset").split() == ["table", "inet", "house", "{", "}"]
    assert box.plan.far_interface not in box.run("ip", "-o", "link")


def test_home_s_own_firewall_lets_only_answers_out_of_the_tunnel(box, household, estate):
    home, far = (Namespace(estate, f"otherroof-{estate.number}-{role}") for role in ("house", "stranger"))
    plan = box.plan
    home.ip("link", "add", plan.home_interface, "type", "veth", "peer", "name", "eth", "netns", far.name)
    for space, end, address in ((home, plan.home_interface, plan.home_address), (far, "eth", plan.far_address)):
        space.ip("address", "add", f"{address}/24", "dev", end)
        space.ip("link", "set", end, "up")
    with home.entered():
        at_home = socket.create_server((plan.home_address, OTHER))
    with far.entered():
        at_far = socket.create_server((plan.far_address, OTHER))
    with at_home, at_far:
        assert reaches(far, plan.home_address, OTHER), "with nothing loaded the far box reaches home"
        home.run(["nft", "--file", str(household.where / "firewall" / "heron.nft")])
        assert not reaches(far, plan.home_address, OTHER)
        assert reaches(home, plan.far_address, OTHER)
        assert answers_ping(far, plan.home_address)


def wait_until(met: Callable[[], bool], seconds: float) -> float:
    """How long it took; fails the test after `seconds`."""
    start = time.monotonic()
    while not met():
        if time.monotonic() - start > seconds:
            pytest.fail(f"not within {seconds:g} s")
        time.sleep(0.2)
    return time.monotonic() - start


class Tunnelled:
    """Both houses, the box in the far one, paired from the kit to the settings; home's end by the product itself."""

    def __init__(self, houses: Houses, base_system, household, **answers: object) -> None:
        self.houses = houses
        self.household = household
        self.box = FarBox(houses.estate, base_system, houses.far)
        self.box.take_kit(household, household.pair(**answers))
        self.box.run("rm", "-f", "/etc/resolv.conf")  # names come from the hosts file, at once or not at all
        self.call_home(houses.home_outside)
        household.finish(reply_in(self.box.apply()))
        self.box.start_sshd()

    def call_home(self, address: str) -> None:
        """What the far house's name server says of home."""
        self.box.write("/etc/hosts", f"127.0.0.1 localhost\n{address} larch.example.net\n")
        self.houses.home.name_host("larch.example.net", address)

    def tunnel(self, word: str) -> str:
        """What systemd would do."""
        return self.box.run(f"{OWN}/tunnel.sh", word)

    def wg(self, what: str) -> str:
        return self.box.run("wg", "show", self.box.plan.far_interface, what)

    def otherroof(self, *words: str) -> tuple[int, str]:
        """The command line at home, in home's network."""
        code = "import sys; from otherroof.cli.main import main; main(sys.argv[1:])"
        argv = self.houses.home.argv([sys.executable, "-c", code, *words, "--config", str(self.household.where)])
        done = subprocess.run(argv, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=120, check=False)
        return done.returncode, done.stdout + done.stderr

    @contextlib.contextmanager
    def home_up(self) -> Iterator[None]:
        """Home's end of the tunnel, by the product's own driver with the settings that pairing wrote."""
        program = (
            "import sys; from otherroof.clock import SystemClock; from otherroof.link.build import tunnel_of;"
            "from otherroof.link.senses import Senses;"
            "from otherroof.settings import require_settings;"
            f"getattr(tunnel_of(require_settings(sys.argv[1]), {FAR!r}, Senses(), SystemClock()), sys.argv[2])()"
        )
        argv = [sys.executable, "-c", program, str(self.household.where)]
        self.houses.home.run([*argv, "up"])
        try:
            yield
        finally:
            self.houses.home.run([*argv, "down"])

    def carries(self) -> bool:
        """Whether home reaches the box's SSH through the tunnel."""
        return reaches(self.houses.home, self.box.plan.far_address, SSH)


@pytest.fixture
def behind_routers(base_system) -> Iterator[Houses]:
    with Houses(Plan(far_translates=True, home_translates=True, forwarded_port=51820)) as houses:
        yield houses


@pytest.fixture
def both(behind_routers, base_system, household) -> Tunnelled:
    """The far box calls home, the usual case, and both routers translate."""
    return Tunnelled(behind_routers, base_system, household)


def test_from_the_kit_to_a_probe_in_which_every_rung_holds(both):
    both.tunnel("up")
    both.tunnel("again")
    code, said = both.otherroof("probe", FAR, "--json")
    assert code == 0, said
    assert "not ok" not in said
    assert both.box.plan.far_interface in both.box.run("ip", "-o", "link")


def test_a_box_with_another_host_key_is_not_taken_for_the_paired_one(both):
    both.tunnel("up")
    both.tunnel("again")
    both.box.run("pkill", "-o", "sshd")
    both.box.run("sh", "-c", "rm /etc/ssh/ssh_host_*; ssh-keygen -A")
    both.box.start_sshd()
    code, said = both.otherroof("probe", FAR)
    assert code == 3, said
    assert "host key" in said


def test_home_calls_where_the_far_house_has_the_port(base_system, household):
    with Houses() as houses:
        both = Tunnelled(houses, base_system, household, role="call", own_name="", far_name=houses.far_outside)
        both.tunnel("up")
        assert both.wg("listen-port").strip() == "51820"
        both.tunnel("again")
        code, said = both.otherroof("probe", FAR, "--json")
        assert code == 0, said


def test_up_and_again_over_a_tunnel_that_stands_cut_nothing(both):
    both.tunnel("up")
    both.tunnel("again")
    with both.home_up():
        wait_until(both.carries, 20)
        with both.houses.home.connect(both.box.plan.far_address, SSH) as line:
            assert line.recv(4) == b"SSH-"
            shaken = both.wg("latest-handshakes")
            for word in ("up", "again", "up", "again"):
                both.tunnel(word)
            line.sendall(b"SSH-2.0-lab\r\n")
            assert line.recv(4000)
            assert both.wg("latest-handshakes") == shaken
        assert len(both.wg("peers").split()) == 1


def test_home_is_found_again_at_its_new_address_within_two_minutes(both):
    """The timer looks every 30 s; here every 5 s, and only what is needed beyond its looks is counted."""
    both.tunnel("up")
    both.tunnel("again")
    with both.home_up():
        wait_until(both.carries, 20)
        both.tunnel("again")
        both.houses.home_moves("198.18.1.9")
        both.call_home("198.18.1.9")

        def looked() -> bool:
            time.sleep(5)
            both.tunnel("again")
            return "198.18.1.9:" in both.wg("endpoints")

        took = wait_until(looked, 40)
        took += wait_until(both.carries, 40)
        # At worst a look has just seen something come, so two more looks of 30 s pass instead of two of 5 s.
        assert took + 2 * (30 - 5) < 120


def test_a_name_that_cannot_be_looked_up_now_stops_nothing(both):
    both.box.write("/etc/hosts", "127.0.0.1 localhost\n")
    both.tunnel("up")
    assert "cannot be looked up now" in both.box.try_out(f"{OWN}/tunnel.sh", "again")[1]
    assert both.box.try_out(f"{OWN}/tunnel.sh", "again")[0] == 0
    both.call_home(both.houses.home_outside)
    both.tunnel("again")
    with both.home_up():
        wait_until(both.carries, 20)


def test_again_restores_what_others_took_away(both):
    both.tunnel("up")
    both.tunnel("again")
    plan = both.box.plan
    both.box.run("nft", "flush", "ruleset")
    both.tunnel("again")
    assert f"{plan.account}-far" in both.box.run("nft", "list", "tables")
    both.tunnel("down")
    both.tunnel("again")
    assert f"{both.houses.home_outside}:51820" in both.wg("endpoints")


def test_without_its_firewall_there_is_no_tunnel(both):
    both.box.write(f"{OWN}/firewall.nft", "not rules\n")
    code, said = both.box.try_out(f"{OWN}/tunnel.sh", "up")
    assert code != 0, said
    assert both.box.plan.far_interface not in both.box.run("ip", "-o", "link")


def test_the_keys_are_never_in_an_argument(both):
    both.box.write("/usr/local/bin/spy", '#!/bin/sh\necho "$0 $*" >>/tmp/spied\nexec /usr/bin/wg "$@"\n', 0o755)
    script = both.box.read(f"{OWN}/tunnel.sh")
    both.box.write(f"{OWN}/tunnel.sh", script.replace("wg set", "/usr/local/bin/spy set"), 0o755)
    both.tunnel("up")
    both.tunnel("again")
    spied = both.box.read("/tmp/spied")
    assert "preshared-key" in spied
    for name in ("tunnel.key", "shared.key"):
        assert both.box.read(f"{OWN}/{name}").strip() not in spied


def test_undo_takes_a_tunnel_down_that_is_up(both):
    both.tunnel("up")
    both.box.undo()
    assert both.box.plan.far_interface not in both.box.run("ip", "-o", "link")
    assert both.box.run("nft", "list", "ruleset") == ""
