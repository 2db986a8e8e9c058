"""Each key that the settings name is looked at: a file of the right mode may hold something that is no key."""

from __future__ import annotations

from pathlib import Path

import pytest

from otherroof.far_copy.listing_key import read_or_make_key
from otherroof.pairing.key_files import keys_that_are_none
from otherroof.settings import read_parts
from support.household import secret, write_household

# Both in the form that wg(8) takes; far_key is derived from RFC 7748 §6.1.
TUNNEL = """
[far.heron.tunnel]
kind = "wireguard"
own_address = "10.77.0.1/24"
far_key = "hSDwCYkwp1R0i33ctD73Wg2/Og0mOBr066SpjqqbTmo="
reach = ["10.77.0.0/24"]
key_file = "keys/tunnel"
shared_key_file = "keys/shared"
"""
WG_KEY = "dwdtCnMYpX08FsFyUbJmRd9ML4frwJkqsXf7pR25LCo="  # the private key of the same example


@pytest.fixture
def house(tmp_path: Path) -> Path:
    write_household(tmp_path, more=TUNNEL)
    read_or_make_key(str(tmp_path / "keys" / "listing.key"))
    secret(tmp_path / "keys" / "tunnel", WG_KEY)
    secret(tmp_path / "keys" / "shared", WG_KEY)
    return tmp_path


def wrong(house: Path) -> list[str]:
    parts = read_parts(str(house))
    assert parts.mistakes == []
    return [one.key for one in keys_that_are_none(parts, ())]


def test_of_a_new_home_the_listing_key_that_the_first_run_makes_is_not_missed(house: Path) -> None:
    assert wrong(house) == []
    (house / "keys" / "listing.key").unlink()
    assert wrong(house) == []


@pytest.mark.parametrize(
    ("file", "key"),
    [
        ("listing.key", "home.listing_key"),
        ("heron", "far.heron.login_key"),
        ("tunnel", "far.heron.tunnel.key_file"),
        ("shared", "far.heron.tunnel.shared_key_file"),
    ],
)
def test_a_file_that_holds_no_key_is_told_by_its_setting(house: Path, file: str, key: str) -> None:
    assert (house / "keys" / file).exists()
    secret(house / "keys" / file, "something else")
    assert wrong(house) == [key]
