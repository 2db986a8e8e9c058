"""The confinement of a unit file without systemd as the first process: same account, capabilities, system calls,
address families, memory rules, read-only file system and hidden processes, read from the unit file itself.

Not everything that systemd does is here: devices, `PrivateTmp`, `ProtectKernel*` and name-space rules are left out.
"""

from __future__ import annotations

import functools
import json
import shlex
import socket
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from support.lab.need import program

INSIDE = Path(__file__).with_name("jail_inside.py")
NOBODY = 65534


def values(unit: str, name: str) -> list[str]:
    """All values of `name=` in a unit file, in order."""
    return [line.partition("=")[2] for line in unit.splitlines() if line.startswith(f"{name}=")]


def allowed_calls(unit: str) -> set[str]:
    """The system calls that SystemCallFilter= lines let through: the first list, then what is taken away or added."""
    found: set[str] = set()
    for value in values(unit, "SystemCallFilter"):
        words = value.removeprefix("~").split()
        named = set().union(*(_members(word) for word in words))
        found = found - named if value.startswith("~") else found | named
    return found


@functools.cache
def _members(word: str) -> frozenset[str]:
    if not word.startswith("@"):
        return frozenset((word,))
    done = subprocess.run(
        ["systemd-analyze", "syscall-filter", word], capture_output=True, text=True, timeout=30, check=True
    )
    lines = [line.strip() for line in done.stdout.splitlines()[1:]]
    return frozenset().union(*(_members(line) for line in lines if line and not line.startswith("#")))


@dataclass(frozen=True)
class Jail:
    """A jail for `unit`, with its filter list in `folder`. Only what is in `writable` can be written to.

    `own_network`: a network name space of its own, with an own empty folder for tunnel sockets.
    """

    unit: str
    folder: Path
    writable: Sequence[Path]
    own_network: bool = False

    def argv(self, *words: str) -> list[str]:
        """The command line that runs `words` inside."""
        filters = self.folder / "filters.json"
        names = " ".join(values(self.unit, "RestrictAddressFamilies")).split()
        families = [int(getattr(socket, name)) for name in names]
        filters.write_text(json.dumps({"families": families, "calls": sorted(allowed_calls(self.unit))}))
        inside = [sys.executable, str(INSIDE), str(filters), program(words[0]) or words[0], *words[1:]]
        steps = ["mount --make-rprivate /"]
        steps += [f"mount --bind {shlex.quote(str(path))} {shlex.quote(str(path))}" for path in self.writable]
        if self.own_network:
            steps += [
                "mkdir -p /run/wireguard",
                f"mount -t tmpfs -o uid={NOBODY},mode=0755 otherroof-lab /run/wireguard",
                # udev gives everybody this device (50-udev-default.rules); a machine without udev may not.
                "mount -t tmpfs -o mode=0755 otherroof-lab /dev/net",
                "mknod -m 0666 /dev/net/tun c 10 200",
            ]
        steps += [f"mount -t proc -o hidepid={value} proc /proc" for value in values(self.unit, "ProtectProc")]
        steps += ["mount -o remount,bind,ro /", f"exec {shlex.join([*self._setpriv(), *inside])}"]
        # With processes of its own too, nothing that it starts outlives it.
        spaces = ["--net", "--pid", "--fork", "--kill-child"] if self.own_network else []
        return ["unshare", "--mount", *spaces, "sh", "-e", "-c", "; ".join(steps)]

    def _setpriv(self) -> list[str]:
        (ambient,) = values(self.unit, "AmbientCapabilities")
        (bounding,) = values(self.unit, "CapabilityBoundingSet")
        assert values(self.unit, "NoNewPrivileges") == ["yes"]
        return [
            "setpriv",
            f"--reuid={NOBODY}",
            f"--regid={NOBODY}",
            "--clear-groups",
            f"--inh-caps=-all,{_plus(ambient)}",
            f"--ambient-caps=-all,{_plus(ambient)}",
            f"--bounding-set=-all,{_plus(bounding)}",
            "--no-new-privs",
        ]


def _plus(capabilities: str) -> str:
    return ",".join(f"+{name.removeprefix('CAP_').lower()}" for name in capabilities.split())
