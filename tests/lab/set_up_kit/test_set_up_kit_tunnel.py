"""The kit's tunnel against home's own: through two routers that translate, in both roles, over what others break."""

from __future__ import annotations

import time

import pytest

from support.lab import Houses
from support.paired_houses import Tunnelled
from support.pairing import FAR
from support.set_up_kit import OWN, wait_until

pytestmark = [pytest.mark.lab, pytest.mark.slow]

SSH = 22


def test_from_the_kit_to_a_probe_in_which_every_rung_holds(both):
    both.tunnel("up")
    both.tunnel("again")
    code, said = both.otherroof("probe", FAR, "--json")
    assert code == 0, said
    assert "not ok" not in said
    assert both.box.plan.far_interface in both.box.run("ip", "-o", "link")


def test_what_a_household_does_first_probe_and_probe_again_holds_each_time(both):
    """Home's end goes down after each; the box still holds the session of before."""
    both.tunnel("up")
    both.tunnel("again")
    for _ in range(3):
        code, said = both.otherroof("probe", FAR)
        assert code == 0, said


def test_a_box_with_another_host_key_is_not_taken_for_the_paired_one(both):
    both.tunnel("up")
    both.tunnel("again")
    both.box.run("sh", "-c", "rm /etc/ssh/ssh_host_*; ssh-keygen -A")
    both.box.restart_sshd()
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


@pytest.mark.lasts(45)
def test_a_home_that_was_down_and_remembers_nothing_is_called_anew(both):
    """The box holds a session of which home's new end knows nothing; by itself it would be up to 145 s late."""
    both.tunnel("up")
    both.tunnel("again")
    with both.home_up():
        wait_until(both.carries, 20)
    time.sleep(31)  # as long as the timer leaves it alone
    for _ in range(2):
        both.tunnel("again")  # the first sees what came before home went down
    assert both.wg("latest-handshakes").split()[1] == "0", "a new call is under way"
    assert len(both.wg("peers").split()) == 1
    with both.home_up():
        wait_until(both.carries, 20)


def test_after_some_silent_looks_home_is_called_from_another_port_and_again_after_as_many(both):
    both.tunnel("up")
    ports = []
    for _ in range(9):
        both.tunnel("again")
        ports.append(both.wg("listen-port").strip())
    assert [ports[at] != ports[at - 1] for at in range(1, 9)] == [at in (3, 7) for at in range(1, 9)]


def test_a_home_that_answers_is_called_from_one_port(both):
    both.tunnel("up")
    both.tunnel("again")
    port = both.wg("listen-port")
    with both.home_up():
        wait_until(both.carries, 20)
        for _ in range(9):
            assert both.carries()
            both.tunnel("again")
    assert both.wg("listen-port") == port


@pytest.mark.lasts(60)
def test_a_new_server_at_home_is_reached_although_the_router_sends_the_old_flow_to_the_old_one(both):
    """Home's router goes on with what it knows of the far box's port while the box keeps calling from there."""
    both.tunnel("up")
    both.tunnel("again")
    with both.home_up():
        wait_until(both.carries, 20)
    both.new_home("192.168.71.9")
    with both.home_up():

        def looked() -> bool:
            both.tunnel("again")
            time.sleep(5)  # as long as it takes to try a handshake again
            return both.carries()

        wait_until(looked, 90)


def test_calls_from_a_home_that_hears_no_answer_are_no_sign_of_it(both):
    """Its name is looked up all the same: it may have another address by now, at which it would hear."""
    both.tunnel("up")
    both.tunnel("again")
    assert both.otherroof("probe", FAR)[0] == 0  # home remembers where it was called from, and will call there
    both.houses.drop(f"ip saddr {both.houses.far_outside} udp dport 51820")
    both.call_home("198.18.1.9")
    both.box.run("mv", "/bin/date", "/bin/date.real")
    later = '#!/bin/sh\n[ "$*" = +%s ] || exec date.real "$@"\necho $(($(date.real +%s) + 200))\n'
    both.box.write("/bin/date", later, 0o755)  # by then the session carries nothing any more
    with both.home_up():
        received = int(both.wg("transfer").split()[1])
        wait_until(lambda: int(both.wg("transfer").split()[1]) > received, 20)
        both.tunnel("again")
        assert "198.18.1.9:51820" in both.wg("endpoints")
        called = both.wg("transfer")
        wait_until(lambda: both.wg("transfer") != called, 20)
        both.call_home("198.18.1.7")
        both.tunnel("again")
        assert "198.18.1.7:51820" in both.wg("endpoints")


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
