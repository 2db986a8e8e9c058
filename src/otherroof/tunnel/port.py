"""The Tunnel port: what the rest of the house asks of whatever carries packets to the other house.

Documented here once; the drivers in `drivers/` are `no_tunnel`, `command` and `wireguard`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class TunnelState:
    """How a tunnel stands.

    `handshake_age_s` is None if no handshake has happened yet, or if this kind of tunnel does not tell
    (`counted` is False then, and the bytes mean nothing). `silent_s`: for how long we have sent something without
    anything coming back, as far as repeated looks can tell. `shut`: whether our firewall table keeps out what begins at
    the far end; None if that is not ours to do, False if the table is gone although it should stand (another
    program flushed all of them), which `up` puts right.
    """

    up: bool
    counted: bool = False
    handshake_age_s: float | None = None
    sent: int = 0
    received: int = 0
    silent_s: float = 0.0
    endpoint: str = ""
    mtu: int = 0
    shut: bool | None = None


class Tunnel(Protocol):
    """A link to the other house.

    `name` is for people: the interface, or the kind. `look_s` is how often it is worth a look while it is in use;
    0 means never.

    `up` brings it up, and may be called at any time: over a tunnel that is half made or stale it puts right what is
    not as the settings want it, and over one that stands it changes nothing. A name that the far box is called by is
    resolved again then, if nothing has come back for a while. `down` takes away only what `up` made: over a tunnel
    that somebody else made, or none at all, it does nothing. `state` only looks, and may remember what it saw.

    All three raise TunnelTrouble; none waits without a time-out. What `up` made is known also to another process on
    the same state folder, and after a crash. They are not safe against each other: `sharing` takes turns.
    """

    @property
    def name(self) -> str: ...

    @property
    def look_s(self) -> float: ...

    def up(self) -> None: ...

    def down(self) -> None: ...

    def state(self) -> TunnelState: ...
