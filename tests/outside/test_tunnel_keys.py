"""Tunnel keys against RFC 7748 §6.1, and against `wg pubkey` where it is installed."""

from __future__ import annotations

import base64
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from otherroof.tunnel.keys import read_public_key, tunnel_public
from support.outside import outside

# RFC 7748 §6.1.
ALICE = "77076d0a7318a57d3c16c17251b26645df4c2f87ebc0992ab177fba51db92c2a"
ALICE_PUBLIC = "8520f0098930a754748b7ddcb43ef75a0dbf3a0d26381af4eba4a98eaa9b4e6a"
BOB = "5dab087e624a8a4b79e17f8b83800ee66f3bb1292618b6fd1c2f8b27ff88e0eb"
BOB_PUBLIC = "de9edb7d7b7dc1b4d35b61c2ece435373f8343c85b78674dadfc7e146f882b4f"


def _base64(digits: str) -> str:
    return base64.b64encode(bytes.fromhex(digits)).decode("ascii")


@outside("RFC 7748", "§6.1", "the public half of a tunnel key", value="read", each=True)
@pytest.mark.parametrize(("private", "public"), [(ALICE, ALICE_PUBLIC), (BOB, BOB_PUBLIC)])
def test_public_half_of_a_tunnel_key(private: str, public: str) -> None:
    assert tunnel_public(_base64(private)) == _base64(public)


@outside("wg(8)", "wg pubkey", "the public half of a key that wg made", value="recomputed")
@pytest.mark.skipif(shutil.which("wg") is None, reason="wireguard-tools are not installed")
def test_public_half_as_wg_tells_it(tmp_path: Path) -> None:
    path = tmp_path / "key"
    made = subprocess.run(["wg", "genkey"], capture_output=True, check=True, timeout=10)
    path.write_bytes(made.stdout)
    os.chmod(path, 0o600)
    told = subprocess.run(["wg", "pubkey"], input=made.stdout, capture_output=True, check=True, timeout=10)
    assert read_public_key(str(path)) == told.stdout.decode().strip()
