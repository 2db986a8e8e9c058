"""What root makes by hand in the service's folders must be usable by the service afterwards."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from support.fresh_start import OTHERROOF
from support.lab.household import write_settings
from support.lab.need import require_programs, require_sshd
from support.lab.sshd import FarSshd

pytestmark = pytest.mark.lab

SERVICE = 65534


def test_a_run_by_root_leaves_state_and_keys_to_the_services_account(tmp_path: Path) -> None:
    require_sshd()
    require_programs("sshd", root=True)
    family = tmp_path / "family"
    family.mkdir()
    (family / "letter").write_text("dear all")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "not-ours").write_text("")
    os.chown(elsewhere, SERVICE, SERVICE)
    with FarSshd() as far:
        key = {"login_key": str(elsewhere / "login")}
        where = Path(write_settings(tmp_path / "settings", far, {"papers": str(family)}, far_more=key))
        (where / "keys" / "heron").rename(elsewhere / "login")
        state, keys = where / "state", where / "keys"
        state.mkdir()
        for folder in (state, keys):
            os.chown(folder, SERVICE, SERVICE)
        argv = [OTHERROOF, "run", "papers", "--config", str(where)]
        done = subprocess.run(argv, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == 0, done.stderr
    assert (keys / "listing.key").exists()
    made = [one for folder in (state, keys) for one in folder.rglob("*")]
    assert len(made) > 4
    assert {one.lstat().st_uid for one in made} == {SERVICE}
    assert (where / "otherroof.toml").stat().st_uid == 0
    assert (elsewhere / "not-ours").stat().st_uid == 0
