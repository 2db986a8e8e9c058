"""The keys that pairing makes, held against the RFC and the programs that will use them."""

from __future__ import annotations

import base64
import os
import shutil
import subprocess

import pytest

from otherroof.pairing.keys import KeyFiles, login_public, new_login_key, new_tunnel_key
from otherroof.tunnel.keys import tunnel_public
from support.lab.need import program


def b64(digits: str) -> str:
    return base64.b64encode(bytes.fromhex(digits)).decode("ascii")


# RFC 7748 §6.1, "Curve25519": the private and public keys of the example's two sides.
RFC_7748 = (
    (
        "77076d0a7318a57d3c16c17251b26645df4c2f87ebc0992ab177fba51db92c2a",
        "8520f0098930a754748b7ddcb43ef75a0dbf3a0d26381af4eba4a98eaa9b4e6a",
    ),
    (
        "5dab087e624a8a4b79e17f8b83800ee66f3bb1292618b6fd1c2f8b27ff88e0eb",
        "de9edb7d7b7dc1b4d35b61c2ece435373f8343c85b78674dadfc7e146f882b4f",
    ),
)


@pytest.mark.parametrize(("private", "public"), RFC_7748)
def test_the_public_half_is_the_one_of_rfc_7748(private, public):
    assert tunnel_public(b64(private)) == b64(public)


def test_a_key_is_clamped_as_rfc_7748_section_5_says():
    for _ in range(50):
        raw = base64.b64decode(new_tunnel_key())
        assert len(raw) == 32
        assert raw[0] & 0b111 == 0
        assert raw[31] & 0b1000_0000 == 0
        assert raw[31] & 0b0100_0000


def need(name: str) -> str:
    path = program(name) or shutil.which(name)
    if not path:
        if os.environ.get("CI") == "true":
            pytest.fail(f"{name} must be installed where CI=true")
        pytest.skip(f"{name} is not installed")
    return path


def test_wg_derives_the_same_public_half():
    wg = need("wg")
    for _ in range(10):
        key = new_tunnel_key()
        done = subprocess.run([wg, "pubkey"], input=key, capture_output=True, text=True, timeout=10, check=True)
        assert done.stdout.strip() == tunnel_public(key)


def test_ssh_keygen_reads_the_login_key_and_derives_the_same_public_line(tmp_path):
    keygen = need("ssh-keygen")
    files = KeyFiles(*(str(tmp_path / "keys" / name) for name in ("tunnel", "shared", "login")))
    files.make_missing()
    done = subprocess.run([keygen, "-y", "-f", files.login], capture_output=True, text=True, timeout=10, check=True)
    assert done.stdout.split()[:2] == files.login_public().split()
    shown = subprocess.run([keygen, "-l", "-f", files.login], capture_output=True, text=True, timeout=10, check=True)
    assert shown.stdout.startswith("256 SHA256:")
    assert "(ED25519)" in shown.stdout


def test_the_login_key_is_what_the_service_can_load():
    import io

    import paramiko

    text = new_login_key()
    key = paramiko.Ed25519Key.from_private_key(io.StringIO(text))
    assert f"{key.get_name()} {key.get_base64()}" == login_public(text)
