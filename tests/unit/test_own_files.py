"""A job that would carry this home's own keys to the far box, or the state that changes with every run, is named."""

from __future__ import annotations

from pathlib import Path

import pytest

from otherroof.jobs.own_files import jobs_that_copy_secrets
from otherroof.settings import read_parts

MAIN = """
[home]
name = "larch"
zone = "America/St_Johns"
state = "{state}"

[far.heron]
address = "10.9.0.2"
account = "copykeeper"
login_key = "keys/heron"
host_key = "ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAIHbss9FeIV8D7SvlHjFg2uzc0jlUPp0mPyfdxgHFKkms"
base = "/copies"
"""


def found(where: Path, folder: str, leave_out: str = "[]", state: str = "state") -> list[tuple[str, str, str]]:
    """(job, what is wrong, what would be right) for one job on `folder` below `where`; the settings are in etc/ours."""
    settings = where / "etc" / "ours"
    (settings / "jobs").mkdir(parents=True)
    (settings / "keys").mkdir()
    (settings / "otherroof.toml").write_text(MAIN.format(state=state))
    job = f'folder = "{where / folder}"\nfar = "heron"\nat = "0 1 * * *"\nleave_out = {leave_out}\n'
    (settings / "jobs" / "server.toml").write_text(job)
    parts = read_parts(str(settings))
    assert [one.line() for one in parts.mistakes] == []
    return [(Path(one.file).stem, one.wrong, one.right) for one in jobs_that_copy_secrets(parts)]


def test_keys_and_state_in_a_job_are_named_with_the_pattern_that_leaves_them_out(tmp_path: Path) -> None:
    keys, state = found(tmp_path, "etc")
    assert keys[0] == state[0] == "server"
    assert "(ours/keys/heron and 1 more)" in keys[1]
    assert '"/ours/keys/"' in keys[2]
    assert "(ours/state)" in state[1]
    assert '"/ours/state/"' in state[2]


@pytest.mark.parametrize(
    "leave_out",
    [
        '["/ours/keys/", "/ours/state/"]',
        '["ours/"]',
        '["keys", "state"]',
        '["**/ours/*"]',
        '["/ours/*", "!/ours/jobs/"]',
    ],
)
def test_what_is_left_out_is_no_mistake(tmp_path: Path, leave_out: str) -> None:
    assert found(tmp_path, "etc", leave_out) == []


def test_pattern_that_brings_keys_back_is_seen_through(tmp_path: Path) -> None:
    (one,) = found(tmp_path, "etc", '["/ours/*", "!/ours/keys"]')
    assert "secrets" in one[1]


def test_state_elsewhere_and_folder_elsewhere_are_no_mistake(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    assert found(tmp_path, "photos") == []


def test_folder_that_is_a_link_hides_nothing(tmp_path: Path) -> None:
    (tmp_path / "way").symlink_to(tmp_path / "etc")
    (keys,) = found(tmp_path, "way", state=str(tmp_path / "var"))
    assert "secrets" in keys[1]


def test_the_very_folder_of_the_keys_is_a_job_for_nobody(tmp_path: Path) -> None:
    (keys,) = found(tmp_path, "etc/ours/keys")
    assert '"/heron"' in keys[2]
