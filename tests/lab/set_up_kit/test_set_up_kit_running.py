"""The kit on a box whose systemd really runs: what is enabled starts, stays, comes back after a loss of power, goes."""

from __future__ import annotations

import pytest

from support.set_up_kit import FarBox

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
