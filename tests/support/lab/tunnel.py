"""A pair of userspace tunnel ends through a relay: the "already routed" tunnel that tests and benchmarks copy over.

Keys are made into files of the estate, never put into arguments. What the product does by itself with `kind =
"wireguard"` is not used here, so that the lab can stand as a witness against it.
"""

from __future__ import annotations

import contextlib
import os
import socket
import time
from collections.abc import Callable
from typing import Literal

from support.lab.commands import LabFault, call
from support.lab.houses import Houses
from support.lab.namespace import Namespace
from support.lab.ownership import Estate
from support.lab.relay import Relay
from support.lab.shaping import Line

MTU = 1420
UP_S = 15.0


def make_tunnel_keys(folder: str, name: str) -> tuple[str, str]:
    """A private key in file `folder/name` (mode 0600), and its public key as text."""
    path = os.path.join(folder, name)
    private = call(["wg", "genkey"])
    file = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(file, "w", encoding="ascii") as out:
        out.write(private)
    return path, call(["wg", "pubkey"], given=private).strip()


class UserspaceEnd:
    """One end: a `wireguard-go` process in `space` and its interface."""

    def __init__(self, estate: Estate, space: Namespace, interface: str) -> None:
        self.space = space
        self.interface = interface
        self.key_file, self.public_key = make_tunnel_keys(estate.folder, f"{interface}.key")
        with open(os.path.join(estate.folder, f"{interface}.log"), "w", encoding="utf-8") as log:
            self._process = space.popen(
                ["wireguard-go", "--foreground", interface],
                stderr=log,
                stdout=log,
                env={**os.environ, "LOG_LEVEL": "error"},
            )
        _wait_for(lambda: f"{interface}:" in space.ip("-o", "link", "show"), f"interface {interface}")
        _wait_for(lambda: _listens(space, f"/{interface}.sock"), f"control socket of {interface}")

    def set_up(self, address: str, *, port: int = 0) -> None:
        """Key, port, address, MTU, up."""
        words = ["listen-port", str(port)] if port else []
        self.space.run(["wg", "set", self.interface, *words, "private-key", self.key_file])
        self.space.ip("address", "add", address, "dev", self.interface)
        self.space.ip("link", "set", self.interface, "mtu", str(MTU), "up")

    def add_peer(
        self, public_key: str, reach: str, *, endpoint: tuple[str, int] | None = None, keepalive_s: int = 0
    ) -> None:
        """The other side, and the networks behind it."""
        words = ["peer", public_key, "allowed-ips", reach]
        words += ["endpoint", f"{endpoint[0]}:{endpoint[1]}"] if endpoint else []
        words += ["persistent-keepalive", str(keepalive_s)] if keepalive_s else []
        self.space.run(["wg", "set", self.interface, *words])

    def stop(self) -> None:
        """End the process; its interface goes with it. May be called twice."""
        self._process.terminate()
        self._process.wait(10)


class TunnelPair:
    """Home and far joined by a tunnel whose packets pass a `Relay` in the transit. Up on entry, down on exit.

    `out` is the line from home to far, `back` the other way, whoever calls. With `calls="far"` the far end calls home
    through the relay, as it must where the far router translates and home forwards a port.
    """

    HOME, FAR = "10.77.0.1", "10.77.0.2"

    def __init__(
        self,
        houses: Houses,
        *,
        out: Line,
        back: Line | None = None,
        calls: Literal["home", "far"] = "home",
        port: int = 51820,
        seed: int = 1,
    ) -> None:
        back = back or out
        answering = houses.home_outside if calls == "far" else houses.far_outside
        with contextlib.ExitStack() as undo:
            self.relay = undo.enter_context(
                Relay(
                    houses.transit,
                    listen=(houses.RELAY_ADDRESS, port),
                    target=(answering, port),
                    out=out if calls == "home" else back,
                    back=back if calls == "home" else out,
                    seed=seed,
                )
            )
            self.home = UserspaceEnd(houses.estate, houses.home, houses.interface_name("home"))
            undo.callback(self.home.stop)
            self.far = UserspaceEnd(houses.estate, houses.far, houses.interface_name("far"))
            undo.callback(self.far.stop)
            self.home.set_up(f"{self.HOME}/24", port=port)
            self.far.set_up(f"{self.FAR}/24", port=port)
            through = (houses.RELAY_ADDRESS, port)
            caller, answerer = (self.home, self.far) if calls == "home" else (self.far, self.home)
            answerer.add_peer(caller.public_key, _host(self, caller))
            caller.add_peer(answerer.public_key, _host(self, answerer), endpoint=through, keepalive_s=25)
            self._wait_until_it_carries()
            self._undo = undo.pop_all()

    def __enter__(self) -> TunnelPair:
        return self

    def __exit__(self, *_: object) -> None:
        self._undo.close()

    def use_congestion_control(self, name: str, *, locked: bool) -> None:
        """TCP through the tunnel uses `name` from now on, on both sides; locked: no program may choose another.

        Set on the routes, because only the machine's first namespace may change the default to some algorithms.
        """
        words = ["congctl", "lock", name] if locked else ["congctl", name]
        for end, own, other in ((self.home, self.HOME, self.FAR), (self.far, self.FAR, self.HOME)):
            end.space.ip("route", "replace", f"{other}/32", "dev", end.interface, "src", own, *words)

    def _wait_until_it_carries(self) -> None:
        with self.far.space.udp(self.FAR) as ear, self.home.space.udp(self.HOME) as mouth:
            ear.settimeout(0.2)
            until = time.monotonic() + UP_S
            while time.monotonic() < until:
                mouth.sendto(b"up?", ear.getsockname())
                with contextlib.suppress(socket.timeout):
                    ear.recv(16)
                    return
        raise LabFault(f"the tunnel carried nothing within {UP_S:.0f} s")


def _host(pair: TunnelPair, end: UserspaceEnd) -> str:
    return f"{pair.HOME if end is pair.home else pair.FAR}/32"


def _listens(space: Namespace, end: str) -> bool:
    """Whether a program listens at a socket whose path ends so (proc(5), /proc/net/unix: flags, path).

    Not asked of `wg`: it removes a socket at which nobody listens yet, and the program that was about to ends by it.
    """
    rows = [row.split() for row in space.run(["cat", "/proc/net/unix"]).splitlines()]
    return any(row[3] == "00010000" and row[-1].endswith(end) for row in rows)


def _wait_for(met: Callable[[], bool], what: str) -> None:
    until = time.monotonic() + UP_S
    while not met():
        if time.monotonic() > until:
            raise LabFault(f"{what} did not appear within {UP_S:.0f} s")
        time.sleep(0.02)
