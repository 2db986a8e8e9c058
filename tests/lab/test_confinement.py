"""The service inside its unit's confinement: it can do its work there, and cannot do what it should not."""

from __future__ import annotations

import os
import shlex
import signal
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from otherroof.base.clock import SystemClock
from otherroof.ledger import Ledger, RunRow
from otherroof.ledger.job_times import JobTimes
from otherroof.ledger.probes import ProbeRow
from otherroof.settings import require_settings
from otherroof.system.install import packaged
from otherroof.tunnel.firewall import removal_rules, rules
from support.fresh_start import OTHERROOF
from support.lab.household import write_settings
from support.lab.jail import NOBODY, Jail
from support.lab.need import require_lab, require_programs
from support.lab.sshd import FarSshd
from support.ledger_rows import rungs_of

pytestmark = pytest.mark.lab

PATIENCE_S = 60.0


@pytest.fixture
def jail(tmp_path: Path) -> Jail:
    require_lab()
    require_programs("systemd-analyze", "setpriv", "unshare", "ping", "nft", root=True)
    open_up(tmp_path)
    writable = tmp_path / "writable"
    writable.mkdir()
    os.chown(writable, NOBODY, NOBODY)
    return Jail(packaged("otherroof.service"), tmp_path, [writable])


def open_up(path: Path) -> None:
    """Let the jail's account pass through the test's own folders; they are made for their owner alone."""
    for part in (path, *path.parents):
        if part.stat().st_mode & 0o011 == 0:
            os.chmod(part, 0o755)


def run(jail: Jail, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(jail.argv(*words), capture_output=True, text=True, timeout=60, check=False)


def python(jail: Jail, text: str) -> subprocess.CompletedProcess[str]:
    return run(jail, sys.executable, "-c", text)


def test_the_familys_files_can_be_read_and_not_be_changed(jail: Jail, tmp_path: Path) -> None:
    secret = tmp_path / "family"
    secret.write_text("letters")
    secret.chmod(0o600)
    assert run(jail, "cat", str(secret)).stdout == "letters"
    for attempt in (f"open({str(secret)!r}, 'a')", f"__import__('os').unlink({str(secret)!r})"):
        assert python(jail, attempt).returncode != 0
    assert secret.read_text() == "letters"


def test_only_its_own_folders_can_be_written_to(jail: Jail, tmp_path: Path) -> None:
    assert python(jail, f"open({str(tmp_path / 'writable' / 'a')!r}, 'w')").returncode == 0
    done = python(jail, "open('/usr/local/bin/planted', 'w')")
    assert "Read-only file system" in done.stderr


def test_echo_requests_and_interfaces_work(jail: Jail) -> None:
    assert ", 1 received" in run(jail, "ping", "-n", "-c", "1", "-W", "2", "127.0.0.1").stdout
    own = Jail(jail.unit, jail.folder, jail.writable, own_network=True)
    done = run(own, "sh", "-c", "ip link set lo up && ip -br address show lo && ip route show")
    assert (done.returncode, done.stderr) == (0, "")
    assert "127.0.0.1" in done.stdout


def test_a_tunnel_in_userspace_can_be_made_and_configured(jail: Jail) -> None:
    own = Jail(jail.unit, jail.folder, jail.writable, own_network=True)
    steps = (
        "LOG_LEVEL=error wireguard-go -f otr-jail & "
        # Not asked of `wg`: it removes a socket at which nobody listens yet, and wireguard-go ends by it.
        "for i in $(seq 600); do grep -q ' 00010000 .*/otr-jail.sock$' /proc/net/unix && break; sleep 0.05; done; "
        "wg set otr-jail listen-port 51999 && ip address add 10.77.99.1/24 dev otr-jail && "
        "ip link set otr-jail up && wg show otr-jail listen-port && ip -br address show otr-jail; kill $!; wait"
    )
    done = run(own, "sh", "-c", steps)
    assert "51999" in done.stdout
    assert "10.77.99.1" in done.stdout


def test_a_tunnels_firewall_table_can_be_put_in_place_seen_and_taken_away(jail: Jail) -> None:
    own = Jail(jail.unit, jail.folder, jail.writable, own_network=True)
    shown = "nft list ruleset && echo --"
    steps = (
        f"nft {shlex.quote(rules('otr-jail'))} && {shown} && nft {shlex.quote(removal_rules('otr-jail'))} && {shown}"
    )
    done = run(own, "sh", "-c", steps)
    assert done.returncode == 0, done.stderr
    standing, gone, _ = done.stdout.split("--\n")
    assert 'iifname != "otr-jail" accept' in standing
    assert gone == ""


@pytest.mark.parametrize(
    ("attempt", "refused_as"),
    [
        ("import os; os.setuid(0)", "PermissionError"),
        ("import os; os.chown('/tmp', 0, 0)", "PermissionError"),
        ("import socket; socket.socket(socket.AF_VSOCK, socket.SOCK_STREAM)", "Address family not supported"),
        ("import mmap; mmap.mmap(-1, 4096, prot=mmap.PROT_WRITE | mmap.PROT_EXEC)", "PermissionError"),
        ("import ctypes; l = ctypes.CDLL(None, use_errno=True); l.mount(b'a', b'/mnt', b'tmpfs', 0, None); "
         "raise OSError(ctypes.get_errno(), 'mount')", "PermissionError"),
        ("import os; os.kill(1, 0)", "PermissionError"),
        ("open('/proc/1/stat')", "FileNotFoundError"),
        ("import os; os.nice(-5)", "PermissionError"),
    ],
)  # fmt: skip
def test_what_it_should_not_do_is_refused(jail: Jail, attempt: str, refused_as: str) -> None:
    if "AF_VSOCK" in attempt and subprocess.run([sys.executable, "-c", attempt], check=False, timeout=60).returncode:
        pytest.skip("this kernel does not know that family of addresses at all")
    done = python(jail, attempt)
    assert done.returncode != 0
    assert refused_as in done.stderr


def wait_for_work(path: str) -> tuple[list[ProbeRow], list[dict[str, Any]], RunRow | None]:
    """The first probe with its rungs, and the first good run, as the ledger at `path` comes to hold them."""
    end = time.monotonic() + PATIENCE_S
    while True:
        with Ledger(path) as ledger:
            probes, good = ledger.probes.rows(far="heron")[:1], ledger.runs.newest_good("papers")
            rungs = rungs_of(ledger, probes[0].number) if probes else []
        if (probes and good) or time.monotonic() > end:
            return probes, rungs, good
        time.sleep(0.3)


def test_a_jobs_run_and_a_probe_succeed_inside(jail: Jail, tmp_path: Path) -> None:
    family = tmp_path / "family"
    family.mkdir(mode=0o700)
    for name in ("letters", "songs"):
        (family / name).write_text(name * 1000)
        (family / name).chmod(0o600)
    with FarSshd() as far:
        where = write_settings(tmp_path / "settings", far, {"papers": str(family)})
        settings = require_settings(where)
        os.makedirs(settings.state)
        with Ledger(settings.ledger) as ledger:
            since = SystemClock().now() - timedelta(days=2)
            ledger.job_times.note(JobTimes("papers", f"{settings.jobs['papers'].at} {settings.home.zone}", since))
        own = [tmp_path / "writable", Path(settings.state), Path(where) / "keys"]
        for folder in own:
            for one in (folder, *folder.rglob("*")):
                os.chown(one, NOBODY, NOBODY)
        confined = Jail(jail.unit, tmp_path, own)
        argv = confined.argv(OTHERROOF, "serve", "--config", where)
        environ = os.environ | {"TMPDIR": str(tmp_path / "writable"), "PYTHONDONTWRITEBYTECODE": "1"}
        service = subprocess.Popen(argv, stderr=subprocess.PIPE, text=True, env=environ)
        try:
            probes, rungs, good = wait_for_work(settings.ledger)
            service.send_signal(signal.SIGTERM)
            _, told = service.communicate(timeout=20)
        finally:
            service.kill()
        assert good is not None, told
        assert good.report.outcome == "done"
        assert service.returncode == 0, told
        assert probes, told
        refused = [one for one in rungs if one["state"] == "not ok"]
        assert not refused, refused
        copied = Path(far.base_path) / "papers" / "latest" / "letters"
        assert copied.read_text() == "letters" * 1000
    assert "Traceback" not in told
    assert "not permitted" not in told
