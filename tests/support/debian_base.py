"""Minimal Debians for the lab: one folder for each release, made from the mirror that this machine's own apt uses.

Making one takes half a minute to a minute, so it is kept in the user's cache folder for two weeks and serves every run
of the tests meanwhile. Nobody writes into it: who wants a system that can be changed lays something over it.
"""

from __future__ import annotations

import contextlib
import fcntl
import glob
import hashlib
import os
import re
import shutil
import subprocess
import time
from collections.abc import Iterator

from support.lab import Estate, LabFault, program

# Oldest first: Debian 12 and Debian 13.
RELEASES = ("bookworm", "trixie")
# kmod is on every Debian that boots; without it Debian 13's systemd finds no libkmod and counts itself as degraded.
PACKAGES = (
    "openssh-server,wireguard-tools,wireguard-go,nftables,iproute2,unattended-upgrades,"
    "procps,systemd,kmod,iputils-ping,netcat-openbsd,python3-venv"
)
KEPT_S = 14 * 86400
MAKING_S = 600.0


def cache_folder() -> str:
    """Where the lab keeps what is dear to make; may be removed at any time when no test runs."""
    above = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")
    return os.path.join(above, "otherroof-lab")


def base_of(release: str) -> str:
    """The folder of a minimal Debian, made now if none is kept. Raises LabFault if none can be made."""
    os.makedirs(cache_folder(), exist_ok=True)
    stem = os.path.join(cache_folder(), f"{release}-{hashlib.sha256(PACKAGES.encode()).hexdigest()[:8]}-")
    with _sole_maker(release):
        for folder in glob.glob(f"{stem}*"):
            if abs(time.time() - _made_at(folder)) < KEPT_S:
                return folder
        folder = f"{stem}{time.time():.0f}"
        _make(release, folder)
        _remove_outdated(release)
    return folder


def _made_at(folder: str) -> float:
    return float(folder.rpartition("-")[2])


@contextlib.contextmanager
def _sole_maker(release: str) -> Iterator[None]:
    """Two test processes at once make one tree, not two. Raises LabFault if the other one takes too long."""
    until = time.monotonic() + MAKING_S + 60
    with open(os.path.join(cache_folder(), f"{release}.lock"), "w", encoding="utf-8") as lock:
        while True:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError as problem:
                if time.monotonic() > until:
                    raise LabFault(f"another process has been making a {release} for too long") from problem
                time.sleep(0.2)
        yield


def _make(release: str, folder: str) -> None:
    """A tree that is whole, or none: it gets its name when it is done."""
    with Estate() as estate:
        half = os.path.join(cache_folder(), f"making-{estate.number}")
        estate.note("folder", path=half)
        # With mounts and processes of its own, nothing of it stays when it is ended half way.
        apart = ["unshare", "--mount", "--pid", "--fork", "--kill-child=KILL", "--mount-proc"]
        argv = [program("mmdebstrap") or "mmdebstrap", "--mode=root", "--variant=minbase", f"--include={PACKAGES}"]
        maker = estate.spawn(
            [*apart, *argv, release, half, own_mirror()],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            errors="replace",
            env={**os.environ, "DPKG_FORCE": "unsafe-io"},  # no sync for each of thousands of files
        )
        try:
            said, _ = maker.communicate(timeout=MAKING_S)
        except subprocess.TimeoutExpired as problem:
            raise LabFault(f"mmdebstrap took more than {MAKING_S:g} s to make a {release}") from problem
        if maker.returncode:
            raise LabFault(f"mmdebstrap could not make a {release}: {said[-2000:]}")
        os.rename(half, folder)


def _remove_outdated(release: str) -> None:
    """Trees that no test process can still be using, since they were too old for it a day ago."""
    for folder in glob.glob(os.path.join(cache_folder(), f"{release}-*")):
        if abs(time.time() - _made_at(folder)) > KEPT_S + 86400:
            shutil.rmtree(folder, ignore_errors=True)


def own_mirror() -> str:
    """The Debian mirror that apt's own settings name. Raises LabFault if they name none."""
    with open("/etc/os-release", encoding="utf-8") as file:
        found = re.search(r"^VERSION_CODENAME=(\w+)", file.read(), re.MULTILINE)
    suite = found[1] if found else ""
    sources = glob.glob("/etc/apt/sources.list.d/*.sources") + glob.glob("/etc/apt/sources.list.d/*.list")
    for path in (*sorted(sources), "/etc/apt/sources.list"):
        with contextlib.suppress(FileNotFoundError), open(path, encoding="utf-8") as file:
            for stanza in file.read().split("\n\n"):
                new = re.search(r"^URIs:\s*(\S+)", stanza, re.MULTILINE)
                suites = re.search(r"^Suites:.*", stanza, re.MULTILINE)
                if new and suites and suite in suites[0].split():
                    return new[1]
                old = re.search(rf"^deb\s+(?:\[[^]]*\]\s+)?(\S+)\s+{suite}\s+main", stanza, re.MULTILINE)
                if suite and old:
                    return old[1]
    raise LabFault("apt's sources name no Debian archive of this system's suite")
