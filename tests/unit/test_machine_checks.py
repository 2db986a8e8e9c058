"""What only a look at this machine finds: a secret that others could read, a folder or program that is not there."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from otherroof.base.errors import WrongSettings
from otherroof.settings import check_machine, read_parts
from otherroof.settings.machine_checks import require_secret
from support.household import secret
from support.sheets import KEYS, write_tunnelled_household

WEB = """
[channel.web]
kind = "webhook"
url_file = "keys/url"
token_file = "keys/token"
"""
SECRETS = {
    "keys/listing.key": "home.listing_key",
    "keys/heron": "far.heron.login_key",
    "keys/heron-tunnel.key": "far.heron.tunnel.key_file",
    "keys/heron-shared.key": "far.heron.tunnel.shared_key_file",
    "keys/url": "channel.web.url_file",
    "keys/token": "channel.web.token_file",
}


@pytest.fixture
def house(tmp_path: Path) -> Path:
    """A household with a secret of every kind, and nothing wrong on this machine."""
    write_tunnelled_household(tmp_path, more=WEB)
    secret(tmp_path / "keys/url", "https://example.org/hook")
    secret(tmp_path / "keys/token", "token")
    return tmp_path


def found(house: Path) -> list[tuple[str, str]]:
    parts = read_parts(str(house))
    assert parts.mistakes == []
    return [(one.key, one.wrong) for one in check_machine(parts)]


def test_nothing_is_said_if_all_is_there_and_safe(house: Path) -> None:
    assert set(KEYS) < set(SECRETS)
    assert found(house) == []


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620])
@pytest.mark.parametrize("path", SECRETS)
def test_each_secret_that_anybody_else_may_open_is_named(house: Path, path: str, mode: int) -> None:
    (house / path).chmod(mode)
    said = f"{house / path} can be read by others (mode {mode:04o})"
    assert found(house) == [(SECRETS[path], said)]
    with pytest.raises(WrongSettings, match="can be read by others"):
        require_secret(str(house / path))


def test_a_secret_that_this_account_cannot_open_is_named(house: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    opened = os.open

    def refused(path: str, *rest: int, **more: int) -> int:
        if path == str(house / "keys/heron"):
            raise PermissionError(13, "Permission denied")
        return opened(path, *rest, **more)

    monkeypatch.setattr(os, "open", refused)
    assert found(house) == [("far.heron.login_key", f"{house}/keys/heron cannot be read by this account")]


def test_a_pipe_in_place_of_a_secret_is_named_and_not_waited_for(house: Path) -> None:
    (house / "keys/heron").unlink()
    os.mkfifo(house / "keys/heron", 0o600)
    assert found(house) == [("far.heron.login_key", f"{house}/keys/heron is not a file")]


def test_a_folder_and_programs_that_are_not_there_are_named(house: Path) -> None:
    job = house / "jobs/photos.toml"
    job.write_text(job.read_text() + 'before = ["/no/such"]\n[drill]\nalso = ["/none/such"]\n')
    (house / "family/photos").rmdir()
    assert found(house) == [
        ("folder", f"{house}/family/photos is not a folder on this machine"),
        ("before", "/no/such cannot be run"),
        ("drill.also", "/none/such cannot be run"),
    ]
