"""Says whether this machine can carry the lab: skips a test with the reason, or fails it where `CI=true`."""

from __future__ import annotations

import functools
import os
import shutil

import pytest

from support.lab.commands import LabFault, call
from support.lab.ownership import Estate

PROGRAMS = ("ip", "nft", "wg", "wireguard-go", "ssh-keygen", "sshd")
_MORE_PATH = "/usr/sbin:/sbin:/usr/local/sbin"


def program(name: str) -> str:
    """Where program `name` is, looking in the administrator's folders too; "" if nowhere."""
    return shutil.which(name, path=f"{os.environ.get('PATH', '')}:{_MORE_PATH}") or ""


@functools.cache
def lab_lacks() -> str:
    """Why the lab cannot be built here; "" when it can."""
    if os.geteuid() != 0:
        return "the lab needs root"
    missing = [name for name in PROGRAMS if not program(name)]
    if missing:
        return f"not installed: {', '.join(missing)}"
    if not os.path.exists("/dev/net/tun"):
        return "there is no /dev/net/tun"
    try:
        with Estate() as estate:
            name = f"otherroof-{estate.number}-trial"
            estate.note("namespace", name=name)
            call(["ip", "netns", "add", name])
    except LabFault as problem:
        return f"no network namespace can be made: {problem}"
    return ""


def require_lab() -> None:
    """Skip the test that calls this, with the reason, where the lab cannot be built; with CI=true fail it."""
    _require(lab_lacks())


def require_sshd() -> None:
    """The same for tests that want only an `sshd` on 127.0.0.1, which works without root too."""
    missing = [name for name in ("ssh-keygen", "sshd") if not program(name)]
    _require(f"not installed: {', '.join(missing)}" if missing else "")


def require_programs(*names: str, root: bool = False) -> None:
    """The same for tests that want only these programs, and root where it is asked for."""
    missing = [name for name in names if not program(name)]
    _require(f"not installed: {', '.join(missing)}" if missing else "")
    _require("this needs root" if root and os.geteuid() != 0 else "")


def _require(lack: str) -> None:
    if not lack:
        return
    if os.environ.get("CI") == "true":
        pytest.fail(f"this must run where CI=true, but {lack}")
    pytest.skip(lack)
