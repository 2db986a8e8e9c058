"""The kit's firewall, loaded for real: home reaches SSH and nothing else, and the house sees nothing new."""

from __future__ import annotations

import pytest

from support.set_up_kit import OWN, FarBox, Neighbours, answers_ping, reaches

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.each_release]

SSH, OTHER = 22, 8080


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
