"""Reads what `systemd-analyze security` says of our unit: how exposed it is, and what of that no comment explains."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

MOST_EXPOSED = 2.5
# By which word a comment explains what systemd-analyze calls by a longer name.
SAID_AS = {
    "SystemCallFilter=~@privileged": "`ping` lays down",
    "RootDirectory=/RootImage=": "RootDirectory",
    "CapabilityBoundingSet=~CAP_(DAC_*|FOWNER|IPC_OWNER)": "CAP_DAC_READ_SEARCH ",
    "CapabilityBoundingSet=~CAP_NET_ADMIN": "CAP_NET_ADMIN ",
    "CapabilityBoundingSet=~CAP_NET_(BIND_SERVICE|BROADCAST|RAW)": "CAP_NET_RAW ",
    "RestrictAddressFamilies=~AF_NETLINK": "AF_NETLINK ",
    "RestrictAddressFamilies=~AF_PACKET": "AF_PACKET ",
    "RestrictAddressFamilies=~AF_UNIX": "AF_UNIX ",
    "RestrictAddressFamilies=~AF_(INET|INET6)": "AF_INET, AF_INET6 ",
    "DeviceAllow=": "/dev/net/tun",
}


def exposure(told: str) -> float:
    """The overall exposure level, from 0 (confined) to 10."""
    found = re.search(r"Overall exposure level for otherroof\.service: ([0-9.]+)", told)
    assert found is not None, told
    return float(found[1])


def looser(rows: Iterable[Mapping[str, Any]]) -> list[str]:
    """The points, of those told with `--json=short`, at which the unit is not as confined as it could be."""
    return [row["name"] for row in rows if row.get("exposure") and not row["set"]]


def unexplained(rows: Iterable[Mapping[str, Any]], unit: str) -> list[str]:
    """Those of them that no comment in the unit file names."""
    comments = "\n".join(line for line in unit.splitlines() if line.startswith("#"))
    return [name for name in looser(rows) if SAID_AS.get(name, name.partition("=")[0]) not in comments]
