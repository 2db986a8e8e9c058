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
from support.outside import COMMON, outside


@outside("RFC 7748", "§5, decodeScalar25519", "a new tunnel key is clamped", value="from memory")
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


@outside("wg(8)", "wg pubkey", "the public half of a key that we made", value="recomputed")
def test_wg_derives_the_same_public_half():
    wg = need("wg")
    for _ in range(10):
        key = new_tunnel_key()
        done = subprocess.run([wg, "pubkey"], input=key, capture_output=True, text=True, timeout=10, check=True)
        assert done.stdout.strip() == tunnel_public(key)


@outside("OpenSSH, ssh-keygen(1)", "-y and -l", "the login key that pairing makes", value="recomputed")
def test_ssh_keygen_reads_the_login_key_and_derives_the_same_public_line(tmp_path):
    keygen = need("ssh-keygen")
    files = KeyFiles(*(str(tmp_path / "keys" / name) for name in ("tunnel", "shared", "login")))
    files.make_missing()
    done = subprocess.run([keygen, "-y", "-f", files.login], capture_output=True, text=True, timeout=10, check=True)
    assert done.stdout.split()[:2] == files.login_public().split()
    shown = subprocess.run([keygen, "-l", "-f", files.login], capture_output=True, text=True, timeout=10, check=True)
    assert shown.stdout.startswith("256 SHA256:")
    assert "(ED25519)" in shown.stdout


@outside(COMMON, "", "the SSH library loads the login key", value="recomputed")
def test_the_login_key_is_what_the_service_can_load():
    import io

    import paramiko

    text = new_login_key()
    key = paramiko.Ed25519Key.from_private_key(io.StringIO(text))
    assert f"{key.get_name()} {key.get_base64()}" == login_public(text)
