"""The install carried out in a folder that stands for a machine, and the unit judged by systemd's own tools."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from typer.testing import CliRunner

from otherroof.base.errors import HomeTrouble
from otherroof.cli.parser.manual import man_page
from otherroof.cli.parser.top import build
from otherroof.system import install_help
from otherroof.system import install_steps as plan
from otherroof.system.install import packaged
from support.confinement import MOST_EXPOSED, exposure, looser, unexplained
from support.lab.need import require_programs

pytestmark = pytest.mark.lab

SYSTEMD = Path(__file__).parents[2] / "systemd"


@pytest.fixture
def machine(tmp_path: Path) -> Path:
    """A folder with as much of a machine as systemd's tools need."""
    require_programs("systemd-sysusers", "systemd-tmpfiles", "systemctl", root=True)
    root = tmp_path / "machine"
    (root / "etc").mkdir(parents=True)
    for name in ("passwd", "group", "shadow", "gshadow"):
        line = {"passwd": "root:x:0:0:root:/root:/bin/sh\n", "group": "root:x:0:\n"}.get(name, "")
        (root / "etc" / name).write_text(line)
    (root / "etc" / "shadow").chmod(0o600)
    return root


def install(root: Path, *words: str) -> str:
    result = CliRunner().invoke(build(), ["install", "--root", str(root), *words])
    assert result.exit_code == 0, (result.output, result.exception)
    return result.output


def inside(root: Path, path: str) -> Path:
    return root / path.lstrip("/")


def numbers(root: Path) -> tuple[int, int]:
    line = next(one for one in (root / "etc/passwd").read_text().splitlines() if one.startswith("otherroof:"))
    words = line.split(":")
    assert words[6] == "/usr/sbin/nologin"
    return int(words[2]), int(words[3])


def test_an_install_can_be_repeated_and_undone_and_loses_nothing(machine: Path) -> None:
    keys = inside(machine, plan.KEYS)
    keys.mkdir(parents=True)
    (keys / "heron").write_text("a key that root made")
    told = install(machine, "--apply")
    assert "nothing was done" not in told
    uid, gid = numbers(machine)
    assert uid < 1000
    for path, owner, mode in (
        (plan.SETTINGS, 0, 0o750),
        (plan.JOBS, 0, 0o750),
        (plan.KEYS, uid, 0o700),
        (plan.STATE, uid, 0o700),
    ):
        found = inside(machine, path).stat()
        assert (found.st_uid, found.st_gid, found.st_mode & 0o7777) == (owner, gid, mode), path
    assert (keys / "heron").stat().st_uid == uid
    assert (machine / "etc/shadow").read_text().startswith("otherroof:!")
    assert os.readlink(inside(machine, plan.STATE_LINK)) == plan.STATE
    files = [inside(machine, path) for path in (plan.UNIT_PATH, plan.ACCOUNT_PATH, plan.FOLDERS_PATH)]
    assert [file.stat().st_mode & 0o777 for file in files] == [0o644] * 3
    wants = inside(machine, f"/etc/systemd/system/multi-user.target.wants/{plan.UNIT}")
    assert wants.is_symlink()

    again = install(machine, "--apply")
    assert [line for line in again.splitlines() if line.startswith("  - ")] == []

    (inside(machine, plan.STATE) / "ledger.sqlite").write_text("history")
    told = install(machine, "--undo", "--apply")
    assert not any(file.exists() for file in files)
    assert not os.path.lexists(wants)
    assert (keys / "heron").read_text() == "a key that root made"
    assert (inside(machine, plan.STATE) / "ledger.sqlite").read_text() == "history"
    assert numbers(machine) == (uid, gid)
    assert "left in place" in told


def test_an_install_that_failed_half_way_goes_on_where_it_was(machine: Path) -> None:
    unit_folder = inside(machine, "/etc/systemd/system")
    unit_folder.parent.mkdir(parents=True)
    unit_folder.write_text("in the way")
    result = CliRunner().invoke(build(), ["install", "--root", str(machine), "--apply"])
    assert result.exit_code != 0
    assert "/etc/systemd/system" in str(result.exception)
    unit_folder.unlink()
    install(machine, "--apply")
    assert inside(machine, plan.UNIT_PATH).exists()


def test_a_link_in_place_of_a_folder_is_not_passed_over_in_silence(machine: Path) -> None:
    inside(machine, "/var/lib").mkdir(parents=True)
    inside(machine, plan.STATE).symlink_to(machine)
    result = CliRunner().invoke(build(), ["install", "--root", str(machine), "--apply"])
    assert isinstance(result.exception, HomeTrouble)
    assert "could not put the folders right" in str(result.exception)


def test_systemd_keeps_to_the_folders_whenever_the_machine_starts(machine: Path) -> None:
    install(machine, "--apply")
    uid, _ = numbers(machine)
    keys, ledger = inside(machine, plan.KEYS), inside(machine, plan.STATE) / "ledger.sqlite"
    ledger.write_text("history")
    os.chmod(keys, 0o777)
    os.chown(inside(machine, plan.JOBS), uid, 0)
    # What systemd-tmpfiles-setup.service calls at a start, but for --boot, which is about other people's lines.
    starts = ["systemd-tmpfiles", f"--root={machine}", "--create", "--remove", "--clean"]
    subprocess.run([*starts, "--prefix=/etc/otherroof", "--prefix=/var/lib/otherroof"], timeout=60, check=True)
    assert keys.stat().st_mode & 0o7777 == 0o700
    assert inside(machine, plan.JOBS).stat().st_uid == 0
    assert (ledger.read_text(), ledger.stat().st_uid) == ("history", uid)


def test_man_page_and_completion_come_and_go(machine: Path) -> None:
    usual = os.umask(0o077)
    try:
        told = install(machine, "--apply")
    finally:
        os.umask(usual)
    for path, use in install_help.USES.items():
        assert f"  - write {path}, {use}" in told
        file = inside(machine, path)
        assert file.stat().st_mode & 0o777 == 0o644
        assert file.parent.stat().st_mode & 0o777 == 0o755, "a folder that only root can look into hides it"
    assert inside(machine, install_help.MAN_PAGE).read_text() == man_page()
    inside(machine, install_help.MAN_PAGE).write_text("of an earlier version")
    again = install(machine, "--apply")
    assert [line for line in again.splitlines() if line.startswith("  - ")] == [
        f"  - write {install_help.MAN_PAGE}, for `man otherroof`"
    ]
    assert inside(machine, install_help.MAN_PAGE).read_text() == man_page()
    install(machine, "--undo", "--apply")
    assert [path for path in install_help.USES if inside(machine, path).exists()] == []


def judged(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["systemd-analyze", *words], capture_output=True, text=True, timeout=60, check=False)


def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path) -> None:
    require_programs("systemd-analyze")
    unit = tmp_path / plan.UNIT
    unit.write_text(plan.unit_for(packaged(plan.UNIT), shutil.which("true") or "/bin/true"))
    done = judged("verify", str(unit))
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_systemd_does_find_a_slip(tmp_path: Path) -> None:
    require_programs("systemd-analyze")
    unit = tmp_path / plan.UNIT
    unit.write_text(packaged(plan.UNIT).replace("ProtectClock=yes", "ProtectClok=yes"))
    done = judged("verify", str(unit))
    assert "ProtectClok" in done.stderr


def test_the_unit_is_confined_and_says_why_where_it_is_not(tmp_path: Path) -> None:
    require_programs("systemd-analyze")
    unit = tmp_path / plan.UNIT
    unit.write_text(packaged(plan.UNIT))
    assert 0 < exposure(judged("security", "--offline=true", str(unit)).stdout) <= MOST_EXPOSED
    rows = json.loads(judged("security", "--offline=true", "--json=short", str(unit)).stdout)
    assert len(looser(rows)) > 5
    assert unexplained(rows, packaged(plan.UNIT)) == [], "looser, and no comment says why"


@pytest.mark.parametrize("name", [plan.UNIT, "sysusers.conf", "tmpfiles.conf"])
def test_there_is_one_of_each_file_for_systemd_and_it_is_the_packaged_one(name: str) -> None:
    assert (SYSTEMD / name).is_symlink()
    assert (SYSTEMD / name).read_text() == packaged(name)
