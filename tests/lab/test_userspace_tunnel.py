"""A tunnel in userspace is a program with a control socket: whoever started it, root and the service share it, and the
service's end is not its end while somebody uses it."""

from __future__ import annotations

import os
import subprocess
import tempfile
from collections.abc import Iterator

import pytest

from otherroof.system.install import packaged
from otherroof.system.install_steps import ACCOUNT_PATH, FOLDERS_PATH, SOCKETS, UNIT_PATH
from support.lab import Estate, Namespace
from support.lab.need import require_lab
from support.lab.pair_of_houses import PairOfHouses
from support.set_up_kit import wait_until
from support.throwaway_debian import ThrowawayDebian

pytestmark = pytest.mark.lab

ACCOUNT = 65534
RIGHTS = "+dac_read_search,+net_admin,+net_raw"  # as the unit gives them
CAPABILITIES = f"--inh-caps={RIGHTS} --ambient-caps={RIGHTS}"


def probe(pair: PairOfHouses, by: str) -> subprocess.CompletedProcess[str]:
    """Probe at home `by` whom a shell's words say, on a machine with no other tunnels, whose device everybody may open,
    as udev has it."""
    script = (
        'mkdir -p "$0"; [ -e "$0/tun" ] || mknod -m 666 "$0/tun" c 10 200; mount --bind "$0/tun" /dev/net/tun\n'
        f'mkdir -p -m 755 "$0/sockets"; mount --bind "$0/sockets" {SOCKETS}; {by} "$@"'
    )
    argv = ["unshare", "--mount", "sh", "-ec", script, f"{pair.where}/machine", *pair.program("probe", "heron")]
    return subprocess.run(pair.houses.home.argv(argv), capture_output=True, text=True, timeout=150, check=False)


@pytest.fixture
def pair() -> Iterator[PairOfHouses]:
    require_lab()
    with tempfile.TemporaryDirectory(prefix="otherroof-") as where:
        os.chmod(where, 0o755)  # below pytest's own folders only root finds anything
        with PairOfHouses(f"{where}/settings", role="call", tunnel={"stay_up": True}) as made:
            yield made
            made.houses.home.run(["ip", "link", "delete", made.interface], may_fail=True)


@pytest.mark.slow
def test_the_service_goes_on_with_a_tunnel_that_root_brought_up_by_hand(pair: PairOfHouses) -> None:
    for top, folders, files in os.walk(pair.where):
        for name in (".", *folders, *files):
            os.chown(os.path.join(top, name), ACCOUNT, ACCOUNT)
    done = probe(pair, "exec")
    assert done.returncode == 0, done.stdout + done.stderr
    assert pair.home_has_tunnel(), "it is to stay up"
    done = probe(pair, f"exec setpriv --reuid={ACCOUNT} --regid={ACCOUNT} --clear-groups {CAPABILITIES}")
    assert done.returncode == 0, done.stdout + done.stderr


@pytest.fixture
def machine(base_system: str) -> Iterator[ThrowawayDebian]:
    """Runs the service's own unit, with a program in place of ours that leaves a tunnel and a dump behind."""
    with Estate() as estate:
        made = ThrowawayDebian(estate, base_system, Namespace(estate, f"otherroof-{estate.number}-home"))
        made.write(ACCOUNT_PATH, packaged("sysusers.conf"))
        unit = packaged("otherroof.service").replace("Type=notify", "Type=exec")
        made.write(UNIT_PATH, unit.replace("/opt/otherroof/bin/otherroof serve", "/usr/local/bin/pretended"))
        made.write("/usr/local/bin/pretended", "#!/bin/sh\nwireguard-go left0\nsleep 1000 &\nexec sleep 1001\n", 0o755)
        made.write(FOLDERS_PATH, packaged("tmpfiles.conf"))
        made.run("systemd-sysusers")
        made.boot()
        made.run("sh", "-c", "mknod -m 666 /tun c 10 200; mount --bind /tun /dev/net/tun")  # as udev has it
        yield made


def running(machine: ThrowawayDebian, *words: str) -> list[str]:
    return machine.run("pgrep", "--full", "--exact", " ".join(words), may_fail=True).split()


@pytest.mark.slow
@pytest.mark.each_release
@pytest.mark.parametrize("word", ["restart", "stop", "kill"])
def test_the_services_end_is_not_that_of_a_tunnel_in_use_but_of_all_else_that_it_left(
    machine: ThrowawayDebian, word: str
) -> None:
    machine.run("systemctl", "start", "otherroof.service")
    wait_until(lambda: running(machine, "sleep 1000") and "left0" in machine.run("ip", "-o", "link"), 20)
    tunnel, dump, main = (running(machine, one) for one in ("wireguard-go left0", "sleep 1000", "sleep 1001"))
    assert (len(tunnel), len(dump), len(main)) == (1, 1, 1)
    if word == "kill":
        machine.run("kill", "-KILL", *main)
    else:
        machine.run("systemctl", word, "otherroof.service")
    wait_until(lambda: not set(dump) & set(running(machine, "sleep 1000")), 20)
    assert not set(main) & set(running(machine, "sleep 1001"))
    # A service that starts again tries to make the tunnel, and finds it made.
    wait_until(lambda: running(machine, "wireguard-go left0") == tunnel, 20)
    assert "left0" in machine.run("ip", "-o", "link")
    if word == "stop":
        assert machine.run("systemctl", "is-active", "otherroof.service", may_fail=True).strip() == "inactive"


@pytest.mark.slow
def test_a_tunnel_of_somebody_else_outlives_the_install_and_the_services_start(machine: ThrowawayDebian) -> None:
    """systemd would give all in the folder of sockets to the service, and wireguard-go ends when its own is changed."""
    machine.run("rm", "-rf", SOCKETS)
    machine.run("wireguard-go", "others0")
    machine.run("systemd-tmpfiles", "--create", FOLDERS_PATH)
    machine.run("systemctl", "start", "otherroof.service")
    wait_until(lambda: "left0" in machine.run("ip", "-o", "link"), 20)
    assert "others0" in machine.run("ip", "-o", "link")
    assert machine.run("wg", "show", "others0", "listen-port")
