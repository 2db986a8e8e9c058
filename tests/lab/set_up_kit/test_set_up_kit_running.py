"""The kit on a box whose systemd really runs: what is enabled starts, stays, comes back after a loss of power, goes."""

from __future__ import annotations

import pytest

from support.set_up_kit import OWN, FarBox, reaches, wait_until

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.each_release]

UNITS = ("otherroof-tunnel.service", "otherroof-tunnel-again.timer", "otherroof-note.timer")


def active(box: FarBox, *units: str) -> list[str]:
    """`active` or otherwise, unit by unit."""
    return box.run("systemctl", "is-active", *units, may_fail=True).split()


def started(box: FarBox) -> str:
    """When each unit became active."""
    return box.run("systemctl", "show", "--property=Id,ActiveEnterTimestampMonotonic", *UNITS, "ssh.service")


@pytest.fixture
def booted(box) -> FarBox:
    box.boot()
    return box


def test_apply_starts_everything_and_the_tunnel_stands_by_itself(booted):
    said = booted.apply()
    assert "systemd is not running" not in said
    assert active(booted, *UNITS, "ssh.service") == ["active"] * 4
    assert booted.plan.far_interface in booted.run("ip", "-o", "link")
    assert "otherroof-far" in booted.run("nft", "list", "tables")
    assert booted.run("systemctl", "--failed", "--plain", "--no-legend").strip() == ""


def test_a_second_apply_restarts_nothing(booted):
    booted.apply()
    before = started(booted)
    assert "  + " not in booted.apply()
    assert started(booted) == before


def test_what_a_stopped_run_wrote_is_taken_up_by_the_next_one(booted):
    booted.write("/etc/ssh/sshd_config.d/own.conf", "Port 2222\n")
    assert booted.set_up("--apply")[0] == 1
    booted.run("rm", "/etc/ssh/sshd_config.d/own.conf")
    assert "systemctl try-reload-or-restart ssh.service" in booted.apply()
    assert "  + " not in booted.apply()


def test_a_changed_kit_is_taken_up_by_what_runs(booted, household):
    booted.apply()
    booted.take_kit(household, household.pair(contact="Tom", mtu=1300))
    booted.apply()
    assert "mtu 1300" in booted.run("ip", "-o", "link", "show", "dev", booted.plan.far_interface)


def test_undo_stops_everything_and_leaves_the_system_as_it_was(booted):
    before = booted.snapshot()
    booted.apply()
    booted.undo()
    after = booted.snapshot()
    moved = {path for path in before.keys() | after.keys() if before.get(path) != after.get(path)}
    # systemd's own seed, clock and catalogue change as time goes by.
    assert {path for path in moved if not path.startswith("/var/lib/systemd/")} == set()
    assert not [path for path in after if "otherroof" in path]
    assert set(active(booted, *UNITS)) == {"inactive"}
    assert active(booted, "ssh.service") == ["active"]
    assert booted.plan.far_interface not in booted.run("ip", "-o", "link")
    assert booted.run("nft", "list", "ruleset") == ""
    assert booted.run("systemctl", "--failed", "--plain", "--no-legend").strip() == ""


def test_nobody_who_is_logged_in_is_thrown_out_by_apply_or_undo(booted):
    def server() -> str:
        return booted.run("systemctl", "show", "--property=MainPID", "ssh.service")

    assert booted.space is not None
    before = server()
    with booted.space.connect("127.0.0.1", 22) as line:
        assert line.recv(100).startswith(b"SSH-2.0")
        booted.apply()
        booted.undo()
        line.sendall(b"SSH-2.0-lab\r\n")
        assert line.recv(100)
    assert server() == before


def test_ssh_that_was_off_is_switched_on_behind_the_firewall_and_off_again_by_undo(booted):
    booted.run("systemctl", "disable", "--now", "--quiet", "ssh.service")
    booted.apply()
    assert active(booted, "ssh.service") == ["active"]
    assert "new_ssh" in booted.run("nft", "list", "table", "inet", "otherroof-far")
    booted.undo()
    assert active(booted, "ssh.service") == ["inactive"]
    assert booted.run("systemctl", "is-enabled", "ssh.service", may_fail=True).strip() == "disabled"


def without_rules(box: FarBox) -> None:
    """The box after a loss of power, with a firewall that cannot be loaded."""
    box.write(f"{OWN}/firewall.nft", "not rules\n")
    box.run("nft", "flush", "ruleset")
    box.run("ip", "link", "delete", "dev", box.plan.far_interface)
    box.boot()


def test_ssh_that_was_off_before_does_not_start_without_the_rule_that_hides_it(booted):
    booted.run("systemctl", "disable", "--now", "--quiet", "ssh.service")
    booted.apply()
    rules = booted.read(f"{OWN}/firewall.nft")
    without_rules(booted)
    assert active(booted, "otherroof-tunnel.service") == ["failed"]
    assert booted.space is not None
    wait_until(lambda: active(booted, "ssh.service") == ["failed"], 30)
    assert not reaches(booted.space, "127.0.0.1", 22)
    booted.run("systemctl", "start", "ssh.socket", may_fail=True)
    assert not reaches(booted.space, "127.0.0.1", 22)
    booted.write(f"{OWN}/firewall.nft", rules)
    # It comes by itself, since nobody there would know what to do.
    wait_until(lambda: active(booted, "ssh.service") == ["active"], 60)
    assert "new_ssh" in booted.run("nft", "list", "table", "inet", "otherroof-far")


def test_ssh_of_the_relatives_own_starts_whatever_becomes_of_the_firewall(booted):
    booted.apply()
    without_rules(booted)
    assert active(booted, "otherroof-tunnel.service", "ssh.service") == ["failed", "active"]
    assert booted.plan.far_interface not in booted.run("ip", "-o", "link"), "home gets nowhere"


def test_a_tunnel_whose_firewall_cannot_be_put_back_is_taken_down(booted):
    booted.apply()
    booted.write(f"{OWN}/firewall.nft", "not rules\n")
    booted.run("nft", "flush", "ruleset")
    booted.run("systemctl", "start", "otherroof-tunnel-again.service", may_fail=True)
    assert booted.plan.far_interface not in booted.run("ip", "-o", "link")


def journal(box: FarBox) -> list[str]:
    return box.run("journalctl", "--unit=otherroof-tunnel-again.service", "--output=cat", "--no-pager").splitlines()


def test_looking_after_the_tunnel_is_no_news(booted):
    booted.apply()
    for _ in range(6):
        booted.run("systemctl", "reset-failed")  # the lab's own haste is no trouble
        booted.run("systemctl", "start", "otherroof-tunnel-again.service")
    told = journal(booted)
    assert sum("home's name cannot be looked up now" in line for line in told) == 1, "once, not at every look"
    assert len(told) <= 3, "`wg` has its say before that"


def test_trouble_that_lasts_is_told_once_also_if_it_is_systemd_who_tells(booted):
    booted.apply()
    booted.write(f"{OWN}/firewall.nft", "not rules\n")
    booted.run("nft", "flush", "ruleset")
    for _ in range(6):
        booted.run("systemctl", "start", "otherroof-tunnel-again.service", may_fail=True)
    told = journal(booted)
    assert sum("cannot be loaded, so there is no tunnel" in line for line in told) == 1
    assert len(told) < 12


def test_undo_leaves_no_failed_unit(booted):
    booted.apply()
    booted.write(f"{OWN}/firewall.nft", "not rules\n")
    booted.write(f"{OWN}/note.sh", "#!/bin/sh\nexit 3\n", 0o755)
    booted.run("nft", "flush", "ruleset")
    for unit in ("otherroof-tunnel-again.service", "otherroof-note.service"):
        booted.run("systemctl", "start", unit, may_fail=True)
    booted.run("systemctl", "restart", "otherroof-tunnel.service", may_fail=True)
    assert "otherroof-tunnel.service" in booted.run("systemctl", "--failed", "--plain", "--no-legend")
    booted.undo()
    assert booted.run("systemctl", "--failed", "--plain", "--no-legend").strip() == ""


def test_a_tunnel_that_does_not_start_is_told_with_its_own_words_and_does_not_begin_with_the_machine(booted):
    booted.lose_links()
    booted.write("/usr/bin/wireguard-go", "#!/bin/sh\necho no such luck >&2\nexit 1\n", 0o755)
    code, said = booted.set_up("--apply")
    assert code == 1
    assert "no such luck" in said
    assert "otherroof-tunnel.service did not start, see its words above" in said
    assert booted.run("systemctl", "is-enabled", "otherroof-tunnel.service", may_fail=True).strip() == "disabled"
    assert "otherroof reply" not in said


@pytest.mark.parametrize("ssh_in_use", [True, False])
def test_all_that_is_done_was_shown_before(booted, ssh_in_use):
    if not ssh_in_use:
        booted.run("systemctl", "disable", "--now", "--quiet", "ssh.service")
    shown = [line for line in booted.set_up()[1].splitlines() if line.startswith("  + ")]
    done = [line for line in booted.apply().splitlines() if line.startswith("  + ")]
    assert [line for line in done if line not in shown] == []
    assert any("reload-or-restart ssh.service" in line for line in shown)


def test_after_a_loss_of_power_all_is_there_again(booted):
    booted.apply()
    booted.boot()
    assert active(booted, *UNITS, "ssh.service") == ["active"] * 4
    assert booted.plan.far_interface in booted.run("ip", "-o", "link")
    assert "otherroof-far" in booted.run("nft", "list", "tables")


def test_what_was_applied_without_systemd_begins_at_the_next_start(box):
    box.apply()
    assert box.plan.far_interface not in box.run("ip", "-o", "link")
    box.boot()
    assert active(box, *UNITS) == ["active"] * 3
    assert box.plan.far_interface in box.run("ip", "-o", "link")


def test_the_weekly_look_runs_as_a_unit(booted):
    booted.apply()
    booted.run("rmdir", "/srv/otherroof/copies")
    booted.run("systemctl", "start", "otherroof-note.service")
    assert "is not there" in booted.read("/etc/motd.d/otherroof")
    journal = booted.run("journalctl", "--unit=otherroof-note.service", "--priority=warning", "--output=cat")
    assert "Is its disk plugged in" in journal
